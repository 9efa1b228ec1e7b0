"""Whether the instrument is good enough for the limits of each criterion."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict
from kerfmark.evidence.table import Table
from kerfmark.statistics.gauge import Gauge, gauge_anova, gauge_reml

__all__ = ["measuring"]


def measuring(table: Table, options: Options) -> Answer:
    """Gauge study of every criterion that was read more than once on the same pieces.

    Raises
    ------
    EvidenceError
        If no piece was read again.
    """
    rows_of = table.said_by("measured", whole=False)
    rows_of = rows_of.where(~np.isnan(rows_of.number("value")))
    rows: list[tuple[Cell, ...]] = []
    flags: list[str] = []
    found: dict[str, Gauge] = {}
    why = "no piece was read more than once"
    for criterion in np.unique(rows_of["criterion"].astype(str)) if len(rows_of) else ():
        try:
            gauge = _study(rows_of.where(rows_of["criterion"] == criterion))
        except EvidenceError as reason:
            why = str(reason)
            continue
        if gauge is None:
            continue
        found[str(criterion)] = gauge
        rows.append(
            (
                str(criterion),
                gauge.parts,
                gauge.operators,
                gauge.percent_tolerance,
                math.sqrt(gauge.repeatability),
                math.sqrt(gauge.operator + gauge.interaction),
                gauge.percent_total,
                gauge.categories,
                gauge.method,
            )
        )
        if gauge.percent_tolerance is not None and gauge.percent_tolerance > options.grr_flag:
            flags.append(
                f"Criterion {criterion}: the gauge takes {gauge.percent_tolerance:.0f} % of the tolerance, above {options.grr_flag:.0f} %."
            )
    if not found:
        raise EvidenceError(
            f"repeatability cannot be said: {why}. Read ten pieces three times with each device and number the repeats."
        )
    worst = max(found, key=lambda c: found[c].percent_tolerance or 0.0)
    share = found[worst].percent_tolerance
    said = f"{len(found)} criteria were read again. " + (
        f"The gauge takes at most {share:.0f} % of a criterion's width ({worst})."
        if share is not None
        else "No limits were given to hold it against."
    )
    header = (
        "criterion",
        "pieces",
        "devices",
        "% of tolerance",
        "repeatability SD",
        "device SD",
        "% of total",
        "categories",
        "method",
    )
    grid = Grid(
        "Gauge repeatability and reproducibility",
        header,
        tuple(rows),
        (0, 0, 0, 0, 4, 4, 0, 0, 0),
        "Percent of tolerance: 6 standard deviations of one reading over the width of the limits.",
    )
    verdict: Verdict = (
        "not shown" if share is None or share > options.grr_flag else "stands" if share <= 10 else "with limits"
    )
    claim = Claim(
        "Readings are precise enough for the limits",
        verdict,
        f"at most {share:.0f} % of a criterion's width; asked {options.grr_flag:.0f} % or less"
        if share is not None
        else "no limits given",
        "measuring",
    )
    names = sorted(found, key=lambda c: -(found[c].percent_tolerance or 0.0))
    data = {
        "names": names, "repeatability": [600 * math.sqrt(found[c].repeatability) / (found[c].tolerance_width or math.nan) for c in names],
        "device": [600 * math.sqrt(found[c].operator + found[c].interaction) / (found[c].tolerance_width or math.nan) for c in names],
        "total": [found[c].percent_tolerance for c in names], "limit": options.grr_flag,
    }  # fmt: skip
    figures = (
        (
            Figure(
                "gauge", "Six standard deviations of repeatability, device and both, % of the criterion's width", data
            ),
        )
        if share is not None
        else ()
    )
    methods = (
        "Devices stand as operators, pieces as parts. Percent of tolerance first: percent of total depends on how different the pieces were.",
        "The method is named in each row, since it changes the number of categories.",
    )
    return Answer(
        "measuring",
        "Is the instrument good enough for the limits?",
        said,
        grids=(grid,),
        figures=figures,
        claims=(claim,),
        methods=methods,
        flags=tuple(flags),
    )


def _study(rows: Table) -> Gauge | None:
    piece = np.unique(
        np.char.add(
            np.char.add(rows["learner"].astype(str), "\x1f"),
            np.char.add(np.char.add(rows["exercise"].astype(str), "\x1f"), rows.number("attempt").astype(str)),
        ),
        return_inverse=True,
    )[1]
    twice = np.bincount(piece)[piece] >= 2
    if not twice.any():
        return None
    rows, piece = rows.where(twice), np.unique(piece[twice], return_inverse=True)[1]
    value, device = rows.number("value"), np.unique(rows["device"], return_inverse=True)[1]
    width = (
        float(np.nanmedian(rows.number("upper") - rows.number("lower")))
        if np.isfinite(rows.number("upper") - rows.number("lower")).any()
        else math.nan
    )
    tolerance = width if math.isfinite(width) and width > 0 else None
    if device.max() == 0:
        return _repeats_only(value, piece, tolerance)
    counts = np.zeros((piece.max() + 1, device.max() + 1), dtype=int)
    np.add.at(counts, (piece, device), 1)
    if counts.min() == counts.max() >= 2:
        order = np.lexsort((rows.number("repeat"), device, piece))
        return gauge_anova(value[order].reshape(*counts.shape, -1), tolerance_width=tolerance)
    return gauge_reml(value, piece, device, tolerance_width=tolerance)


def _repeats_only(value: np.ndarray, piece: np.ndarray, tolerance: float | None) -> Gauge:
    count = np.bincount(piece)
    mean = np.bincount(piece, weights=value) / count
    df = len(value) - len(count)
    within = float(np.sum((value - mean[piece]) ** 2)) / df
    between = float(mean.var(ddof=1)) - within / float(count.mean()) if len(count) > 1 else 0.0
    if len(count) < 2 or within + between <= 0.0:
        raise EvidenceError("one piece only was read again, or all readings are equal")
    negative = ("part",) if between < 0.0 else ()
    return Gauge(
        within, 0.0, 0.0, max(0.0, between), negative, tolerance, "repeats of one device", len(value), len(count), 1
    )
