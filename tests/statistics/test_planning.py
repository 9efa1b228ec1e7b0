import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import Components
from kerfmark.statistics.decisions import guard_table
from kerfmark.statistics.planning import cheapest, plan_sitting, plans

P, E, O_, PE = ("p",), ("i",), ("o",), ("p", "i")


def given(**variance):
    names = {"p": P, "i": E, "o": O_, "pi": PE, "pio": ("p", "i", "o")}
    return Components({names[k]: v for k, v in variance.items()}, {}, {}, {}, {"p": 100, "i": 6, "o": 3}, 66.0, "given")


def test_simulated_wrong_decisions_agree_with_the_normal_integral():
    # Source: without shared effects the sitting is the normal model of guard_table: SD 8, error √(36/4) = 3, standard 60.
    plan = plan_sitting(
        given(p=64.0, pi=36.0),
        {"i": 4},
        learners=200,
        minutes_each=0,
        standard=60,
        examiners=None,
        draws=2000,
        rng=np.random.default_rng(3),
    )
    (expected,) = guard_table(66, 8, 3, 60, ks=(0,))
    assert plan.false_pass.value == pytest.approx(expected.false_pass, abs=4 * plan.false_pass.se)
    assert plan.false_fail.value == pytest.approx(expected.false_fail, abs=4 * plan.false_fail.se)


def test_hours_count_every_examiner_on_every_piece():
    # Source: 90 learners × 5 exercises × 2 examiners × 4 minutes = 60 hours.
    plan = plan_sitting(
        given(p=64.0, pi=36.0, o=4.0),
        {"i": 5, "o": 2},
        learners=90,
        minutes_each=4,
        standard=60,
        draws=10,
        rng=np.random.default_rng(1),
    )
    assert plan.examiner_hours == pytest.approx(60.0)


def test_more_exercises_pass_fewer_wrongly_and_the_cheapest_reaches_the_target():
    made = plans(
        given(p=64.0, i=9.0, pi=100.0, pio=20.0),
        {"i": [2, 6, 12], "o": [1, 2]},
        learners=100,
        minutes_each=4,
        standard=60,
        rng=np.random.default_rng(2),
    )
    by_levels = {tuple(plan.levels.values()): plan for plan in made}
    assert by_levels[12, 1].false_pass.value < by_levels[2, 1].false_pass.value
    chosen = cheapest(made, dependability=0.8)
    assert chosen.study.dependability >= 0.8
    assert all(p.examiner_hours >= chosen.examiner_hours for p in made if p.study.dependability >= 0.8)


def test_plans_that_cannot_be_are_refused():
    with pytest.raises(EvidenceError, match="none of the plans"):
        cheapest([], dependability=0.8)
    with pytest.raises(InputError, match="0 learners"):
        plan_sitting(
            given(p=1.0, pi=1.0), {"i": 2}, learners=0, minutes_each=1, standard=1, rng=np.random.default_rng(1)
        )
