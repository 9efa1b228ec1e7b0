"""Gauge repeatability and reproducibility: what of a reading's spread is the piece, the operator, the repeat."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.stats
from numpy.typing import ArrayLike

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.estimates import FloatArray
from kerfmark.statistics.reml import RESIDUAL, reml_fit

__all__ = ["Gauge", "gauge_anova", "gauge_by_range", "gauge_nested", "gauge_reml"]

_RANGE_FACTORS = {
    "trials": {2: 0.8862, 3: 0.5908},
    "operators": {2: 0.7071, 3: 0.5231},
    "parts": {2: 0.7071, 3: 0.5231, 4: 0.4467, 5: 0.4030, 6: 0.3742, 7: 0.3534, 8: 0.3375, 9: 0.3249, 10: 0.3146},
}


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge study: pieces measured by operators (examiners, rigs, scanners), each more than once.

    Attributes
    ----------
    repeatability, operator, interaction, part : float
        Variances, negative ones set to 0; `negative` names those.
    negative : tuple of str
    tolerance_width : float or None
        Upper less lower limit of the criterion, in the unit of the readings.
    method : str
    n : int
        Readings.
    parts, operators : int
    interaction_p : float
        Of the test of the interaction; NaN where it is not tested.
    """

    repeatability: float
    operator: float
    interaction: float
    part: float
    negative: tuple[str, ...]
    tolerance_width: float | None
    method: str
    n: int
    parts: int
    operators: int
    interaction_p: float = math.nan

    @property
    def grr_sd(self) -> float:
        """Standard deviation of one reading of one piece over operators and repeats."""
        return math.sqrt(self.repeatability + self.operator + self.interaction)

    @property
    def total_sd(self) -> float:
        """Standard deviation of a reading over pieces too."""
        return math.sqrt(self.grr_sd**2 + self.part)

    @property
    def percent_tolerance(self) -> float | None:
        """100 · 6 · GRR over the criterion's width: the first number to look at."""
        return None if self.tolerance_width is None else 600.0 * self.grr_sd / self.tolerance_width

    @property
    def percent_total(self) -> float:
        """100 · GRR over total: depends on how different the pieces were."""
        return 100.0 * self.grr_sd / self.total_sd

    @property
    def categories(self) -> int:
        """Distinct categories the gauge can tell: ⌊1.41 · part/GRR⌋."""
        return math.floor(1.41 * math.sqrt(self.part) / self.grr_sd) if self.grr_sd > 0.0 else 0


def gauge_anova(readings: ArrayLike, *, tolerance_width: float | None = None, pool_above: float | None = 0.25) -> Gauge:
    """Crossed study by analysis of variance.

    Trust it when every operator measured every piece equally often. Which of the methods was used changes the number of
    categories on the same data: the report names it.

    Parameters
    ----------
    readings : (parts, operators, repeats) float array
    tolerance_width : float, optional
    pool_above : float or None
        The interaction joins the error where its p is above this; None never pools.

    Returns
    -------
    Gauge

    Raises
    ------
    InputError
        If a cell is empty or the axes are not three.
    EvidenceError
        If there are fewer than two pieces, operators or repeats, or no spread.

    Notes
    -----
    Source: AIAG measurement systems analysis, 4th edition. Checked against its ten pieces, three operators, three trials.

    Examples
    --------
    >>> readings = [[[1.0, 1.1], [1.1, 1.2]], [[2.0, 2.1], [2.1, 2.1]], [[3.1, 3.0], [3.0, 3.1]]]
    >>> gauge_anova(readings, tolerance_width=4.0).categories
    20
    """
    table = _as_study(readings)
    p, o, r = table.shape
    table = table - table.mean()
    parts, operators, cells = table.mean(axis=(1, 2)), table.mean(axis=(0, 2)), table.mean(axis=2)
    ss_p, ss_o = o * r * float(parts @ parts), p * r * float(operators @ operators)
    ss_po = r * float(np.sum((cells - parts[:, None] - operators) ** 2))
    ss_e = float(np.sum((table - cells[:, :, None]) ** 2))
    df_po, df_e = (p - 1) * (o - 1), p * o * (r - 1)
    ms_p, ms_o, ms_po, ms_e = ss_p / (p - 1), ss_o / (o - 1), ss_po / df_po, ss_e / df_e
    f_p = float(scipy.stats.f.sf(ms_po / ms_e, df_po, df_e)) if ms_e > 0.0 else 0.0
    pooled = pool_above is not None and f_p > pool_above
    if pooled:
        ms_e = ms_po = (ss_po + ss_e) / (df_po + df_e)
    raw = {
        "repeatability": ms_e,
        "interaction": 0.0 if pooled else (ms_po - ms_e) / r,
        "operator": (ms_o - ms_po) / (p * r),
        "part": (ms_p - ms_po) / (o * r),
    }
    method = f"analysis of variance, crossed, interaction {'pooled' if pooled else 'kept'} (p = {f_p:.3g})"
    return _gauge(raw, tolerance_width, method, (p, o, r), f_p)


def gauge_nested(readings: ArrayLike, *, tolerance_width: float | None = None) -> Gauge:
    """Nested study: each operator measured their own pieces, repeatedly. The part is the piece within its operator.

    Parameters
    ----------
    readings : (operators, parts, repeats) float array
        Parts of one operator are others than those of the next.

    Examples
    --------
    >>> readings = [[[1.0, 1.1], [2.0, 2.1]], [[1.4, 1.5], [2.5, 2.4]]]
    >>> gauge_nested(readings).parts
    4
    """
    table = _as_study(readings)
    o, p, r = table.shape
    table = table - table.mean()
    cells, operators = table.mean(axis=2), table.mean(axis=(1, 2))
    ms_o = p * r * float(operators @ operators) / (o - 1)
    ms_p = r * float(np.sum((cells - operators[:, None]) ** 2)) / (o * (p - 1))
    ms_e = float(np.sum((table - cells[:, :, None]) ** 2)) / (o * p * (r - 1))
    raw = {
        "repeatability": ms_e, "interaction": 0.0, "operator": (ms_o - ms_p) / (p * r), "part": (ms_p - ms_e) / r,
    }  # fmt: skip
    return _gauge(raw, tolerance_width, "analysis of variance, nested", (o * p, o, r), math.nan)


def gauge_reml(
    values: ArrayLike, parts: ArrayLike, operators: ArrayLike, *, tolerance_width: float | None = None
) -> Gauge:
    """Crossed study with gaps, by restricted maximum likelihood.

    Parameters
    ----------
    values, parts, operators : (n,) arrays
        One reading each.

    Raises
    ------
    InputError, EvidenceError
        As `reml.reml_fit`.

    Examples
    --------
    >>> values = [1.0, 1.1, 1.1, 1.2, 2.0, 2.1, 2.1, 2.1, 3.1, 3.0, 3.0]
    >>> found = gauge_reml(values, [0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2], [0, 0, 1, 1, 0, 0, 1, 1, 0, 0, 1])
    >>> found.n
    11
    """
    part, operator = np.asarray(parts), np.asarray(operators)
    effects = [("p",), ("o",), ("p", "o")]
    fit = reml_fit(values, {"p": part, "o": operator}, effects)
    variance = [fit.variance[effect] for effect in (RESIDUAL, *effects)]
    raw = dict(zip(("repeatability", "part", "operator", "interaction"), variance, strict=True))
    sizes = (len(np.unique(part)), len(np.unique(operator)), 1)
    found = _gauge(raw, tolerance_width, "restricted maximum likelihood, crossed", sizes, math.nan)
    return replace(found, n=len(part))


def gauge_by_range(readings: ArrayLike, *, tolerance_width: float | None = None) -> Gauge:
    """Crossed study by averages and ranges, as done by hand; kept to compare with older studies. 2–3 repeats, 2–3 operators.

    Notes
    -----
    Source: AIAG, 4th edition, its factors K1, K2, K3. It knows no interaction.

    Examples
    --------
    >>> readings = [[[1.0, 1.1], [1.1, 1.2]], [[2.0, 2.1], [2.1, 2.1]], [[3.1, 3.0], [3.0, 3.1]]]
    >>> gauge_by_range(readings).categories
    18
    """
    table = _as_study(readings)
    p, o, r = table.shape
    try:
        k1, k2, k3 = _RANGE_FACTORS["trials"][r], _RANGE_FACTORS["operators"][o], _RANGE_FACTORS["parts"][p]
    except KeyError as why:
        raise InputError(
            f"readings: {p} × {o} × {r}; ranges need 2–10 parts, 2–3 operators, 2–3 repeats. Use the analysis of variance."
        ) from why
    ev = k1 * float(np.ptp(table, axis=2).mean())
    av = (k2 * float(np.ptp(table.mean(axis=(0, 2))))) ** 2 - ev**2 / (p * r)
    raw = {
        "repeatability": ev**2,
        "operator": av,
        "interaction": 0.0,
        "part": (k3 * float(np.ptp(table.mean(axis=(1, 2))))) ** 2,
    }
    return _gauge(raw, tolerance_width, "averages and ranges", (p, o, r), math.nan)


def _as_study(readings: ArrayLike) -> FloatArray:
    table = np.asarray(readings, dtype=float)
    if table.ndim != 3 or not np.all(np.isfinite(table)):
        raise InputError(
            f"readings: shape {table.shape} with {int(np.sum(~np.isfinite(table)))} gaps, expected a full table of three axes. Use the likelihood route for gaps."
        )
    if min(table.shape) < 2:
        raise EvidenceError(
            f"readings: {' × '.join(map(str, table.shape))}, at least 2 pieces, 2 operators and 2 repeats are needed."
        )
    if float(np.ptp(table)) == 0.0:
        raise EvidenceError(f"readings: all {table.size} are equal, so the gauge cannot be judged.")
    return table


def _gauge(
    raw: dict[str, float], width: float | None, method: str, sizes: tuple[int, int, int], interaction_p: float
) -> Gauge:
    if width is not None and not width > 0.0:
        raise InputError(f"tolerance_width is {width}, expected more than 0. Take upper less lower limit.")
    p, o, r = sizes
    held = {name: max(0.0, value) for name, value in raw.items()}
    negative = tuple(name for name, value in raw.items() if value < 0.0)
    return Gauge(
        **held, negative=negative, tolerance_width=width, method=method, n=p * o * r, parts=p, operators=o,
        interaction_p=interaction_p,
    )  # fmt: skip
