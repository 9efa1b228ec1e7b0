"""Readings of how a piece was cut, each with its budget."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.process.course import PAUSE_IN_CUTTING_S, Course, spells
from kerfmark.measurement.process.smoothness import log_dimensionless_jerk, spectral_arc_length
from kerfmark.measurement.process.strokes import PAUSE_S, TREMOR_HZ, pauses, recording_noise, tremor_rms
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "cutting_s", "duration_s", "ldlj", "needs_motion", "path_mm", "pauses_count", "removal_rate_mm3_s", "reorientation_deg",
    "sparc", "tremor_um_rms",
]  # fmt: skip

NOISE_SEED = 20251
BORDERLINE_S = 0.1


def needs_motion(
    name: str, unit: str, function: Callable[[Course], tuple[Reading, ...]]
) -> Callable[[Course], tuple[Reading, ...]]:
    """The reading of a recorded piece; of any other, that there is none."""

    def taken(course: Course) -> tuple[Reading, ...]:
        if course.is_recorded:
            return function(course)
        wheres = ("all", *course.prepared.layers, "other") if name == "process.removal_rate_mm3_s" else (None,)
        reason = "needs a recorded motion"
        return tuple(unmeasured(name, reason, unit=unit, where=where, status="not_applicable") for where in wheres)

    return taken


def duration_s(course: Course) -> tuple[Reading, ...]:
    """`process.duration_s`: from the first sample to the last."""
    value = float(course.motion.time_s[-1] - course.motion.time_s[0])
    budget = (Component("sampling", course.step_s / math.sqrt(6.0)),)
    return (measured("process.duration_s", value, unit="s", budget=budget, witness=course.path),)


def cutting_s(course: Course) -> tuple[Reading, ...]:
    """`process.cutting_s`: time in which material was removed: spells with no pause in it longer than 0.1 s."""
    removed = course.removed
    found = spells(removed.time_s, apart_s=PAUSE_IN_CUTTING_S)
    value = sum(float(removed.time_s[b] - removed.time_s[a]) for a, b in found)
    between = value / max(len(removed.time_s) - len(found), 1)
    budget = (Component("sampling and grid", math.sqrt(2.0 * len(found)) * max(course.step_s, between)),)
    thin = max(1, len(removed.points_mm) // 300)
    witness = Witness("region", points_mm=removed.points_mm[::thin])
    return (measured("process.cutting_s", value, unit="s", budget=budget, witness=witness),)


def path_mm(course: Course) -> tuple[Reading, ...]:
    """`process.path_mm`: sum of the raw steps of the tip, gaps left out."""
    steps = np.linalg.norm(np.diff(course.motion.tip_mm, axis=0), axis=1)[course.motion.joined[1:]]
    budget = (Component("recording noise", _lengthened(steps, course.noise_mm)),)
    return (measured("process.path_mm", float(steps.sum()), unit="mm", budget=budget, witness=course.path),)


def _lengthened(steps: FloatArray, noise: float) -> float:
    """By how much noise square to the way lengthens a sum of steps: two coordinates, two ends each."""
    return float((np.sqrt(steps**2 + 4.0 * noise**2) - steps).sum())


def sparc(course: Course) -> tuple[Reading, ...]:
    """`process.sparc`: spectral arc length of the tip's speed."""
    return (_smoothness(course, "process.sparc", spectral_arc_length),)


def ldlj(course: Course) -> tuple[Reading, ...]:
    """`process.ldlj`: log dimensionless jerk of the tip's speed."""
    return (_smoothness(course, "process.ldlj", log_dimensionless_jerk),)


def _smoothness(course: Course, name: str, of: Callable[[FloatArray, float], float]) -> Reading:
    rate = 1.0 / course.step_s
    value = of(course.speed_mm_s, rate) if len(course.speed_mm_s) else math.nan
    if not math.isfinite(value):
        return unmeasured(name, "the tool did not move", unit="1")
    noisier = of(np.abs(course.speed_mm_s + _speed_noise(course)), rate)
    budget = (Component("recording noise", abs(noisier - value)),)
    return measured(name, value, unit="1", budget=budget, witness=course.path)


def _speed_noise(course: Course) -> FloatArray:
    """The recording's noise once more, as it would show in the speed along the way; the same for the same record."""
    rng = np.random.default_rng(NOISE_SEED)
    return np.asarray(np.diff(rng.normal(0.0, course.noise_mm, len(course.speed_mm_s) + 1)) / course.step_s)


def tremor_um_rms(course: Course) -> tuple[Reading, ...]:
    """`process.tremor_um_rms`: root mean square length of the tip's tremor between 6 and 12 Hz."""
    name, value = "process.tremor_um_rms", tremor_rms(course.strokes)
    if not math.isfinite(value):
        reason = "no stretch of 1.5 s without a gap, sampled 30 times a second or more"
        return (unmeasured(name, reason, unit="um"),)
    width, rate = TREMOR_HZ[1] - TREMOR_HZ[0], 1.0 / course.step_s
    lasted = len(course.speed_mm_s) * course.step_s
    in_band = 3.0 * course.noise_mm**2 * 2.0 * width / rate
    budget = (
        Component("recording noise", 1000.0 * (value - math.sqrt(max(value**2 - in_band, 0.0)))),
        Component("length of the record", 1000.0 * value / math.sqrt(2.0 * width * lasted)),
    )
    return (measured(name, 1000.0 * value, unit="um", budget=budget, witness=course.path),)


def pauses_count(course: Course) -> tuple[Reading, ...]:
    """`process.pauses`: stretches over 1 s with the tip slower than 0.5 mm/s."""
    found = pauses(course.strokes)
    long = [(a, b) for a, b in found if b - a > PAUSE_S]
    unclear = sum(abs(b - a - PAUSE_S) < BORDERLINE_S for a, b in found)
    tips = np.stack([np.interp([a for a, _ in long], course.motion.time_s, c) for c in course.motion.tip_mm.T], axis=1)
    budget = (Component("stretches of about a second", 0.5 * math.sqrt(unclear)),)
    return (measured("process.pauses", len(long), unit="1", budget=budget, witness=Witness("points", points_mm=tips)),)


def reorientation_deg(course: Course) -> tuple[Reading, ...]:
    """`process.reorientation_deg`: sum of the turns of the instrument's axis, gaps left out."""
    w, x, y, z = course.motion.orientation.T
    axes = np.stack([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)], axis=1)
    chord = np.linalg.norm(np.diff(axes, axis=0), axis=1)[course.motion.joined[1:]]
    turns = 2.0 * np.arcsin(np.minimum(0.5 * chord, 1.0))
    extra = _lengthened(turns, recording_noise(course.motion, axes))
    budget = (Component("recording noise", math.degrees(extra)),)
    value = math.degrees(float(turns.sum()))
    return (measured("process.reorientation_deg", value, unit="deg", budget=budget, witness=course.path),)


def removal_rate_mm3_s(course: Course) -> tuple[Reading, ...]:
    """`process.removal_rate_mm3_s`: volume of each tissue over the time in which it was removed; all of it over `cutting_s`."""
    name, removal = "process.removal_rate_mm3_s", course.removal
    totals = removal.by_time_mm3.sum(axis=1)
    cutting = cutting_s(course)[0]
    readings = [_rate(course, "all", float(totals.sum()), cutting.value or 0.0, cutting.u or 0.0)]
    for n, tissue in enumerate(removal.names):
        if totals[n] <= 0.0:
            readings.append(unmeasured(name, f"nothing of it was removed ({tissue})", unit="mm3/s", where=tissue))
            continue
        busy = float((removal.by_time_mm3[n] > 0.02 * removal.by_time_mm3[n].max()).sum())
        bin_s = float(removal.time_s[0])
        lasted = min(
            busy * bin_s, float(removal.last_cut_s[n] - removal.first_cut_s[n]) or bin_s, cutting.value or bin_s
        )
        readings.append(_rate(course, tissue, float(totals[n]), lasted, 0.5 * bin_s))
    return tuple(readings)


def _rate(course: Course, where: str, volume: float, lasted: float, u_lasted: float) -> Reading:
    name = "process.removal_rate_mm3_s"
    if volume <= 0.0 or lasted <= 0.0:
        return unmeasured(name, "nothing was removed", unit="mm3/s", where=where)
    area = volume ** (2.0 / 3.0)
    budget = (
        Component("time of cutting", volume / lasted**2 * u_lasted),
        Component("surface", area * 1e-3 * math.hypot(course.piece.trueness_um, course.piece.noise_um) / lasted),
    )
    thin = max(1, len(course.removed.points_mm) // 300)
    witness = Witness("region", points_mm=course.removed.points_mm[::thin])
    return measured(name, volume / lasted, unit="mm3/s", where=where, budget=budget, witness=witness)
