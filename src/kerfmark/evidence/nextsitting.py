"""What the next sitting needs: exercises, examiners, hours, and the wrong passes that buys."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Figure, Grid, Options
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.passline import PassLine
from kerfmark.evidence.sources import Sources
from kerfmark.statistics.planning import Plan, cheapest, plans

__all__ = ["next_sitting"]


def next_sitting(marks: Marks, line: PassLine, sources: Sources, options: Options, rng: np.random.Generator) -> Answer:
    """Plans for the next sitting, simulated from the components found.

    Raises
    ------
    EvidenceError
        If the components leave nothing to plan with.
    """
    exercises, learners = len(marks.exercises), len(marks.learners)
    numbers = sorted({max(2, exercises // 2), exercises, exercises + 2, 2 * exercises})
    grids, said = [], []
    measured = plans(
        sources.marks,
        {"i": numbers},
        learners=learners,
        minutes_each=0.0,
        standard=line.cut.value,
        examiners=None,
        draws=200,
        rng=rng,
    )
    grids.append(_grid("Marks by measurement", measured, exercises, None))
    said.append(_sentence("by measurement", measured, options))
    shown, label = measured, "by measurement"
    if sources.examiners is not None and ("o",) in sources.examiners.variance:
        examined = plans(
            sources.examiners,
            {"i": numbers, "o": [1, 2, 3]},
            learners=learners,
            minutes_each=options.minutes_each,
            standard=line.cut.value,
            draws=200,
            rng=rng,
        )
        grids.append(_grid("Marks by examiners", examined, exercises, "o"))
        said.append(_sentence("by examiners", examined, options))
        shown, label = examined, "by examiners"
    data = {
        "hours": [p.examiner_hours for p in shown], "false_pass": [100 * p.false_pass.value for p in shown],
        "exercises": [p.levels["i"] for p in shown], "examiners": [p.levels.get("o", 0) for p in shown],
    }  # fmt: skip
    figures = (
        (
            Figure(
                "plans",
                f"Wrong passes of {learners} learners by examiner hours, marks {label}; simulated sittings",
                data,
            ),
        )
        if label == "by examiners"
        else ()
    )
    methods = (
        f"Whole sittings of {learners} learners are simulated from the components found; standard {line.cut.value:.1f}; the interval is the simulation's own error.",
        f"{options.minutes_each:g} minutes of an examiner on a piece. A mark on the line passes.",
    )
    return Answer(
        "next", "What does the next sitting need?", " ".join(said), grids=tuple(grids), figures=figures, methods=methods
    )


def _grid(caption: str, made: list[Plan], now: int, examiners: str | None) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for plan in made:
        row: list[Cell] = [f"{plan.levels['i']}{' (now)' if plan.levels['i'] == now else ''}"]
        if examiners:
            row.append(plan.levels[examiners])
        row += [plan.study.dependability, plan.study.sem]
        if examiners:
            row.append(plan.examiner_hours)
        row += [plan.false_pass, plan.false_fail]
        rows.append(tuple(row))
    header = (
        "exercises",
        *(("examiners",) if examiners else ()),
        "dependability",
        "SE, points",
        *(("examiner hours",) if examiners else ()),
        "passed in error (95 %)",
        "failed in error (95 %)",
    )
    decimals = (0, *((0,) if examiners else ()), 2, 1, *((0,) if examiners else ()), 3, 3)
    return Grid(
        caption, header, tuple(rows), decimals, "Shares of all learners, with the simulation's own error over sittings."
    )


def _sentence(how: str, made: list[Plan], options: Options) -> str:
    try:
        best = cheapest(made, dependability=options.dependability)
    except EvidenceError:
        return f"Marked {how}, none of these plans reaches a dependability of {options.dependability:.2f}."
    examiners = (
        f" and {best.levels['o']} examiner{'s' if best.levels['o'] > 1 else ''} a piece" if "o" in best.levels else ""
    )
    hours = f", {best.examiner_hours:.0f} examiner hours" if best.examiner_hours else ""
    return (
        f"Marked {how}, {best.levels['i']} exercises{examiners} reach {best.study.dependability:.2f}{hours}, "
        f"and {100 * best.false_pass.value:.1f} % would pass in error."
    )
