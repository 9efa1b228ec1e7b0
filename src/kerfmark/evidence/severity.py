"""Whether examiners are equally severe, once whom and what they judged is taken into account."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict, p_words
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import FloatArray
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
    graded = rows.where(~np.isnan(rows.number("grade")) & (rows.number("repeat") == 1))
    if not len(graded):
        raise EvidenceError("no examiner gave an overall view (grade), so severity cannot be said.")
    if len(np.unique(graded["examiner"])) < 2:
        raise EvidenceError(
            "one examiner gave all overall views, so severity cannot be told from the learners. Have some pieces judged by another."
        )
    levels, rating = np.unique(graded.number("grade"), return_inverse=True)
    several = len(np.unique(graded["exercise"])) > 1
    found = many_facet(
        graded["learner"], rating, examiners=graded["examiner"], exercises=graded["exercise"] if several else None
    )
    assert found.examiners is not None
    points = _points_from_partners(rows)
    flags = _flags(found.examiners, points, options, sem)
    grids = [_grid("Examiners", found.examiners, points)]
    if found.exercises is not None:
        grids.append(_grid("Exercises", found.exercises, None))
    spread = [m.value for m in found.examiners.measure.values()]
    said = (
        f"{len(spread)} examiners' severity spreads over {max(spread) - min(spread):.2f} logits "
        f"({'they differ' if found.examiners.equal_p < 0.05 else 'no difference is shown'}, {p_words(found.examiners.equal_p)}, {found.n} overall views)."
    )
    worst = max((abs(p) for p in points.values()), default=float("nan"))
    verdict: Verdict = "stands" if found.examiners.equal_p >= 0.05 else "with limits" if not flags else "not shown"
    because = f"equal severity: {p_words(found.examiners.equal_p)}" + (
        f"; farthest from partners {worst:.1f} points" if points else ""
    )
    claim = Claim("It does not matter which examiner a learner met", verdict, because, "severity")
    methods = (
        "Many-facet Rasch, steps common to all exercises; conditional maximum likelihood, normal intervals. Positive is severe or hard.",
        f"Overall views used: {', '.join(f'{v:g}' for v in levels)}. Examiners and exercises are linked through learners they share.",
        "Fit near 1 is as expected; over 1.3 noisier, under 0.7 more alike than the model says.",
    )
    figures = (
        Figure(
            "severity", f"Severity of {len(spread)} examiners, logits, 95 %; right is severe", _drawn(found.examiners)
        ),
        _wright(found),
    )
    return Answer(
        "severity",
        "Are examiners equally severe?",
        said,
        grids=tuple(grids),
        figures=figures,
        claims=(claim,),
        methods=methods,
        flags=tuple(flags),
    )


def _points_from_partners(rows: Table) -> dict[str, float]:
    """Each examiner's mark less the mean of the others on the same piece, over the pieces they share."""
    scored = rows.where(~np.isnan(rows.number("score")))
    if not len(scored):
        return {}
    piece = np.char.add(np.char.add(scored["learner"].astype(str), "\x1f"), scored["exercise"].astype(str))
    code, score = np.unique(piece, return_inverse=True)[1], scored.number("score")
    count, total = np.bincount(code), np.bincount(code, weights=score)
    shared = count[code] > 1
    others = (total[code] - score) / np.maximum(count[code] - 1, 1)
    return {
        str(name): float(np.mean((score - others)[shared & (scored["examiner"] == name)]))
        for name in np.unique(scored["examiner"])
        if np.any(shared & (scored["examiner"] == name))
    }


def _grid(caption: str, facet: Facet, points: dict[str, float] | None) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for name, measure in facet.measure.items():
        fit = facet.fit[name]
        row: list[Cell] = [name, fit.n, measure, fit.infit, fit.outfit]
        if points is not None:
            row.append(points.get(name))
        rows.append(tuple(row))
    header: tuple[str, ...] = (
        "",
        "views",
        "severity, logits (95 %)" if points is not None else "difficulty, logits (95 %)",
        "infit",
        "outfit",
    )
    header = (*header, "points from partners") if points is not None else header
    said = f"Separation {facet.separation:.2f}, reliability of the differences {facet.reliability:.2f}."
    return Grid(caption, header, tuple(rows), (0, 0, 2, 2, 2, 1)[: len(header)], said)


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
