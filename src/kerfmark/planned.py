"""A learner's own plan of an implant: a file of our own in plain TOML, made into a piece to be measured against the teacher's.

format = 1
kind = "implant plan"
exercise = "implant-36"     # optional
[implant]
entry = [x, y, z]           # mm, in the coordinates of the exercise's files
apex = [x, y, z]
diameter_mm = 4.1
[drawn]                     # optional
arch = [[x, y, z], …]       # the curve it was planned along; nothing is measured by it
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.faults import nearest, shown
from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.toml_text import read_toml
from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.frames import perpendiculars, rigid_inverse, transform_points
from kerfmark.geometry.mesh_files import SIMULATED
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Alignment, FloatArray, ImplantPlan, Piece, Remark, Surface
from kerfmark.settings import Limits

__all__ = ["Read", "is_plan", "plan_bytes", "plan_piece", "read_plan", "read_plan_bytes"]

KIND = "implant plan"
LARGEST_MM = 1e4
DIAMETER_MM, LENGTH_MM = (1.0, 12.0), (2.0, 60.0)
FAR_MM = 40.0
"""From the exercise's own plan; farther away other coordinates were meant."""
OUT_OF_BONE_MM = 8.0
MOSTLY_INSIDE = 0.85
"""Of an implant's length; a shoulder stands a little above an uneven ridge [practice]."""
MOST_ARCH_POINTS = 100


def is_plan(path: Path) -> bool:
    """Whether a file is a learner's plan: by its suffix, `.toml`."""
    return path.suffix.lower() == ".toml"


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A plan in the tooth frame, the SHA-256 of its file, what is worth saying, and the arch (k, 3) it was planned along."""

    plan: ImplantPlan
    sha256: str
    remarks: tuple[Remark, ...] = ()
    arch_mm: FloatArray | None = None


def read_plan(path: Path, prepared: Prepared, *, limits: Limits) -> Read:
    """A plan in the tooth frame.

    Raises
    ------
    InputError
        If the exercise plans no implant, the file is no plan, is one of another exercise, or no implant can stand so.
    """
    name = printable(path.name, limit=120)
    data = _bytes_of(path, name=name, limits=limits)
    return read_plan_bytes(data, prepared, name=name, limits=limits)


def read_plan_bytes(data: bytes, prepared: Prepared, *, name: str, limits: Limits) -> Read:
    """As `read_plan`, of a file's bytes."""
    exercise = prepared.exercise
    if prepared.implant is None:
        raise InputError(
            f"{name}: is a plan of an implant, but exercise {exercise.id} plans none. Hand in a piece of this exercise."
        )
    values = read_toml(data, name=name, limits=limits)
    _check_keys(values, ("format", "kind", "exercise", "implant", "drawn"), ("format", "kind", "implant"), name=name)
    if values["format"] != 1 or values["kind"] != KIND or isinstance(values["format"], bool):
        raise InputError(f"{name}: is not format 1 of kind '{KIND}', expected these two lines at its top. Correct it.")
    if values.get("exercise", exercise.id) != exercise.id:
        raise InputError(
            f"{name}: was made for exercise '{printable(values['exercise'], limit=60)}', expected {exercise.id}. Hand in the plan of this "
            "exercise."
        )
    plan = _implant(values["implant"], prepared, name=name)
    arch = None if "drawn" not in values else _arch(values["drawn"], prepared, name=name)
    remarks = (*_simulated(data, name), *_unlisted(plan, prepared, name), *_misplaced(plan, prepared, name))
    return Read(plan, hashlib.sha256(data).hexdigest(), remarks, arch)


def _simulated(data: bytes, name: str) -> tuple[Remark, ...]:
    said = Remark("simulated", name, "says of itself that it is simulated: nobody planned it")
    return (said,) if SIMULATED.encode("ascii") in data else ()


def _unlisted(plan: ImplantPlan, prepared: Prepared, name: str) -> tuple[Remark, ...]:
    """The diameter is none of those the exercise offers."""
    offered = prepared.exercise.permitted.implant_diameters_mm
    if not offered or any(abs(plan.diameter_mm - one) < 1e-6 for one in offered):
        return ()
    words = f"the implant is {plan.diameter_mm:g} mm wide, where the exercise offers {', '.join(f'{d:g}' for d in offered)}; measured as it is"
    return (Remark("diameter-not-offered", name, words),)


def _misplaced(plan: ImplantPlan, prepared: Prepared, name: str) -> tuple[Remark, ...]:
    """Its axis points out of the bone, or it does not stand in it."""
    length = float(np.linalg.norm(plan.apex_mm - plan.entry_mm))
    found = []
    if plan.apex_mm[2] > plan.entry_mm[2]:
        words = "the apex lies on the crown's side of the entry, so that the axis points out of the bone; exchange entry and apex if they were taken for each other"
        found.append(Remark("axis-out-of-bone", name, words))
    assert prepared.subject is not None
    inside = RayCaster(prepared.subject).length_inside_mm(plan.entry_mm, plan.apex_mm)
    if inside < MOSTLY_INSIDE * length:
        words = f"{inside:.1f} mm of the planned implant's {length:.1f} mm lie in the bone; check entry and apex"
        found.append(Remark("plan-outside-bone", name, words))
    return tuple(found)


def plan_bytes(
    exercise: str, plan: ImplantPlan, *, frame: FloatArray, arch_mm: FloatArray | None = None, simulated: bool = False
) -> bytes:
    """A plan as its file.

    Parameters
    ----------
    exercise : str
        Its id.
    plan : ImplantPlan
        In the tooth frame, mm.
    frame : (4, 4) float array
        Carries exercise-file coordinates into the tooth frame.
    arch_mm : (k, 3) float array, optional
        The curve it was planned along, tooth frame.
    simulated : bool
        The file says of itself that nobody planned it.
    """
    back = rigid_inverse(frame)
    ends = _rows(transform_points(back, np.array([plan.entry_mm, plan.apex_mm])))
    lines = [f"# {SIMULATED}"] if simulated else []
    lines += ["format = 1", f'kind = "{KIND}"', f'exercise = "{exercise}"', "", "[implant]"]
    lines += [f"entry = {ends[0]}", f"apex = {ends[1]}", f"diameter_mm = {plan.diameter_mm}"]
    if arch_mm is not None:
        lines += ["", "[drawn]", f"arch = {_rows(transform_points(back, arch_mm))}"]
    return ("\n".join(lines) + "\n").encode()


def _rows(points: FloatArray) -> list[list[float]]:
    """Points as a file holds them: to a micrometre."""
    rows: list[list[float]] = (points.round(3) + 0.0).tolist()
    return rows


def _bytes_of(path: Path, *, name: str, limits: Limits) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(limits.toml_mib * 2**20 + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{name}: cannot be read ({printable(reason, limit=80)}), expected a plan (TOML). Check its path."
        ) from error


def _check_keys(values: Mapping[str, Any], known: tuple[str, ...], needed: tuple[str, ...], *, name: str) -> None:
    unknown = [key for key in values if key not in known]
    if unknown:
        near = nearest(str(unknown[0]), [key for key in known if key not in values])
        hint = f"'{near[0]}', the nearest known one" if near else ", ".join(known)
        raise InputError(
            f"{name}: key '{printable(unknown[0], limit=40)}' is not known, expected {hint}. Correct or remove it."
        )
    lacking = [key for key in needed if key not in values]
    if lacking:
        raise InputError(f"{name}: has no {lacking[0]}, expected {', '.join(needed)}. Add it.")


def _implant(table: object, prepared: Prepared, *, name: str) -> ImplantPlan:
    if not isinstance(table, dict):
        raise InputError(
            f"{name}: implant is no table, expected [implant] with entry, apex and diameter_mm. Correct it."
        )
    keys = ("entry", "apex", "diameter_mm")
    _check_keys(table, keys, keys, name=name)
    ends = [_point(table[key], key, name=name) for key in ("entry", "apex")]
    diameter = table["diameter_mm"]
    if not _is_number(diameter) or not DIAMETER_MM[0] <= diameter <= DIAMETER_MM[1]:
        raise InputError(
            f"{name}: diameter_mm is {shown(diameter)}, expected a number from {DIAMETER_MM[0]:g} to {DIAMETER_MM[1]:g} (mm). Correct it."
        )
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if not LENGTH_MM[0] <= length <= LENGTH_MM[1]:
        raise InputError(
            f"{name}: entry and apex are {length:.3g} mm apart, expected {LENGTH_MM[0]:g} to {LENGTH_MM[1]:g} mm. Correct one of them."
        )
    entry, apex = transform_points(prepared.frame, np.array(ends))
    assert prepared.implant is not None
    away = float(np.linalg.norm(entry - prepared.implant[0]))
    if away > FAR_MM:
        raise InputError(
            f"{name}: entry lies {away:.0f} mm from where the exercise plans one, expected at most {FAR_MM:g} mm, in the coordinates of "
            "the exercise's files. Check that it was planned on this exercise."
        )
    return ImplantPlan(entry, apex, float(diameter))


def _arch(table: object, prepared: Prepared, *, name: str) -> FloatArray:
    if not isinstance(table, dict):
        raise InputError(f"{name}: drawn is no table, expected [drawn] with arch. Correct it.")
    _check_keys(table, ("arch",), ("arch",), name=f"{name}, [drawn]")
    rows = table["arch"]
    if not isinstance(rows, Sequence) or isinstance(rows, str) or not 2 <= len(rows) <= MOST_ARCH_POINTS:
        raise InputError(
            f"{name}: arch is {printable(rows, limit=40)}, expected a list of 2 to {MOST_ARCH_POINTS} points. Correct it or leave [drawn] out."
        )
    return transform_points(prepared.frame, np.array([_point(row, "arch", name=name) for row in rows]))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and bool(np.isfinite(float(value)))


def _point(value: object, key: str, *, name: str) -> FloatArray:
    good = isinstance(value, list) and len(value) == 3 and all(_is_number(v) and abs(v) <= LARGEST_MM for v in value)
    if not good:
        raise InputError(f"{name}: {key} is {printable(value, limit=60)}, expected three numbers (mm). Correct it.")
    return np.array(value, dtype=float)


def plan_piece(path: Path, prepared: Prepared, *, limits: Limits) -> Piece:
    """A learner's plan as a piece: exact, its surface what the plan would leave of the bone."""
    read = read_plan(path, prepared, limits=limits)
    still = Alignment(rigid_inverse(prepared.frame), 0.0, 1.0, np.zeros((6, 6)), 0)
    assert prepared.subject is not None
    left = _left(prepared.subject, read.plan)
    return Piece("plan", read.sha256, left, still, 0.0, 0.0, remarks=read.remarks, plan=read.plan)


def _left(subject: Surface, plan: ImplantPlan) -> Surface:
    """The bone without the planned implant."""
    rod = Cylinder(plan.entry_mm, plan.apex_mm, 0.5 * plan.diameter_mm)
    first, second = perpendiculars(-rod.way)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([first, second, -rod.way])
    matrix[:3, 3] = rod.apex_mm
    tool = Solid.cylinder(rod.radius_mm, rod.length_mm + OUT_OF_BONE_MM).transformed(matrix)
    return difference(Solid.from_surface(subject), tool).surface()
