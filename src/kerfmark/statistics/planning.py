"""How many exercises, attempts and examiners the next sitting needs, what it costs, and how often it passes wrongly."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import Components, Effect
from kerfmark.statistics.dependability import Dependability, decision_study
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval

__all__ = ["Plan", "cheapest", "plan_sitting", "plans"]


@dataclass(frozen=True, slots=True)
class Plan:
    """One way to run the next sitting.

    Attributes
    ----------
    levels : mapping of str to int
        How many of each facet.
    study : Dependability
    examiner_hours : float
    false_pass, false_fail : Estimate
        Shares of all learners, simulated.
    """

    levels: Mapping[str, int]
    study: Dependability
    examiner_hours: float
    false_pass: Estimate
    false_fail: Estimate


def plan_sitting(
    components: Components, levels: Mapping[str, int], *, learners: int, minutes_each: float, standard: float,
    examiners: str | None = "o", draws: int = 400, rng: np.random.Generator,
) -> Plan:  # fmt: skip
    """What a sitting with these numbers would be worth, by simulating it whole.

    Each draw makes new learners, exercises and examiners from the components, averages each learner's marks, and holds
    them against the standard; a learner's true mark is their own part plus the mean. A mark on the standard passes.

    Parameters
    ----------
    components : Components
        From the last sitting; negative ones count as 0.
    levels : mapping of str to int
        How many of each facet but "p".
    learners : int
    minutes_each : float
        Of one examiner on one piece.
    standard : float
        The true mark that should just pass.
    examiners : str or None
        Facet of examiners; None where instruments mark and examiners cost nothing.
    draws : int
        Simulated sittings of `learners` each.
    rng : Generator

    Returns
    -------
    Plan
        Intervals are the simulation's own error over sittings.

    Raises
    ------
    InputError
        If numbers are not positive.
    EvidenceError
        If there is neither spread nor error.

    Examples
    --------
    >>> found = Components({("p",): 64.0, ("i",): 9.0, ("p", "i"): 36.0}, {}, {}, {}, {"p": 100, "i": 5}, 66.0, "given")
    >>> plan = plan_sitting(found, {"i": 6}, learners=100, minutes_each=4, standard=60, examiners=None,
    ...                     rng=np.random.default_rng(1))
    >>> round(plan.study.dependability, 2), plan.examiner_hours
    (0.9, 0.0)
    """
    if learners < 1 or minutes_each < 0 or draws < 2:
        raise InputError(
            f"{learners} learners, {minutes_each} minutes, {draws} draws; expected at least 1, 0 and 2. Correct them."
        )
    study = decision_study(components, levels)
    true = components.mean + math.sqrt(components.usable()["p",]) * rng.standard_normal((draws, learners))
    error = np.zeros((draws, learners))
    for effect, value in components.usable().items():
        if effect != ("p",):
            error += _mean_of_effect(effect, value, levels, draws, learners, rng)
    passed, deserved = true + error >= standard, true >= standard
    made = [_rate(passed & ~deserved, "passed wrongly"), _rate(~passed & deserved, "failed wrongly")]
    pieces = math.prod(number for facet, number in levels.items() if facet != examiners)
    hours = learners * pieces * levels.get(examiners, 0) * minutes_each / 60.0 if examiners else 0.0
    return Plan(dict(levels), study, hours, made[0], made[1])


def _mean_of_effect(
    effect: Effect, value: float, levels: Mapping[str, int], draws: int, learners: int, rng: np.random.Generator
) -> FloatArray:
    """An effect averaged over its own levels: one draw a learner, or one for all where people are not in it."""
    others = math.prod(levels[facet] for facet in effect if facet != "p")
    size = (draws, learners) if "p" in effect else (draws, 1)
    return np.asarray(math.sqrt(value / others) * rng.standard_normal(size))


def _rate(events: np.ndarray, name: str) -> Estimate:
    """Share over all learners, its error over simulated sittings (learners of one share exercises)."""
    each = events.mean(axis=1)
    value, se = float(each.mean()), float(each.std(ddof=1)) / math.sqrt(len(each))
    lower, upper = (value - 1.96 * se, value + 1.96 * se) if se > 0.0 else wilson_interval(0, events.size)
    return Estimate(
        value, max(0.0, lower), min(1.0, upper), n=len(each), method=f"share {name}; simulated sittings", se=se
    )


def plans(
    components: Components, numbers: Mapping[str, Iterable[int]], *, learners: int, minutes_each: float, standard: float,
    examiners: str | None = "o", draws: int = 400, rng: np.random.Generator,
) -> list[Plan]:  # fmt: skip
    """A plan for every combination of numbers.

    Examples
    --------
    >>> found = Components({("p",): 64.0, ("p", "i"): 36.0}, {}, {}, {}, {"p": 100, "i": 5}, 66.0, "given")
    >>> len(plans(found, {"i": [4, 6, 8]}, learners=50, minutes_each=4, standard=60, examiners=None,
    ...           rng=np.random.default_rng(1)))
    3
    """
    facets = list(numbers)
    return [
        plan_sitting(
            components, dict(zip(facets, chosen, strict=True)), learners=learners, minutes_each=minutes_each,
            standard=standard, examiners=examiners, draws=draws, rng=rng,
        )
        for chosen in product(*(numbers[facet] for facet in facets))
    ]  # fmt: skip


def cheapest(made: Iterable[Plan], *, dependability: float = 0.8) -> Plan:
    """The plan with the fewest examiner hours, then fewest pieces, that reaches the dependability asked for.

    Raises
    ------
    EvidenceError
        If none reaches it.

    Examples
    --------
    >>> found = Components({("p",): 64.0, ("p", "i"): 36.0}, {}, {}, {}, {"p": 100, "i": 5}, 66.0, "given")
    >>> rng = np.random.default_rng(1)
    >>> made = plans(found, {"i": [1, 2, 3, 4]}, learners=50, minutes_each=4, standard=60, examiners=None, rng=rng)
    >>> dict(cheapest(made).levels)
    {'i': 3}
    """
    reach = [plan for plan in made if plan.study.dependability >= dependability]
    if not reach:
        raise EvidenceError(
            f"planning: none of the plans reaches a dependability of {dependability:g}. Ask about more exercises."
        )
    return min(reach, key=lambda plan: (plan.examiner_hours, math.prod(plan.levels.values())))
