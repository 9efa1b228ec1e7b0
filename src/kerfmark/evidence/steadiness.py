"""Whether devices stay where they were: control charts of pieces they read again."""

from __future__ import annotations

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Figure
from kerfmark.evidence.ratings import piece_codes
from kerfmark.evidence.table import Table
from kerfmark.statistics.control import ControlChart, individuals_chart
from kerfmark.statistics.estimates import FloatArray

__all__ = ["READINGS_LEAST", "steadiness"]

READINGS_LEAST = 10


def steadiness(rows: Table) -> tuple[tuple[Figure, ...], tuple[str, ...], tuple[str, ...]]:
    """The control chart of devices that read pieces again, what stands out in it, and how it was made.

    A value is how far one reading of a piece lies from the mean of all readings of that piece, percent of the criterion's width,
    mean over its criteria; in the order of dates. Nothing where fewer than ten readings of pieces read twice name a device.

    Parameters
    ----------
    rows : Table
        Measured rows about criteria.

    Returns
    -------
    figures : tuple of Figure
    flags, methods : tuple of str
    """
    device, value, dated = _readings(rows)
    if len(value) < READINGS_LEAST:
        return (), (), ()
    try:
        chart = individuals_chart(value, groups=device, centre=0.0)
    except EvidenceError:
        return (), (), ()
    how = (
        f"Control chart of devices: each reading of a piece read again less the mean of all readings of that piece, percent of a criterion's width, mean over "
        f"criteria; about 0, limits ± 3 SD from moving ranges ({chart.sd:.1f} %, n {chart.n}); in the order of {'their dates' if dated else 'the table'}."
    )
    return (_figure(device, value, chart),), tuple(_flags(device, chart)), (how,)


def _readings(rows: Table) -> tuple[np.ndarray, FloatArray, bool]:
    """Device and value of every reading of a piece that was read again, in order, and whether that goes by dates."""
    width = rows.number("upper") - rows.number("lower")
    rows = rows.where((rows["device"] != "") & np.isfinite(width) & (width > 0) & ~np.isnan(rows.number("value")))
    if not len(rows):
        return np.array([], dtype=str), np.array([]), False
    asked = piece_codes(rows, "learner", "exercise", "attempt", "criterion")
    count = np.bincount(asked)
    twice = count[asked] >= 2
    mean = np.bincount(asked, weights=rows.number("value")) / count
    away = 100.0 * (rows.number("value") - mean[asked]) / (rows.number("upper") - rows.number("lower"))
    rows, away = rows.where(twice), away[twice]
    if not len(rows):
        return np.array([], dtype=str), np.array([]), False
    reading = piece_codes(rows, "learner", "exercise", "attempt", "device", "repeat")
    first = np.unique(reading, return_index=True)[1]
    value = np.bincount(reading, weights=away) / np.bincount(reading)
    dates, device = rows["date"].astype(str)[first], rows["device"].astype(str)[first]
    dated = bool(np.all(dates != ""))
    order = np.argsort(dates, kind="stable") if dated else np.argsort(first)
    return device[order], value[order], dated


def _figure(device: np.ndarray, value: FloatArray, chart: ControlChart) -> Figure:
    names = [str(name) for name in np.unique(device)]
    number = np.zeros(len(value), dtype=int)
    for name in names:
        own = device == name
        number[own] = np.arange(1, own.sum() + 1)
    data = {
        "names": names, "examiner": device.tolist(), "number": number.tolist(), "difference": value.tolist(), "beyond": chart.beyond.tolist(),
        "run": chart.in_run.tolist(), "lower": chart.lower, "upper": chart.upper, "unit": "% of width",
    }  # fmt: skip
    caption = (
        "Pieces read again: each reading less the mean of all readings of its piece, % of the criterion's width, in order; "
        "corridor: where readings stay while nothing drifts; filled square: outside, open diamond: eight on one side"
    )
    return Figure("drift", caption, data)


def _flags(device: np.ndarray, chart: ControlChart) -> list[str]:
    flags = []
    for name in np.unique(device):
        own = device == name
        if chart.beyond[own].any():
            flags.append(
                f"Device {name}: {int(chart.beyond[own].sum())} of {int(own.sum())} readings of pieces read again lie outside the control limits."
            )
        if chart.in_run[own].any():
            flags.append(
                f"Device {name}: eight or more readings in a row lie on one side of the pieces' means, so it reads differently or drifts."
            )
    return flags
