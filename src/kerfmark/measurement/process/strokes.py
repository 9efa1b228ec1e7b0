"""A motion's unbroken stretches, evenly sampled; its tremor, its pauses, and the noise of its recording."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.measurement.process.smoothness import speeds
from kerfmark.records import FloatArray, Motion

__all__ = ["Stroke", "pauses", "recording_noise", "strokes", "tremor_rms"]

TREMOR_HZ = (6.0, 12.0)
VOLUNTARY_HZ = 4.0
SETTLING_S = 0.5
SHORTEST_S = 1.5
PAUSE_S, SLOW_MM_S = 1.0, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """An unbroken stretch: when it began, and its points (n, 3) evenly sampled at `rate_hz`."""

    start_s: float
    rate_hz: float
    points: FloatArray


def strokes(motion: Motion, points: FloatArray | None = None) -> list[Stroke]:
    """The stretches between gaps, resampled linearly at the median rate of the whole motion where they are uneven.

    Parameters
    ----------
    motion : Motion
    points : (n, 3) float array, optional
        What to follow; the tip when left out.
    """
    points = motion.tip_mm if points is None else points
    if len(motion.time_s) < 2:
        return []
    step = float(np.median(np.diff(motion.time_s)))
    breaks = np.flatnonzero(~motion.joined[1:]) + 1
    found = []
    for part in np.split(np.arange(len(motion.time_s)), breaks):
        if len(part) < 2:
            continue
        time = motion.time_s[part]
        count = int((time[-1] - time[0]) / step + 1e-6) + 1
        even = time[0] + step * np.arange(count)
        is_even = count == len(time) and bool(np.abs(even - time).max() < 1e-6 * step)
        chosen = points[part]
        if not is_even:
            chosen = np.stack([np.interp(even, time, column) for column in chosen.T], axis=1)
        found.append(Stroke(float(time[0]), 1.0 / step, chosen))
    return found


def recording_noise(motion: Motion, values: FloatArray) -> float:
    """Standard deviation of white noise on each coordinate, from third differences of neighbouring samples.

    What a hand does is smooth over four samples at the rates of a rig; the median makes single spikes harmless.
    """
    third = np.diff(values, 3, axis=0)
    whole = motion.joined[1:-2] & motion.joined[2:-1] & motion.joined[3:]
    if len(third) == 0 or not whole.any():
        return 0.0
    return float(np.median(np.abs(third[whole]))) / 0.6745 / math.sqrt(20.0)


def tremor_rms(found: Sequence[Stroke]) -> float:
    """Root mean square length of the 3-D tremor, in the points' unit.

    The band of 6 to 12 Hz of each coordinate by a fourth-order Butterworth run both ways; half a second at each end of a
    stretch is left out, where the filter settles. nan where no stretch lasts 1.5 s or the rate is below 30 Hz.
    """
    from scipy.signal import butter, sosfiltfilt

    total, count = 0.0, 0
    for stroke in found:
        settle = math.ceil(SETTLING_S * stroke.rate_hz)
        if stroke.rate_hz < 2.5 * TREMOR_HZ[1] or len(stroke.points) < SHORTEST_S * stroke.rate_hz:
            continue
        band = butter(4, TREMOR_HZ, "bandpass", fs=stroke.rate_hz, output="sos")
        moved = sosfiltfilt(band, stroke.points, axis=0, padlen=min(len(stroke.points) - 1, 2 * settle))[settle:-settle]
        total, count = total + float((moved**2).sum()), count + len(moved)
    return math.sqrt(total / count) if count else math.nan


def pauses(found: Sequence[Stroke]) -> list[tuple[float, float]]:
    """Start and end of each stretch over 1 s with the tip slower than 0.5 mm/s, s.

    Slow is where the recorded speed is, or that of the path with everything faster than 4 Hz taken off: tremor of 50 µm at
    9 Hz alone moves at 4 mm/s, and a hand at rest trembles.
    """
    long = []
    for stroke in found:
        slow = _is_slow(stroke)
        edges = np.flatnonzero(np.diff(np.r_[False, slow, False].astype(np.int8)))
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if (last - first) / stroke.rate_hz > 0.5 * PAUSE_S:
                long.append((stroke.start_s + first / stroke.rate_hz, stroke.start_s + last / stroke.rate_hz))
    return long


def _is_slow(stroke: Stroke) -> NDArray[np.bool_]:
    from scipy.signal import butter, sosfiltfilt

    slow = speeds(stroke.points, stroke.rate_hz) < SLOW_MM_S
    if stroke.rate_hz < 2.5 * VOLUNTARY_HZ or len(stroke.points) < 2 * stroke.rate_hz / VOLUNTARY_HZ:
        return np.asarray(slow)
    low = butter(2, VOLUNTARY_HZ, fs=stroke.rate_hz, output="sos")
    padding = min(len(stroke.points) - 1, math.ceil(stroke.rate_hz / VOLUNTARY_HZ))
    return np.asarray(
        slow | (speeds(sosfiltfilt(low, stroke.points, axis=0, padlen=padding), stroke.rate_hz) < SLOW_MM_S)
    )
