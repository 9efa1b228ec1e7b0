"""How smoothly a hand moved: spectral arc length and log dimensionless jerk of its speed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.records import FloatArray

__all__ = ["log_dimensionless_jerk", "spectral_arc_length"]

PADDING = 4
HIGHEST_HZ = 10.0
LEAST_AMPLITUDE = 0.05


def spectral_arc_length(
    speed: ArrayLike,
    rate_hz: float,
    *,
    padding: int = PADDING,
    highest_hz: float = HIGHEST_HZ,
    least_amplitude: float = LEAST_AMPLITUDE,
) -> float:
    """SPARC: minus the length of the speed's amplitude spectrum, drawn in a unit box; nearer 0 is smoother.

    Parameters
    ----------
    speed : (n,) float array
        Of any unit, evenly sampled, not all 0.
    rate_hz : float
    padding : int
        The spectrum is taken at 2^(ceil(log2 n) + padding) frequencies.
    highest_hz : float
        The arc ends there, or at the last frequency below it whose amplitude reaches `least_amplitude`.
    least_amplitude : float
        As a part of the amplitude at 0 Hz.

    Returns
    -------
    sparc : float
        nan where the speed is 0 throughout or too short.

    Notes
    -----
    Source: Balasubramanian et al. 2015, J NeuroEng Rehabil 12:112 [memory]; definition and values as in the project's notes.

    Examples
    --------
    >>> t = np.arange(-1.0, 1.0, 0.01)
    >>> round(spectral_arc_length(np.exp(-5.0 * t**2), 100.0), 5)
    -1.41403
    """
    from scipy.signal import zoom_fft

    speed = np.asarray(speed, dtype=float)
    if len(speed) < 2 or not np.any(speed):
        return math.nan
    bins = 2 ** (math.ceil(math.log2(len(speed))) + padding)
    step = rate_hz / bins
    count = min(math.floor(highest_hz / step + 1e-9), bins - 1) + 1
    spectrum = np.abs(zoom_fft(speed, [0.0, count * step], m=count, fs=rate_hz))
    amplitude = spectrum / spectrum[0]
    last = int(np.flatnonzero(amplitude >= least_amplitude)[-1])
    if last < 1:
        return math.nan
    return -float(np.hypot(1.0 / last, np.diff(amplitude[: last + 1])).sum())


def log_dimensionless_jerk(speed: ArrayLike, rate_hz: float) -> float:
    """LDLJ: minus the logarithm of the dimensionless jerk of a speed; nearer 0 is smoother.

    Parameters
    ----------
    speed : (n,) float array
        Of any unit, evenly sampled. Second differences; the ends are left out.
    rate_hz : float

    Returns
    -------
    ldlj : float
        nan where the speed has no jerk or is too short.

    Notes
    -----
    ln((T³ / v²) ∫ |d²v/dt²|² dt) with T = n / rate and v the greatest speed. Source: Balasubramanian et al. 2012, 2015.

    Examples
    --------
    >>> t = np.arange(-1.0, 1.0, 0.01)
    >>> round(log_dimensionless_jerk(np.exp(-5.0 * t**2), 100.0), 5)
    -5.81636
    """
    speed = np.asarray(speed, dtype=float)
    if len(speed) < 3:
        return math.nan
    jerk = np.diff(speed, 2) * rate_hz**2
    peak, lasted = float(np.abs(speed).max()), len(speed) / rate_hz
    total = float(jerk @ jerk) / rate_hz
    if peak == 0.0 or total == 0.0:
        return math.nan
    return -math.log(lasted**3 / peak**2 * total)


def speeds(points: FloatArray, rate_hz: float) -> FloatArray:
    """(n − 1,) speed between evenly sampled points (n, 3), in their unit a second."""
    return np.asarray(np.linalg.norm(np.diff(points, axis=0), axis=1) * rate_hz)
