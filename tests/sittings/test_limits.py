"""Marking stored readings again: the bench against `mark` itself, and limits put into force."""

import numpy as np
import pytest

from kerfmark.errors import ConflictError, RightsError
from kerfmark.marking import mark, rule
from kerfmark.records import Reading
from kerfmark.sittings.limits import change_limits, open_bench
from kerfmark.sittings.marks import standings
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.signing import sign
from kerfmark.storage.schema import Piece


def pieces_of_many_kinds(school):
    """Twelve pieces whose criteria lie inside, outside and on their limits, drawn with a fixed seed."""
    held = school.sitting()
    rng = np.random.default_rng(5)
    for number in range(12):
        where = rng.choice(["in", "out", "on"], size=len(school.criteria), p=[0.7, 0.15, 0.15])
        school.measured(held, f"L{number % 3 + 1}", where=list(where), content=f"piece {number}".encode())
    return held


def test_the_bench_rules_as_marking_does_piece_by_piece(school):
    held = pieces_of_many_kinds(school)
    bench = open_bench(school.store, school["teacher"], school.exercise)
    ruled = bench.ruled()
    with school.store.read() as tx:
        found = standings(tx, Piece.sitting_id == held)
    assert set(bench.pieces) == set(found)
    for at, made in enumerate(bench.pieces):
        own = found[made].marked.mark
        assert ruled.percent[at] == pytest.approx(own.percent)
        outcome = {(True, True): "pass", (False, False): "fail"}.get(
            (bool(ruled.least_outcome[at]), bool(ruled.most_outcome[at])), "refer"
        )
        assert outcome == own.outcome


def test_other_limits_on_the_bench_are_those_of_marking(school):
    pieces_of_many_kinds(school)
    bench = open_bench(school.store, school["teacher"], school.exercise)
    high = np.array([c.limits[1] + 0.5 for c in bench.criteria])
    ruled = bench.ruled(upper=high)
    for at in range(len(bench.pieces)):
        readings = [
            Reading(c.reading, c.where, c.stat, bench.values[at, j], c.unit, bench.u[at, j])
            for j, c in enumerate(bench.criteria)
        ]
        from dataclasses import replace

        criteria = [replace(c, limits=(c.limits[0], high[j])) for j, c in enumerate(bench.criteria)]
        assert ruled.percent[at] == pytest.approx(mark(rule(readings, criteria, bench.pass_), bench.pass_).percent)


def test_changed_limits_add_a_marking_and_ask_for_a_new_signature(school):
    held = school.sitting()
    made = school.measured(held, where=["out"])
    before = piece(school.store, school["lead"], made)
    sign(school.store, school["lead"], made)
    limits = [(c.limits[0] - 5.0, c.limits[1] + 5.0) for c in school.criteria]
    with pytest.raises(RightsError):
        change_limits(school.store, school["teacher"], held, limits, reason="Agreed by the board.")
    assert change_limits(school.store, school["lead"], held, limits, reason="Agreed by the board.") == 1
    after = piece(school.store, school["lead"], made)
    assert (before.by_limits[0].ruling, after.by_limits[0].ruling) == ("not met", "met")
    assert after.by_limits[0].limits == limits[0]
    assert after.word == "settled"
    sign(school.store, school["lead"], made)
    assert piece(school.store, school["lead"], made).word == "signed"


def test_released_marks_are_not_marked_again_behind_the_learners_back(school):
    from kerfmark.sittings.opening import close_sitting
    from kerfmark.sittings.signing import release, sign_settled

    held = school.sitting("exam")
    school.measured(held)
    close_sitting(school.store, school["teacher"], held)
    sign_settled(school.store, school["lead"], held)
    release(school.store, school["lead"], held)
    with pytest.raises(ConflictError, match="by an appeal only"):
        change_limits(school.store, school["lead"], held, None, reason="Too late.")


def test_a_criterion_that_does_not_apply_leaves_the_sum_on_the_bench_as_in_marking(school):
    from dataclasses import replace

    from tests.school import assessed

    from kerfmark.sittings.work import claim, finish

    made = school.handed_in(school.sitting()).piece_id
    given = assessed(school.criteria, ["in", "out"])
    first = replace(given.readings[0], value=None, u=None, status="not_applicable", reason="no floor")
    assert finish(
        school.store, claim(school.store, "a test", seconds=60), replace(given, readings=(first, *given.readings[1:]))
    )
    ruled = open_bench(school.store, school["teacher"], school.exercise).ruled()
    own = piece(school.store, school["lead"], made)
    # By hand: weights 2, 1, 1, 1, 1.5; the first does not apply, the second is not met: 3.5 of 4.5.
    assert ruled.percent[0] == pytest.approx(100.0 * 3.5 / 4.5)
    assert own.percent == pytest.approx(ruled.percent[0])
