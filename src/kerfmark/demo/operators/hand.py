"""A simulated hand: from a way it means to go to what a rig would record of it.

Tremor, speed-dependent unsteadiness, hesitation and slips differ by level. Sources: tremor of steady hands 38 to 50 µm RMS, of repeated
actuation 133 µm, at 6 to 12 Hz (eye and ear surgeons [seen]); unsteadiness that grows with speed (signal-dependent noise, Harris
and Wolpert 1998 [memory]); the numbers of each level are practice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from kerfmark.errors import InputError, printable
from kerfmark.intake.motions.turning import shortest_turn
from kerfmark.records import FloatArray, Motion

__all__ = ["STEADINESS", "Steadiness", "Stroke", "performed", "steadiness"]

STEP_MM = 0.1
TREMOR_HZ = 9.0
TREMOR_SPREAD_HZ = 1.0
RAMP_MM = 0.4
AIR_MM_S = 25.0
SLIP_S = 0.12


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How steadily a level moves.

    Attributes
    ----------
    pace : float
        Speed over that of a steady hand.
    tremor_um : float
        Root mean square length of the tip's tremor.
    wander_um : float
        Standard deviation of slow unsteadiness on each coordinate at rest; `wander_um_s_mm` more for each mm/s.
    lean_deg : float
        Standard deviation of the axis' slow unsteadiness.
    pause_chance, pause_s : float
        How often it hesitates between strokes, and for how long on the average.
    slip_chance, slip_mm : float
        How often a stroke slips, and how far on the average.
    overcut_deg : float
        How much steeper than meant this unsteadiness leaves a wall on the average, since what is cut by the farther of two rounds is gone.
        A hand knows that of itself and leans so much less (`test_what_the_bur_sweeps_converges_as_meant`).
    """

    pace: float
    tremor_um: float
    wander_um: float
    wander_um_s_mm: float
    lean_deg: float
    pause_chance: float
    pause_s: float
    slip_chance: float
    slip_mm: float
    overcut_deg: float


STEADINESS: Mapping[str, Steadiness] = {
    "able": Steadiness(1.0, 18.0, 12.0, 1.5, 0.4, 0.04, 1.2, 0.0, 0.0, 0.1),
    "middle": Steadiness(0.8, 32.0, 25.0, 2.5, 0.9, 0.10, 1.6, 0.01, 0.15, 0.4),
    "novice": Steadiness(0.6, 60.0, 45.0, 4.0, 1.6, 0.20, 2.2, 0.03, 0.3, 0.9),
}


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """A way meant to be gone without a stop: tips (n, 3), unit axes (n, 3) from tip to handle, speed, with which instrument."""

    tips_mm: FloatArray
    axes: FloatArray
    speed_mm_s: float
    instrument: str
    cuts: bool = True


def steadiness(level: str) -> Steadiness:
    """The steadiness of a level, by its name."""
    if level not in STEADINESS:
        raise InputError(
            f"level is '{printable(level, limit=40)}', expected one of {', '.join(STEADINESS)}. Choose one of them."
        )
    return STEADINESS[level]


def performed(strokes: Sequence[Stroke], of: Steadiness, rng: np.random.Generator, *, rate_hz: float) -> Motion:
    """The strokes as a hand performs them, one after another, lifted over in between.

    Parameters
    ----------
    strokes : sequence of Stroke
        In the tooth frame. Where one ends more than 0.3 mm from the next, the way between goes by a lifted bow.
    of : Steadiness
    rng : numpy Generator
    rate_hz : float

    Returns
    -------
    motion : Motion
        Simulated; the spindle stands still while an instrument is changed.
    """
    names = tuple(dict.fromkeys(stroke.instrument for stroke in strokes))
    parts = _with_ways_between(strokes)
    timed = [_timed(part, of, rng, rate_hz=rate_hz, held=names.index(part.instrument)) for part in parts]
    tips, axes, speed, held, cuts = (np.concatenate([t[k] for t in timed]) for k in range(5))
    tips = tips + _unsteady(len(tips), of, speed, rng, rate_hz=rate_hz)
    axes = axes + np.radians(of.lean_deg) * _slow(len(tips), rng, rate_hz=rate_hz, hz=0.5)
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    changed = np.r_[False, held[1:] != held[:-1]]
    return Motion(
        time_s=np.arange(len(tips)) / rate_hz,
        tip_mm=tips,
        orientation=shortest_turn(axes),
        joined=np.r_[False, ~changed[1:]],
        cutting=cuts.astype(bool),
        instrument=held.astype(np.int32),
        instruments=names,
    )


def _with_ways_between(strokes: Sequence[Stroke]) -> list[Stroke]:
    parts = [strokes[0]]
    for stroke in strokes[1:]:
        last = parts[-1]
        changed = stroke.instrument != last.instrument
        if changed or np.linalg.norm(stroke.tips_mm[0] - last.tips_mm[-1]) > 0.3:
            parts.append(_bow(last, stroke, cuts=not changed))
        parts.append(stroke)
    return parts


def _bow(last: Stroke, following: Stroke, *, cuts: bool) -> Stroke:
    """Out along the tool's own axis, across, and in along the next one's."""
    start, end = last.tips_mm[-1], following.tips_mm[0]
    highest = max(start[2], end[2]) + 3.0
    ends = [start, _raised(start, last.axes[-1], highest), _raised(end, following.axes[0], highest), end]
    count = [max(2, int(np.ceil(np.linalg.norm(b - a) / STEP_MM))) for a, b in pairwise(ends)]
    tips = np.concatenate([np.linspace(a, b, n) for a, b, n in zip(ends[:-1], ends[1:], count, strict=True)])
    share = np.repeat([0.0, 0.5, 1.0], count)[:, None]
    axes = (1.0 - share) * last.axes[-1] + share * following.axes[0]
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    return Stroke(tips, axes, AIR_MM_S, last.instrument, cuts)


def _raised(place: FloatArray, axis: FloatArray, height: float) -> FloatArray:
    return np.asarray(place + axis * max(height - place[2], 0.0) / max(axis[2], 0.3))


def _timed(
    stroke: Stroke, of: Steadiness, rng: np.random.Generator, *, rate_hz: float, held: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Even samples of a stroke that starts and ends slowly, with a pause before it, the spindle still, and a slip on it by chance."""
    length = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(stroke.tips_mm, axis=0), axis=1))]
    keep = np.r_[True, np.diff(length) > 1e-9]
    length, tips, axes = length[keep], stroke.tips_mm[keep], stroke.axes[keep]
    fine = np.linspace(0.0, length[-1], max(2, int(np.ceil(length[-1] / STEP_MM)) + 1))
    pace = stroke.speed_mm_s * (of.pace if stroke.speed_mm_s < AIR_MM_S else 1.0) * rng.uniform(0.85, 1.15)
    near_end = np.minimum(fine, length[-1] - fine)
    speed = pace * np.clip(0.25 + near_end / RAMP_MM, 0.25, 1.0)
    time = np.r_[0.0, np.cumsum(np.diff(fine) * 0.5 * (1.0 / speed[1:] + 1.0 / speed[:-1]))]
    rest = float(rng.exponential(of.pause_s)) if rng.random() < of.pause_chance else 0.0
    count = max(2, int((time[-1] + rest) * rate_hz))
    even = np.maximum(np.arange(count) / rate_hz - rest, 0.0)
    at = np.interp(even, time, fine)
    moved = np.stack([np.interp(at, length, tips[:, k]) for k in range(3)], axis=1)
    lean = np.stack([np.interp(at, length, axes[:, k]) for k in range(3)], axis=1)
    if stroke.cuts and stroke.speed_mm_s < AIR_MM_S and rng.random() < of.slip_chance:
        moved += _slip(count, of, rng, rate_hz=rate_hz)
    quick = np.gradient(at) * rate_hz
    turning = stroke.cuts & (np.arange(count) >= rest * rate_hz)
    return moved, lean, quick, np.full(count, held), turning.astype(float)


def _slip(count: int, of: Steadiness, rng: np.random.Generator, *, rate_hz: float) -> FloatArray:
    """Away in a chance direction, not upwards, and back within an eighth of a second."""
    when, width = rng.uniform(0.2, 0.8) * count, SLIP_S * rate_hz / 2.0
    way = rng.normal(size=3)
    way[2] = -0.5 * abs(way[2])
    pulse = np.exp(-0.5 * ((np.arange(count) - when) / width) ** 2)
    return np.asarray(rng.exponential(of.slip_mm) * pulse[:, None] * way / np.linalg.norm(way))


def _unsteady(count: int, of: Steadiness, speed: FloatArray, rng: np.random.Generator, *, rate_hz: float) -> FloatArray:
    """Tremor, and slow unsteadiness that grows with speed."""
    spread = of.wander_um + of.wander_um_s_mm * np.minimum(gaussian_filter1d(speed, 0.1 * rate_hz), 10.0)
    slow = 1e-3 * spread[:, None] * _slow(count, rng, rate_hz=rate_hz, hz=0.8)
    swing = _slow(count, rng, rate_hz=rate_hz, hz=TREMOR_SPREAD_HZ) + 1j * _slow(
        count, rng, rate_hz=rate_hz, hz=TREMOR_SPREAD_HZ
    )
    carried = np.real(swing * np.exp(2j * np.pi * TREMOR_HZ * np.arange(count) / rate_hz)[:, None])
    return np.asarray(slow + 1e-3 * of.tremor_um / np.sqrt(3.0) * carried)


def _slow(count: int, rng: np.random.Generator, *, rate_hz: float, hz: float) -> FloatArray:
    """(count, 3) smooth random courses of standard deviation 1 with hardly anything faster than about `hz`."""
    width = rate_hz / (2.0 * np.pi * hz)
    coarse = max(1, int(width / 4.0))
    raw = rng.normal(size=(count // coarse + 8, 3))
    smooth = gaussian_filter1d(raw, max(width / coarse, 1e-3), axis=0, mode="wrap")
    smooth *= np.sqrt(2.0 * np.sqrt(np.pi) * max(width / coarse, 1e-3))
    at = np.arange(count) / coarse
    return np.stack([np.interp(at, np.arange(len(raw)), column) for column in smooth.T], axis=1)
