"""Readings of force, mirror and posture, where the rig records them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.process.course import Course
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["force_mean_n", "force_peak_n", "force_sd_n", "mirror_s", "neck_flexion_deg"]

IN_USE_MM = 100.0
UPRIGHT_S = 1.0
FORCE_CORRELATED_S = 0.2


def force_mean_n(course: Course) -> tuple[Reading, ...]:
    """`process.force_mean_n`: mean size of the recorded force."""
    return (_force(course, "process.force_mean_n", np.mean, lambda sd, n: sd / math.sqrt(n)),)


def force_peak_n(course: Course) -> tuple[Reading, ...]:
    """`process.force_peak_n`: greatest size of the recorded force."""
    return (_force(course, "process.force_peak_n", np.max, lambda _sd, _n: 0.0),)


def force_sd_n(course: Course) -> tuple[Reading, ...]:
    """`process.force_sd_n`: standard deviation of the size of the recorded force."""
    return (_force(course, "process.force_sd_n", np.std, lambda sd, n: sd / math.sqrt(2.0 * n)),)


def _force(
    course: Course, name: str, of: Callable[[FloatArray], np.floating], u_of: Callable[[float, float], float]
) -> Reading:
    recorded = course.motion.force_n
    if recorded is None or not np.isfinite(recorded).any():
        return unmeasured(name, "no force was recorded", unit="N")
    known = np.isfinite(recorded).all(axis=1)
    size = np.linalg.norm(recorded[known], axis=1)
    independent = max(len(size) * course.step_s / FORCE_CORRELATED_S, 1.0)
    noise = float(np.median(np.abs(np.diff(size, 3)))) / 0.6745 / math.sqrt(20.0) if len(size) > 3 else 0.0
    budget = (
        Component("length of the record", u_of(float(size.std()), independent)),
        Component("recording noise", noise / math.sqrt(independent) if of is not np.max else noise),
    )
    hardest = course.motion.tip_mm[known][int(np.argmax(size))]
    return measured(name, float(of(size)), unit="N", budget=budget, witness=Witness("points", points_mm=hardest[None]))


def mirror_s(course: Course) -> tuple[Reading, ...]:
    """`process.mirror_s`: time in which the mirror was seen within 100 mm of the tooth."""
    name, mirror = "process.mirror_s", course.motion.mirror
    if mirror is None:
        return (unmeasured(name, "no mirror was recorded", unit="s"),)
    near = np.isfinite(mirror).all(axis=1) & (np.linalg.norm(mirror[:, :3], axis=1) < IN_USE_MM)
    step = np.diff(course.motion.time_s)
    used = near[1:] & near[:-1] & (step < 10.0 * course.step_s)
    edges = int(np.count_nonzero(np.diff(near)))
    budget = (Component("sampling", course.step_s * math.sqrt(max(edges, 1) / 12.0)),)
    thin = max(1, int(near.sum()) // 300)
    witness = Witness("points", points_mm=mirror[near][::thin, :3])
    return (measured(name, float(step[used].sum()), unit="s", budget=budget, witness=witness),)


def neck_flexion_deg(course: Course) -> tuple[Reading, ...]:
    """`process.neck_flexion_deg`: mean lean of the head's own +z from how it stood in the first second it was seen."""
    name, head = "process.neck_flexion_deg", course.motion.head
    if head is None or not np.isfinite(head).all(axis=1).any():
        return (unmeasured(name, "no head was recorded", unit="deg"),)
    seen = np.isfinite(head).all(axis=1)
    w, x, y, z = head[seen, 3:].T
    up = np.stack([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)], axis=1)
    time = course.motion.time_s[seen]
    first = up[time <= time[0] + UPRIGHT_S]
    upright = first.mean(axis=0) / np.linalg.norm(first.mean(axis=0))
    lean = np.degrees(np.arctan2(np.linalg.norm(np.cross(up, upright), axis=1), up @ upright))
    wobble = float(np.degrees(np.arccos(np.clip(first @ upright, -1.0, 1.0))).std())
    budget = (
        Component("upright posture", wobble),
        Component("rig", course.motion.u_angle_deg),
    )
    thin = max(1, len(time) // 300)
    witness = Witness("points", points_mm=head[seen][::thin, :3])
    return (measured(name, float(lean.mean()), unit="deg", budget=budget, witness=witness),)
