"""Where differences between marks come from, and how many exercises and examiners make a mark dependable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.table import Table
from kerfmark.statistics.components import Components, Effect, bootstrap_crossed, crossed
from kerfmark.statistics.dependability import Dependability, decision_study, interval_of, least_levels
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.reml import reml_components

__all__ = ["NAMES", "Sources", "sources_of_spread"]

NAMES: Mapping[str, str] = {"p": "learner", "i": "exercise", "o": "examiner"}
CURVE = range(1, 13)


@dataclass(frozen=True, slots=True)
class Sources:
    """Components of the marks that decide, and of examiners' marks where there are any.

    Attributes
    ----------
    marks : Components
    study : Dependability
        For as many exercises as the marks have.
    dependability : Estimate
    examiners : Components or None
    """

    marks: Components
    study: Dependability
    dependability: Estimate
    examiners: Components | None


def sources_of_spread(table: Table, marks: Marks, options: Options, rng: np.random.Generator) -> tuple[Answer, Sources]:
    """Components of the marks, a decision study, and the same of examiners' marks.

    Raises
    ------
    EvidenceError
        If there is one exercise only, or marks do not vary.
    """
    if len(marks.exercises) < 2:
        raise EvidenceError(
            "there is one exercise only, so what is the learner and what is the exercise cannot be told apart. Set a second one."
        )
    components, full = _of_marks(marks)
    exercises = len(marks.exercises)
    study = decision_study(components, {"i": exercises})
    dependability = _with_interval(components, study, full, exercises, options, rng)
    examined, why = _of_examiners(table)
    found = Sources(components, study, dependability, examined)
    flags = [
        f"{_name(e)}: the estimate is negative ({c.variance[e]:.2f}) and counts as 0."
        for c in (components, examined)
        if c is not None
        for e in c.negative()
    ]
    answer = Answer(
        "sources", "Where do differences in marks come from?", _said(found, exercises, options), grids=_grids(found, marks, exercises),
        figures=_figures(found, exercises, options), claims=(_claim(found, exercises, options),), methods=_methods(found),
        flags=(*flags, *([why] if why else [])),
    )  # fmt: skip
    return answer, found


def _said(found: Sources, exercises: int, options: Options) -> str:
    least = least_levels(found.marks, "i", {}, target=options.dependability, most=40)
    enough = (
        f"{least} exercises reach {options.dependability:.2f}"
        if least
        else f"not even 40 exercises reach {options.dependability:.2f}"
    )
    d = found.dependability
    return (
        f"{100 * found.marks.shares()['p',]:.0f} % of the spread of single marks lies between learners. With {exercises} exercises the mark's "
        f"dependability for a fixed line is {found.study.dependability:.2f} ({d.lower:.2f} to {d.upper:.2f}), its standard error {found.study.sem:.1f} points; {enough}."
    )


def _grids(found: Sources, marks: Marks, exercises: int) -> tuple[Grid, ...]:
    examined = found.examiners
    grids = [_grid("Measured marks" if marks.source == "measured" else "Marks", found.marks)]
    if examined is not None:
        grids.append(_grid("Examiners' marks", examined))
    grids.append(_studies(found.marks, exercises, "marks"))
    if examined is not None and ("o",) in examined.variance:
        grids.append(_examiner_studies(examined, exercises))
    return tuple(grids)


def _figures(found: Sources, exercises: int, options: Options) -> tuple[Figure, ...]:
    shown = found.examiners if found.examiners is not None else found.marks
    whose = "examiners’" if found.examiners is not None else "learners’"
    caption = f"Share of variance of {whose} marks, % of total, with 95 % interval"
    return Figure("components", caption, _shares(shown)), _curve(
        found.marks, found.examiners, exercises, found.study.dependability, options
    )


def _claim(found: Sources, exercises: int, options: Options) -> Claim:
    d, asked = found.dependability, options.dependability
    verdict: Verdict = (
        "stands" if d.lower >= asked else "with limits" if found.study.dependability >= asked else "not shown"
    )
    because = f"dependability {found.study.dependability:.2f}, 95 % {d.lower:.2f} to {d.upper:.2f}; asked {asked:.2f}"
    return Claim(f"{exercises} exercises are enough", verdict, because, "sources")


def _methods(found: Sources) -> tuple[str, ...]:
    words = [
        f"Marks: learner × exercise, {found.marks.method}, n {found.marks.levels['p']} learners.",
        f"Dependability: {found.dependability.method}.",
    ]
    if found.examiners is not None:
        words.append(
            f"Examiners' marks: {', '.join(_name(e) for e in found.examiners.variance)}; {found.examiners.method}."
        )
    return tuple(words)


def _of_marks(marks: Marks) -> tuple[Components, FloatArray | None]:
    if not np.isnan(marks.marks).any():
        return crossed(marks.marks, ("p", "i")), marks.marks
    learner, exercise = np.nonzero(~np.isnan(marks.marks))
    return reml_components(marks.marks[learner, exercise], {"p": learner, "i": exercise}, [("p",), ("i",)]), None


def _with_interval(
    components: Components,
    study: Dependability,
    full: FloatArray | None,
    exercises: int,
    options: Options,
    rng: np.random.Generator,
) -> Estimate:
    if full is not None:
        made = bootstrap_crossed(full, ("p", "i"), draws=options.draws, rng=rng)
        return interval_of(made, {"i": exercises}, study, people=len(full))[1]
    person = components.estimate["p",]
    ends = [
        max(0.0, end) / (max(0.0, end) + study.absolute) if study.absolute > 0 else 1.0
        for end in (person.lower, person.upper)
    ]
    words = "dependability; ends of the learner component's interval, error held"
    return Estimate(study.dependability, ends[0], ends[1], n=components.levels["p"], method=words)


def _of_examiners(table: Table) -> tuple[Components | None, str]:
    rows = table.last_attempts().said_by("examiner", whole=True)
    rows = rows.where(~np.isnan(rows.number("score")) & (rows.number("repeat") == 1))
    if not len(rows):
        return None, ""
    codes = {"p": _coded(rows["learner"]), "i": _coded(rows["exercise"]), "o": _coded(rows["examiner"])}
    codes = {facet: column for facet, column in codes.items() if column.max() > 0}
    if "p" not in codes or "o" not in codes:
        return None, "Examiners' marks: one learner or one examiner only, so their share cannot be said."
    sizes = tuple(int(column.max()) + 1 for column in codes.values())
    score = rows.number("score")
    try:
        if len(score) == np.prod(sizes):
            cube = np.full(sizes, np.nan)
            cube[tuple(codes.values())] = score
            return crossed(cube, tuple(codes)), ""
        effects = _identifiable(codes, len(score))
        return reml_components(score, codes, effects), ""
    except EvidenceError as why:
        return None, f"Examiners' marks: {why}"


def _coded(column: NDArray[np.generic]) -> NDArray[np.intp]:
    return np.asarray(np.unique(column, return_inverse=True)[1], dtype=np.intp)


def _identifiable(codes: Mapping[str, NDArray[np.intp]], n: int) -> list[Effect]:
    """Main effects and pairs that are seen more than once and differ from the effects before them."""
    facets = list(codes)
    wanted: list[Effect] = [(f,) for f in facets]
    wanted += [(a, b) for at, a in enumerate(facets) for b in facets[at + 1 :]]
    kept: list[Effect] = []
    for effect in wanted:
        levels = len(np.unique(np.column_stack([codes[f] for f in effect]), axis=0))
        alike = any(levels == len(np.unique(codes[f])) for f in effect) and len(effect) > 1
        if 1 < levels < 0.9 * n and not alike:
            kept.append(effect)
    return kept


def _name(effect: Effect) -> str:
    return " × ".join(NAMES.get(facet, facet) for facet in effect)


def _label(effect: Effect, found: Components) -> str:
    return _name(effect) + (" and rest" if effect == list(found.variance)[-1] else "")


def _grid(caption: str, found: Components) -> Grid:
    total = sum(found.usable().values())
    rows: list[tuple[Cell, ...]] = []
    for effect, estimate in found.estimate.items():
        raw = found.variance[effect]
        note = (
            f"estimated {raw:.2f}, counts as 0"
            if raw < 0
            else "at the boundary: no interval"
            if not estimate.has_interval
            else ""
        )
        rows.append((_label(effect, found), estimate, 100 * max(0.0, raw) / total, float(np.sqrt(max(0.0, raw))), note))
    levels = ", ".join(f"{n} {NAMES.get(f, f)}s" for f, n in found.levels.items())
    return Grid(
        f"{caption}: components of variance",
        ("", "variance (95 %)", "% of total", "SD, points", ""),
        tuple(rows),
        (0, 1, 0, 1, 0),
        f"{levels}.",
    )


def _studies(components: Components, exercises: int, caption: str) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for number in sorted({1, 2, 4, 6, 8, 10, 12, exercises}):
        study = decision_study(components, {"i": number})
        rows.append(
            (
                f"{number}{' (now)' if number == exercises else ''}",
                study.generalizability,
                study.dependability,
                study.sem,
            )
        )
    return Grid(f"How many exercises: {caption}", ("exercises", "for ranking", "for a line", "SE, points"), tuple(rows), (0, 2, 2, 1),
                "For a line: dependability, absolute error. For ranking: generalizability, relative error.")  # fmt: skip


def _examiner_studies(found: Components, exercises: int) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for i in sorted({4, 6, 8, exercises}):
        for o in (1, 2, 3):
            study = decision_study(found, {"i": i, "o": o})
            rows.append((i, o, study.generalizability, study.dependability, study.sem))
    return Grid(
        "How many exercises and examiners: examiners' marks",
        ("exercises", "examiners", "for ranking", "for a line", "SE, points"),
        tuple(rows),
        (0, 0, 2, 2, 1),
        "What more exercises or more examiners on each would give; SE: standard error of a learner's mark.",
    )


def _shares(found: Components) -> dict[str, object]:
    total = sum(found.usable().values())
    order = sorted(found.estimate, key=lambda effect: -found.variance[effect])
    ends = [(found.estimate[effect].lower, found.estimate[effect].upper) for effect in order]
    return {
        "names": ["rest" if effect == list(found.variance)[-1] else _name(effect) for effect in order],
        "share": [100 * max(0.0, found.variance[effect]) / total for effect in order],
        "lower": [100 * low / total if np.isfinite(low) else None for low, _ in ends],
        "upper": [min(100.0, 100 * high / total) if np.isfinite(high) else None for _, high in ends],
    }


def _curve(components: Components, examined: Components | None, now: int, at: float, options: Options) -> Figure:
    lines = {"measured marks": [decision_study(components, {"i": n}).dependability for n in CURVE]}
    if examined is not None and ("o",) in examined.variance:
        for o, name in ((1, "one examiner"), (2, "two examiners")):
            lines[name] = [decision_study(examined, {"i": n, "o": o}).dependability for n in CURVE]
    data = {"numbers": list(CURVE), "lines": lines, "target": options.dependability, "now": now, "value": at}
    return Figure(
        "dstudy",
        f"Dependability for a fixed line by number of exercises; corridor from {options.dependability:.2f} asked for; now {now}",
        data,
    )
