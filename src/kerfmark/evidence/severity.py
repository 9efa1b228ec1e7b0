"""Whether examiners are equally severe, once whom and what they judged is taken into account."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict, p_words
from kerfmark.evidence.examiners import examiner_grid, points_from_partners
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.severity import Facet, SeverityModel, many_facet

__all__ = ["severity"]


def severity(table: Table, options: Options, sem: float | None) -> Answer:
    """Many-facet model of overall views: examiners, exercises, learners, and the points each examiner lies from partners.

    Raises
    ------
    EvidenceError
        If there are no overall views, one examiner, or examiners are not linked.
    """
    rows = table.last_attempts().said_by("examiner", whole=True)
    found, levels = _model(rows)
    assert found.examiners is not None
    points = {name: p.value if isinstance(p, Estimate) else p for name, p in points_from_partners(rows).items()}
    flags = _flags(found.examiners, points, options, sem)
    gave = examiner_grid(rows)
    grids = [*([gave] if gave is not None else []), _grid("Examiners", found.examiners, "severity")]
    if found.exercises is not None:
        grids.append(_grid("Exercises", found.exercises, "difficulty"))
    spread = [m.value for m in found.examiners.measure.values()]
    said = (
        f"{len(spread)} examiners' severity spreads over {max(spread) - min(spread):.2f} logits "
        f"({'they differ' if found.examiners.equal_p < 0.05 else 'no difference is shown'}, {p_words(found.examiners.equal_p)}, {found.n} overall views)."
    )
    caption = f"Severity of {len(spread)} examiners, logits, 95 %; right is severe"
    return Answer(
        "severity", "Are examiners equally severe?", said, grids=tuple(grids), figures=(Figure("severity", caption, _drawn(found.examiners)), _wright(found)),
        claims=(_claim(found.examiners, points, flags),), methods=_methods(levels), flags=tuple(flags),
    )  # fmt: skip


def _model(rows: Table) -> tuple[SeverityModel, FloatArray]:
    """The many-facet model of first overall views, and the views that were used."""
    graded = rows.where(~np.isnan(rows.number("grade")) & (rows.number("repeat") == 1))
    if not len(graded):
        raise EvidenceError("no examiner gave an overall view (grade), so severity cannot be said.")
    if len(np.unique(graded["examiner"])) < 2:
        raise EvidenceError(
            "one examiner gave all overall views, so severity cannot be told from the learners. Have some pieces judged by another."
        )
    levels, rating = np.unique(graded.number("grade"), return_inverse=True)
    several = len(np.unique(graded["exercise"])) > 1
    exercises = graded["exercise"] if several else None
    return many_facet(graded["learner"], rating, examiners=graded["examiner"], exercises=exercises), levels


def _claim(facet: Facet, points: dict[str, float], flags: list[str]) -> Claim:
    worst = max((abs(p) for p in points.values()), default=float("nan"))
    verdict: Verdict = "stands" if facet.equal_p >= 0.05 else "with limits" if not flags else "not shown"
    because = f"equal severity: {p_words(facet.equal_p)}"
    because += f"; farthest from partners {worst:.1f} points" if points else ""
    return Claim("It does not matter which examiner a learner met", verdict, because, "severity")


def _methods(levels: FloatArray) -> tuple[str, ...]:
    return (
        "Many-facet Rasch, steps common to all exercises; conditional maximum likelihood, normal intervals. Positive is severe or hard.",
        f"Overall views used: {', '.join(f'{v:g}' for v in levels)}. Examiners and exercises are linked through learners they share.",
        "Fit near 1 is as expected; over 1.3 noisier, under 0.7 more alike than the model says.",
    )


def _grid(caption: str, facet: Facet, measured: str) -> Grid:
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (name, facet.fit[name].n, measure, facet.fit[name].infit, facet.fit[name].outfit)
        for name, measure in facet.measure.items()
    )
    said = f"Separation {facet.separation:.2f}, reliability of the differences {facet.reliability:.2f}."
    return Grid(caption, ("", "views", f"{measured}, logits (95 %)", "infit", "outfit"), rows, (0, 0, 2, 2, 2), said)


def _flags(facet: Facet, points: dict[str, float], options: Options, sem: float | None) -> list[str]:
    flags = [
        f"Examiner {name}: marks lie {value:+.1f} points from partners, beyond {options.severity_flag:g} standard error of a mark ({sem:.1f})."
        for name, value in points.items()
        if sem is not None and abs(value) > options.severity_flag * sem
    ]
    flags += [
        f"Examiner {name}: infit {fit.infit:.2f}; ratings fit the model badly."
        for name, fit in facet.fit.items()
        if not 0.7 <= fit.infit <= 1.3
    ]
    return flags


def _drawn(facet: Facet) -> dict[str, list[object]]:
    order = sorted(facet.measure, key=lambda name: facet.measure[name].value)
    found = [facet.measure[name] for name in order]
    return {
        "names": list(order),
        "value": [m.value for m in found],
        "lower": [m.lower for m in found],
        "upper": [m.upper for m in found],
    }


def _wright(found: SeverityModel) -> Figure:
    """Learners, examiners and exercises on one scale."""
    ability: FloatArray = found.ability
    data: dict[str, object] = {"ability": np.clip(ability, -6, 6).tolist()}
    for name, facet in (("examiners", found.examiners), ("exercises", found.exercises)):
        data[name] = {} if facet is None else {k: m.value for k, m in facet.measure.items()}
    return Figure("wright", f"{len(ability)} learners, examiners and exercises on one scale, logits", data)
