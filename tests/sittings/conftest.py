"""A small school in an empty store: two sites, one of each role, three learners, a block exercise; and measuring made up."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import save_exercise
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.exercises import CriterionLine, criteria_of, import_exercise
from kerfmark.sittings.handing_in import Receipt, hand_in
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import actor_of, add_person, add_site
from kerfmark.sittings.rights import PROGRAM, Actor
from kerfmark.sittings.seating import seat_learners
from kerfmark.sittings.work import claim, finish
from kerfmark.storage import Store
from kerfmark.storage.schema import ExerciseVersion, Piece

U = 0.01
"""Standard uncertainty of every made-up reading."""


@dataclass
class School:
    store: Store
    site: str
    other_site: str
    exercise: str
    ids: dict[str, str]

    def __getitem__(self, code: str) -> Actor:
        """The person of that code as an actor."""
        return actor_of(self.store, self.ids[code])

    @property
    def criteria(self) -> tuple[CriterionLine, ...]:
        with self.store.read() as tx:
            return criteria_of(tx, self.exercise)

    def sitting(self, kind: str = "practice", **options) -> str:
        made = open_sitting(
            self.store,
            self["teacher"],
            title=f"A {kind}",
            site_id=self.site,
            exercise_id=self.exercise,
            kind=kind,
            **options,
        )
        seat_learners(self.store, self["teacher"], made, [self.ids[code] for code in ("L1", "L2", "L3")])
        return made

    def handed_in(self, sitting: str, code: str = "L1", content: bytes = b"solid piece") -> Receipt:
        return hand_in(self.store, self[code], content=content, file_name="piece.stl", sitting_id=sitting)

    def measured(
        self, sitting: str, code: str = "L1", where: Sequence[str] = (), content: bytes = b"solid piece"
    ) -> str:
        """A piece handed in and measured: each criterion `in`, `out` or `on` its limit; `in` where nothing is said."""
        piece = self.handed_in(sitting, code, content).piece_id
        taken = claim(self.store, "a test", seconds=60)
        assert taken is not None
        assert finish(self.store, taken, assessed(self.criteria, where))
        return piece


def assessed(criteria: Sequence[CriterionLine], where: Sequence[str] = ()) -> Assessed:
    words = [*where, *["in"] * len(criteria)]
    readings = tuple(
        Reading(c.reading, c.where, c.stat, _value(c.limits, word), c.unit, U)
        for c, word in zip(criteria, words, strict=False)
    )
    return Assessed("0", "scan", 8.0, 0.95, readings, b"{}")


def _value(limits: tuple[float, float], word: str) -> float:
    low, high = limits
    edge = high if math.isfinite(high) else low
    outwards = 1.0 if math.isfinite(high) else -1.0
    inside = 0.5 * (low + high) if math.isfinite(low) and math.isfinite(high) else edge - outwards
    return {"in": inside, "out": edge + outwards, "on": edge}[word]


CRITERIA = (
    {
        "reading": "block.floor_depth_mm",
        "limits": [1.9, 2.1],
        "weight": 2.0,
        "ask": "Is the bed 2 mm deep?",
        "source": "teaching practice",
    },
    {"reading": "block.floor_flatness_um", "limits": [float("-inf"), 200.0]},
    {"reading": "block.overcut_mm3", "where": "all", "limits": [float("-inf"), 0.5]},
    {"reading": "block.target_cleared", "limits": [0.9, float("inf")]},
    {"reading": "block.outline_overlap", "limits": [0.8, float("inf")], "weight": 1.5, "critical": True},
)


@pytest.fixture(scope="session")
def small_exercise(tmp_path_factory) -> Path:
    """A block of 12 × 10 × 6 mm in which a bed of 4 × 3 × 2 mm is to be cut."""
    block = Solid.box([-6.0, -5.0, -6.0], [6.0, 5.0, 0.0])
    bed = difference(block, Solid.box([-2.0, -1.5, -2.0], [2.0, 1.5, 1.0]))
    table = {
        "format": 1, "id": "small-bed", "title": "A bed in a small block", "family": "block", "subject": {"surface": "subject.ply"},
        "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "-x"},
        "target": {"surface": "target.ply"}, "criteria": CRITERIA, "pass": {"minimum_percent": 60.0},
    }  # fmt: skip
    folder = tmp_path_factory.mktemp("exercises") / "small-bed"
    assets = {"subject.ply": ply_bytes(block.surface()), "target.ply": ply_bytes(bed.surface())}
    save_exercise(folder, as_exercise(table), assets)
    return folder


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
    return School(store, site, other, exercise, ids)


def piece_row(store: Store, piece_id: str) -> Piece:
    with store.read() as tx:
        return tx.get(Piece, piece_id)
