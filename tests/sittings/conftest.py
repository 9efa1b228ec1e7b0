"""The school of `tests.school`, empty of sittings, on each database: one of each role, three learners, a bed in a small block."""

import pytest
from tests.school import School

from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.sites import add_site
from kerfmark.storage.schema import ExerciseVersion


@pytest.fixture
def school(store, settings, small_exercise) -> School:
    site, other = add_site(store, PROGRAM, "North"), add_site(store, PROGRAM, "South")
    ids = {}
    for role in ("teacher", "lead", "technician", "auditor"):
        ids[role] = add_person(store, PROGRAM, code=role, name=f"A {role}", login=role, roles=[(role, site)])
    for code in ("E1", "E2", "E3"):
        ids[code] = add_person(store, PROGRAM, code=code, name=f"Examiner {code}", roles=[("examiner", site)])
    for code in ("L1", "L2", "L3"):
        ids[code] = add_person(store, PROGRAM, code=code, name=f"Learner {code}", roles=[("learner", site)])
    for role in ("teacher", "lead", "examiner"):
        ids[f"other {role}"] = add_person(store, PROGRAM, code=f"other {role}", name="Elsewhere", roles=[(role, other)])
    exercise = import_exercise(store, PROGRAM, small_exercise, settings=settings, prove=False)
    with store.write() as tx:  # proving takes seconds; that it is asked for is tested by itself
        tx.get(ExerciseVersion, exercise).can_be_marked = True
    return School(store, site, other, exercise, ids, seated=("L1", "L2", "L3"))
