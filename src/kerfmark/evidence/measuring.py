"""Whether the instrument is good enough for the limits of each criterion."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict
from kerfmark.evidence.steadiness import steadiness
from kerfmark.evidence.table import Table
from kerfmark.statistics.gauge import Gauge, gauge_anova, gauge_reml

__all__ = ["calibrations", "measuring"]

METHODS = (
    "Devices stand as operators, pieces as parts. Percent of tolerance first: percent of total depends on how different the pieces were.",
    "The method is named in each row, since it changes the number of categories.",
    "Readings whose device nobody named are left out where others name theirs.",
)


def measuring(table: Table, options: Options) -> Answer:
    """Gauge study of every criterion that was read more than once on the same pieces, and when devices were calibrated.

    Raises
    ------
    EvidenceError
        If no piece was read again and no calibration is known.
    """
    rows_of = table.said_by("measured", whole=False)
    rows_of = rows_of.where(~np.isnan(rows_of.number("value")))
    found, why = _studies(rows_of)
    calibrated, old = calibrations(rows_of, options)
    if not found and calibrated is None:
        raise EvidenceError(
            f"repeatability cannot be said: {why}. Read ten pieces three times with each device and number the repeats."
        )
    flags = [
        f"Criterion {name}: the gauge takes {gauge.percent_tolerance:.0f} % of the tolerance, above {options.grr_flag:.0f} %."
        for name, gauge in found.items()
        if gauge.percent_tolerance is not None and gauge.percent_tolerance > options.grr_flag
    ]
    worst = max(found, key=lambda c: found[c].percent_tolerance or 0.0, default=None)
    share = found[worst].percent_tolerance if worst is not None else None
    open_ = sum(gauge.percent_tolerance is None for gauge in found.values())
    said = f"Repeatability cannot be said: {why}." if not found else f"{len(found)} criteria were read again. "
    if found:
        said += (
            f"The gauge takes at most {share:.0f} % of a criterion's width ({worst})."
            if share is not None
            else "No limits were given to hold it against."
        )
    if share is not None and open_:
        said += f" {open_} limited on one side only: no width to hold the gauge against."
    grids = ([_grid(found)] if found else []) + ([calibrated] if calibrated is not None else [])
    charted, moved, how = steadiness(rows_of)
    figures = (*(_figures(found, options) if share is not None else ()), *charted)
    return Answer(
        "measuring", "Is the instrument good enough for the limits?", said, grids=tuple(grids), figures=figures, claims=(_claim(share, options),),
        methods=(*METHODS, *how), flags=(*flags, *moved, *old),
    )  # fmt: skip


def _studies(rows_of: Table) -> tuple[dict[str, Gauge], str]:
    """The gauge of every criterion that was read again, and why there is none."""
    found: dict[str, Gauge] = {}
    why = "no piece was read more than once"
    for criterion in np.unique(rows_of["criterion"].astype(str)) if len(rows_of) else ():
        try:
            gauge = _study(rows_of.where(rows_of["criterion"] == criterion))
        except EvidenceError as reason:
            why = str(reason)
            continue
        if gauge is not None:
            found[str(criterion)] = gauge
    return found, why


def _grid(found: dict[str, Gauge]) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (name, gauge.parts, gauge.operators, gauge.percent_tolerance, math.sqrt(gauge.repeatability), math.sqrt(gauge.operator + gauge.interaction),
         gauge.percent_total, gauge.categories, gauge.method)
        for name, gauge in found.items()
    ]  # fmt: skip
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
    said = "Percent of tolerance: 6 standard deviations of one reading over the width of the limits."
    return Grid("Gauge repeatability and reproducibility", header, tuple(rows), (0, 0, 0, 0, 4, 4, 0, 0, 0), said)


def _claim(share: float | None, options: Options) -> Claim:
    verdict: Verdict = (
        "not shown" if share is None or share > options.grr_flag else "stands" if share <= 10 else "with limits"
    )
    because = (
        f"at most {share:.0f} % of a criterion's width; asked {options.grr_flag:.0f} % or less"
        if share is not None
        else "no limits given"
    )
    return Claim("Readings are precise enough for the limits", verdict, because, "measuring")


def _figures(found: dict[str, Gauge], options: Options) -> tuple[Figure, ...]:
    """Parts of the gauge of every criterion with two limits; one that is open on a side has no width to hold them against."""
    wide = {c: gauge for c, gauge in found.items() if gauge.percent_tolerance is not None and gauge.tolerance_width}
    names = sorted(wide, key=lambda c: -(wide[c].percent_tolerance or 0.0))
    width = {c: wide[c].tolerance_width or math.nan for c in names}
    data = {
        "names": names, "repeatability": [600 * math.sqrt(wide[c].repeatability) / width[c] for c in names],
        "device": [600 * math.sqrt(wide[c].operator + wide[c].interaction) / width[c] for c in names],
        "total": [wide[c].percent_tolerance for c in names], "limit": options.grr_flag,
    }  # fmt: skip
    return (
        Figure("gauge", "Six standard deviations of repeatability, device and both, % of the criterion's width", data),
    )


def calibrations(rows_of: Table, options: Options) -> tuple[Grid | None, list[str]]:
    """When each device was last calibrated before its readings, and how old that was at the most."""
    known = rows_of.where((rows_of["device"] != "") & (rows_of["calibrated"] != ""))
    if not len(known):
        return None, []
    rows: list[tuple[Cell, ...]] = []
    flags: list[str] = []
    for device in np.unique(rows_of["device"][rows_of["device"] != ""].astype(str)):
        own = rows_of.where(rows_of["device"] == device)
        dates = sorted({str(d)[:10] for d in own["calibrated"] if d})
        without = int(np.sum(own["calibrated"] == ""))
        ages = [_days(str(c), str(d)) for c, d in zip(own["calibrated"], own["date"], strict=True) if c and d]
        rows.append(
            (
                str(device),
                len(own),
                ", ".join(dates[:4]) + (", …" if len(dates) > 4 else "") or "not known",
                without,
                max(ages, default=None),
            )
        )
        if any(age < 0 for age in ages):
            flags.append(f"Device {device}: a reading is older than the calibration it names.")
        if ages and max(ages) > options.calibration_days:
            flags.append(
                f"Device {device}: calibrated {max(ages)} days before its last reading, more than {options.calibration_days:g}."
            )
        if without:
            flags.append(f"Device {device}: {without} of {len(own)} readings name no calibration.")
    header = ("device", "readings", "calibrated on", "readings without a date", "greatest age, days")
    said = f"Age: from the calibration to the reading; called old after {options.calibration_days:g} days, a setting."
    return Grid("Calibration of devices", header, tuple(rows), (0,) * 5, said), flags


def _days(calibrated: str, date: str) -> int:
    return (datetime.fromisoformat(date[:10]) - datetime.fromisoformat(calibrated[:10])).days


def _study(rows: Table) -> Gauge | None:
    """The gauge of one criterion; readings whose device nobody named are left out where others name theirs."""
    if np.any(named := rows["device"] != ""):
        rows = rows.where(named)
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
