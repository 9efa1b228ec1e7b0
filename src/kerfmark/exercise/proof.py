"""The proof of an exercise before its first learner: can it be cut with what is permitted, can it be marked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from kerfmark.errors import printable
from kerfmark.exercise.definition import Criterion, Exercise
from kerfmark.exercise.folder import LoadedExercise
from kerfmark.exercise.power import Power, ReadingKey, powers_of
from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.vocabulary import VOCABULARY, range_of
from kerfmark.geometry.rays import RayCaster
from kerfmark.instruments import Instrument, head_distance, instrument
from kerfmark.records import FloatArray

__all__ = ["Finding", "Proof", "check_exercise"]

ANY_INSTRUMENTS = (
    "round 0.5",
    "straight fissure 0.6",
    "tapered fissure 0.8",
    "chamfer diamond 0.8 to 1.2",
    "long pear 0.8",
)
"""Tried where an exercise permits any: the finest of each shape."""
WIDTH_TOLERANCE = 0.1
DRILL_STEP_MM = 1.0
LEAST_INSIDE = 0.5
"""Of the planned implant's axis, in the bone; below it nothing is read of what it keeps clear of."""
RECORDED_ONLY = ("implant.drill_order", "implant.contact_time_s")
"""Not applicable to a scan, and left out of its mark; `process.*` is refused beside one by the file's own rules."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing the proof found. `about` says what it bears on; `stops` whether it makes that impossible."""

    about: Literal["cut", "mark"]
    message: str
    stops: bool


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether an exercise can be cut and marked, and everything found on the way."""

    valid: bool
    can_be_cut: bool
    can_be_marked: bool
    findings: tuple[Finding, ...] = ()
    powers: tuple[Power, ...] = ()

    def text(self) -> str:
        """The proof in words, a few lines."""
        words = {True: "yes", False: "NO"}
        lines = [
            f"valid           {words[self.valid]}",
            f"can be cut      {words[self.can_be_cut]}",
            f"can be marked   {words[self.can_be_marked]}",
        ]
        lines += [f"  {'!' if finding.stops else '-'} {finding.message}" for finding in self.findings]
        return "\n".join(lines)


def check_exercise(
    loaded: LoadedExercise, prepared: Prepared, *, predict_u: Mapping[ReadingKey, float | None] | None = None
) -> Proof:
    """Prove an exercise that has been read and prepared, and is therefore valid.

    Parameters
    ----------
    loaded : LoadedExercise
    prepared : Prepared
    predict_u : mapping, optional
        Standard uncertainty by (reading, where, stat) from measuring the ideal target as the exercise's source would see
        it; what is missing there cannot be measured. Without it a rule of thumb stands in and is said to.

    Returns
    -------
    proof : Proof
    """
    powers = powers_of(loaded.exercise, predict_u)
    misplaced = _misplaced(prepared)
    if misplaced is None:
        findings = (*_cutting(loaded.exercise, prepared), *_marking(loaded.exercise, powers))
    else:  # all else that would be found follows from it
        findings = (
            Finding("cut", misplaced, True),
            Finding("mark", "what is marked is not proven before that is mended", True),
        )
    stopped = {finding.about for finding in findings if finding.stops}
    return Proof(True, "cut" not in stopped, "mark" not in stopped, findings, powers)


def permitted_instruments(exercise: Exercise) -> tuple[Instrument, ...]:
    """The instruments an exercise permits; where it permits any, the finest of each shape."""
    own = {entry.name: entry.profile_mm for entry in exercise.instruments}
    return tuple(instrument(name, own=own) for name in exercise.permitted.instruments or ANY_INSTRUMENTS)


def _cutting(exercise: Exercise, prepared: Prepared) -> tuple[Finding, ...]:
    """Whether the permitted instruments can make the shape, the groove or the bed."""
    from kerfmark.exercise.reach import reach, task_of
    from kerfmark.exercise.reach.tools import tool_of

    tools = permitted_instruments(exercise)
    findings = [*_groove(exercise, tools), *_bed(exercise, tools)]
    far_mm = 0.5 * max(max(tool.diameter_mm, tool.shank_diameter_mm) for tool in tools) + 0.5
    task = task_of(prepared, far_mm=far_mm)
    if task is None:
        if not findings:
            findings.append(
                Finding("cut", "no target, layer, groove or bed says what shape to cut: reach is not proven", False)
            )
        return tuple(findings)
    together, alone = reach(task, [tool_of(tool) for tool in tools])
    least = min(alone, key=lambda left: (left.volume_mm3, left.depth_mm))
    if together.is_small:
        return (
            *findings,
            Finding("cut", f"the permitted instruments reach all of {task.what} to within 0.1 mm", False),
        )
    why = {
        "neighbour": "a neighbour is in the way of every permitted instrument",
        "shank": "the shank of every permitted instrument is in the way: longer heads are needed",
        "corner": "an inner corner there is sharper than every permitted head",
    }[together.cause or "corner"]
    message = (
        f"the permitted instruments cannot make {task.what}: {together.volume_mm3:.2f} mm³ stay, up to {together.depth_mm:.2f} mm "
        f"from what can be reached, {_place(exercise, prepared, together.deepest_mm)}, as {why}; "
        f"'{printable(least.instrument, limit=60)}' leaves least. Permit another instrument or ease the shape there"
    )
    return (*findings, Finding("cut", message, True))


def _place(exercise: Exercise, prepared: Prepared, point: FloatArray) -> str:
    """Where a point is: for a tooth its side and height, for a block its coordinates."""
    x, y, z = (float(value) for value in point)
    coordinates = f"at ({x:.1f}, {y:.1f}, {z:.1f}) mm of the tooth frame"
    if exercise.tooth is None:
        return coordinates
    azimuth = float(np.degrees(np.arctan2(prepared.mesial_sign * x, y))) % 360.0
    side = ("buccal", "mesial", "lingual", "distal")[round(azimuth / 90.0) % 4]
    return f"on the {side} side {abs(z):.1f} mm {'above' if z >= 0 else 'below'} the cervical line, {coordinates}"


def _groove(exercise: Exercise, tools: tuple[Instrument, ...]) -> tuple[Finding, ...]:
    """Whether some head cuts a groove of the line's width at its depth."""
    target = exercise.target
    if target.line is None or target.width_mm is None or target.depth_mm is None:
        return ()
    widths = {tool.name: _width_at(tool, target.depth_mm) for tool in tools}
    name, width = min(widths.items(), key=lambda entry: abs(entry[1] - float(target.width_mm or 0.0)))
    if width <= target.width_mm * (1.0 + WIDTH_TOLERANCE):
        return ()
    message = (
        f"the line is {target.width_mm:g} mm wide at {target.depth_mm:g} mm depth, but the narrowest groove of a permitted "
        f"instrument is {width:.2f} mm ('{printable(name, limit=60)}'). Permit a smaller instrument"
    )
    return (Finding("cut", message, True),)


def _width_at(tool: Instrument, depth_mm: float) -> float:
    """Width of the groove that an upright head cuts at a depth, mm."""
    along = np.linspace(0.0, min(depth_mm, tool.length_mm), 201)[1:]
    radii = np.linspace(0.0, tool.diameter_mm / 2, 401)
    inside = head_distance(tool, along[:, None], radii[None, :]) <= 0.0
    return 2.0 * float(radii[inside.any(axis=0)].max())


def _bed(exercise: Exercise, tools: tuple[Instrument, ...]) -> tuple[Finding, ...]:
    """Whether some drill leaves a bed of the implant's size."""
    implant = exercise.target.implant
    if implant is None:
        return ()
    fitting = [
        tool for tool in tools if implant.diameter_mm - DRILL_STEP_MM <= tool.diameter_mm <= implant.diameter_mm + 1e-6
    ]
    if fitting:
        unproven = "" if exercise.target.surface else "; its reach is not proven, as there is no target surface"
        return (Finding("cut", f"a permitted drill leaves a bed of the implant's size{unproven}", False),)
    message = (
        f"no permitted instrument is between {implant.diameter_mm - DRILL_STEP_MM:g} and {implant.diameter_mm:g} mm in "
        "diameter, as the last drill of this implant would be. Permit one"
    )
    return (Finding("cut", message, True),)


def _misplaced(prepared: Prepared) -> str | None:
    """What is wrong with where the planned implant stands; None where nothing is."""
    if prepared.implant is None or prepared.subject is None:
        return None
    entry, apex = prepared.implant
    if apex[2] > entry[2]:
        return (
            "[target] implant: its apex lies on the crown's side of its entry, so that the axis points out of the bone. Exchange entry and apex, or "
            "correct [frame] occlusal"
        )
    length = float(np.linalg.norm(apex - entry))
    inside = RayCaster(prepared.subject).length_inside_mm(entry, apex)
    if inside >= LEAST_INSIDE * length:
        return None
    return (
        f"[target] implant: {inside:.1f} mm of its {length:.1f} mm lie in the bone, at least half should. Correct entry and apex; they are in "
        "the coordinates of the exercise's files"
    )


def _marking(exercise: Exercise, powers: tuple[Power, ...]) -> tuple[Finding, ...]:
    """What this source cannot mark."""
    findings = []
    for number, (criterion, power) in enumerate(zip(exercise.criteria, powers, strict=True), start=1):
        name = " ".join(printable(part, limit=60) for part in criterion.key if part is not None)
        if criterion.reading in RECORDED_ONLY and exercise.source.kind != "motion":
            message = f"[[criteria]] {number}, {name}: counts only for pieces that come as a recorded motion, not for a {exercise.source.kind}"
            findings.append(Finding("mark", message, False))
        elif power.u is None:
            message = f"[[criteria]] {number}, {name}: cannot be measured on the ideal piece. Choose another reading"
            findings.append(Finding("mark", message, True))
        elif not power.is_enough:
            unit = VOCABULARY[criterion.reading].unit
            how = "" if power.predicted else " by rule of thumb"
            message = (
                f"[[criteria]] {number}, {name}: this source cannot mark this criterion, as its limits are "
                f"{criterion.limits[1] - criterion.limits[0]:g} {unit} wide and u is {power.u:.3g} {unit}{how} "
                f"(resolving power {power.power:.2f}, at least 1 is needed). Widen the limits or use a finer source"
            )
            findings.append(Finding("mark", message, True))
        if (shut := _shut_end(criterion)) is not None:
            findings.append(Finding("mark", f"[[criteria]] {number}, {name}: {shut}", False))
    return tuple(findings)


def _shut_end(criterion: Criterion) -> str | None:
    """What to say of a closed limit where the reading's own range ends: half of what stands on it is beyond, whatever was cut."""
    (least, most), (low, high) = range_of(criterion.reading, criterion.stat), criterion.limits
    open_limits = [low if low != least else -math.inf, high if high != most else math.inf]
    if open_limits == [low, high]:
        return None
    end = f"never below {least:g}" if low == least and math.isfinite(low) else f"never above {most:g}"
    return (
        f"this reading is {end}, and one that stands there would be ruled too close to call for ever, however well it was cut. "
        f"Leave that limit open: limits = [{open_limits[0]:g}, {open_limits[1]:g}]"
    )
