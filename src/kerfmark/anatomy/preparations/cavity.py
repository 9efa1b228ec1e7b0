"""A cavity of class I to V cut into a tooth as an exact boolean of solids, from numbers, with the truth known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from kerfmark.anatomy.preparations.bevel import bevel_solid
from kerfmark.anatomy.preparations.outlines import Outline, Rounded, outline_curve
from kerfmark.anatomy.preparations.pits import floor_at, pit
from kerfmark.errors import InputError
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.frames import looking_frame, rigid_inverse, transform_points
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import boundary_loops, bounds_mm, face_normals, submesh, transformed
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["Bevel", "Box", "CavityPlan", "CutCavity", "cut_cavity", "facing_frame"]

Facing = Literal["occlusal", "facial", "lingual"]
ABOVE_MM, BELOW_MM = 1.0, 1.5
ROUNDS = 4
SAME_MM = 1e-5
OPENING_COSINE = 0.5
"""The opening's part of the old surface faces within 60° of the cavity's axis."""


@dataclass(frozen=True, slots=True)
class Box:
    """The proximal box of a class II, in the tooth frame.

    Attributes
    ----------
    side : {'mesial', 'distal'}
    middle_mm : float
        Its middle along y.
    width_mm : float
        Buccolingual, at its floor.
    axial_mm : float
        How far its axial wall lies from the long axis, towards `side`, at the floor.
    height_mm : float
        From its gingival floor up to the pulpal floor.
    wall_deg : float
        Lean of its buccal and lingual walls, + divergent outwards.
    axial_deg : float
        Lean of its axial wall; + away from the box, towards the pulp, as it rises.
    radius_mm : float
        Of the angle between its floor and its walls.
    corner_mm : float
        Of its upright line angles.
    """

    side: Literal["mesial", "distal"]
    middle_mm: float
    width_mm: float
    axial_mm: float
    height_mm: float
    wall_deg: float = 0.0
    axial_deg: float = 0.0
    radius_mm: float = 0.2
    corner_mm: float = 0.45


@dataclass(frozen=True, slots=True)
class Bevel:
    """A bevel round the opening: its width along its face, and the angle between its face and the old surface."""

    width_mm: float
    angle_deg: float


@dataclass(frozen=True, slots=True)
class CavityPlan:
    """A cavity as numbers.

    Attributes
    ----------
    outline : Outline
        Where walls and floor would meet, in the frame looked at from `facing` (`facing_frame`).
    depth_mm : float
        From the best plane of the opening's margin to the floor in the outline's middle; with `floor` `follows`, below
        the old surface everywhere.
    facing : {'occlusal', 'facial', 'lingual'}
        Where the cavity opens to.
    floor : {'flat', 'follows', 'level'}
        A plane at right angles to the axis before its tilt; the old surface's own form; or a plane at `depth_mm` itself.
    wall_deg : side → degrees
        Lean of the walls towards +x, −x, +y, −y of that frame (`right`, `left`, `up`, `down`), + divergent outwards.
    tilt_deg, tilt_azimuth_deg : float
        The floor's tilt, rising towards this azimuth from `right` to `up`.
    radius_mm : float
        Of the internal line angles.
    box, bevel : Box or Bevel, optional
    """

    outline: Outline
    depth_mm: float
    facing: Facing = "occlusal"
    floor: Literal["flat", "follows", "level"] = "flat"
    wall_deg: Mapping[str, float] = field(default_factory=dict)
    tilt_deg: float = 0.0
    tilt_azimuth_deg: float = 0.0
    radius_mm: float = 0.3
    box: Box | None = None
    bevel: Bevel | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CutCavity:
    """The cut tooth, with what is true of it by construction.

    Attributes
    ----------
    surface : Surface
        Closed, tooth frame.
    tool : Solid
        What was taken away, standing proud of the tooth; tooth frame.
    margin_mm : tuple of (k, 3) float arrays
        The cavosurface margin's closed curves, longest first, tooth frame.
    floor : (3,) float array
        Its plane in the frame looked at; NaN where it follows the surface.
    frame : (4, 4) float array
        From the tooth frame into that one.
    plan : CavityPlan
    """

    surface: Surface
    tool: Solid
    margin_mm: tuple[FloatArray, ...]
    floor: FloatArray
    frame: FloatArray
    plan: CavityPlan


def facing_frame(facing: str) -> FloatArray:
    """The frame a cavity is looked at in: from above, or from the facial or lingual side with occlusal upwards."""
    towards = {"occlusal": [0, 0, 1], "facial": [0, 1, 0], "lingual": [0, -1, 0]}[facing]
    return looking_frame(towards, up=[0, 1, 0] if facing == "occlusal" else [0, 0, 1])


def cut_cavity(subject: Surface, plan: CavityPlan, *, mesial_sign: int) -> CutCavity:
    """Cut a cavity into a tooth or a block.

    Parameters
    ----------
    subject : Surface
        Closed, tooth frame.
    plan : CavityPlan
    mesial_sign : int
        +1 where mesial lies on +x.

    Raises
    ------
    InputError
        If the outline lies beside the tooth, or nothing is left to call a wall.
    """
    frame = facing_frame(plan.facing)
    seen = transformed(subject, frame)
    corners, normals = outline_curve(plan.outline)
    lean = _leans(plan, normals)
    top = float(bounds_mm(seen)[1, 2]) + ABOVE_MM
    if plan.floor == "follows":
        floor, tool = np.full(3, np.nan), _following(seen, plan, corners, normals, lean, top)
    else:
        floor = _floor(seen, plan, corners, normals, lean)
        tool = pit(corners, normals, floor=floor, lean_deg=lean, radius_mm=plan.radius_mm, top_mm=top)
    if plan.box is not None:
        tool = union(tool, _box_solid(plan.box, floor, mesial_sign, top))
    if plan.bevel is not None:
        tool = union(tool, bevel_solid(seen, tool, width_mm=plan.bevel.width_mm, angle_deg=plan.bevel.angle_deg))
    back = rigid_inverse(frame)
    cut = transformed(difference(Solid.from_surface(seen), tool).surface(), back)
    return CutCavity(cut, tool.transformed(back), exact_margin(cut, subject), floor, frame, plan)


def _leans(plan: CavityPlan, normals: FloatArray) -> FloatArray:
    """A wall's lean at each outline point: exact where it faces a side, cos² between."""
    sides = {"right": (1.0, 0.0), "left": (-1.0, 0.0), "up": (0.0, 1.0), "down": (0.0, -1.0)}
    total = np.zeros(len(normals))
    for side, way in sides.items():
        total += plan.wall_deg.get(side, 0.0) * np.maximum(normals @ np.array(way), 0.0) ** 2
    return total


def _floor(seen: Surface, plan: CavityPlan, corners: FloatArray, normals: FloatArray, lean: FloatArray) -> FloatArray:
    """The floor's plane, so deep that from the plane of the margin to its middle it is as deep as planned."""
    slope = np.tan(np.radians(plan.tilt_deg)) * np.array(
        [np.cos(np.radians(plan.tilt_azimuth_deg)), np.sin(np.radians(plan.tilt_azimuth_deg))]
    )
    middle = corners.mean(axis=0)
    if plan.floor == "level":
        return np.array([plan.depth_mm - middle @ slope, *slope])
    caster, faces = RayCaster(seen), face_normals(seen)
    level = 0.0
    for _ in range(ROUNDS):
        floor = np.array([level - middle @ slope, *slope])
        margin, opening = _margin_by_rays(caster, faces, floor, corners, normals, lean)
        if opening.sum() < 3:
            raise InputError(
                "cavity plan: its outline lies beside the tooth, expected it on the opening's side. Move it."
            )
        plane = np.linalg.lstsq(
            np.column_stack([np.ones(opening.sum()), margin[opening, :2]]), margin[opening, 2], rcond=None
        )[0]
        level = float(floor_at(plane, middle[None])[0] - plan.depth_mm * np.sqrt(1.0 + plane[1:] @ plane[1:]))
    return np.array([level - middle @ slope, *slope])


def _margin_by_rays(
    caster: RayCaster, faces: FloatArray, floor: FloatArray, corners: FloatArray, normals: FloatArray, lean: FloatArray
) -> tuple[FloatArray, np.ndarray]:
    """Where each wall leaves the tooth, and whether that is on the side it opens to."""
    way = np.column_stack([np.tan(np.radians(lean))[:, None] * normals, np.ones(len(lean))])
    start = np.column_stack([corners, floor_at(floor, corners)])
    start[:, 2] = np.maximum(start[:, 2], -2.0) if np.allclose(floor, 0.0) else start[:, 2]
    length, face = caster.first_hit(start, way, max_mm=30.0)
    found = start + np.nan_to_num(length)[:, None] * way / np.linalg.norm(way, axis=1, keepdims=True)
    return found, np.isfinite(length) & (faces[face, 2] > OPENING_COSINE)


def _following(
    seen: Surface, plan: CavityPlan, corners: FloatArray, normals: FloatArray, lean: FloatArray, top: float
) -> Solid:
    """A pit whose floor lies as deep as planned below the old surface everywhere."""
    length, _ = RayCaster(seen).first_hit([[*corners.mean(axis=0), top]], [0, 0, -1])
    level = (
        top - float(np.nan_to_num(length[0], nan=ABOVE_MM)) - plan.depth_mm
    )  # the outline's own, in the floor's middle
    below = corners - BELOW_MM * np.tan(np.radians(lean))[:, None] * normals
    walls = pit(below, normals, floor=np.array([level - BELOW_MM, 0.0, 0.0]), lean_deg=lean, radius_mm=0.02, top_mm=top)
    box = np.array([[*corners.min(axis=0) - 1.0, top - ABOVE_MM - 5.0], [*corners.max(axis=0) + 1.0, top]])
    deep = distance_grid(seen, spacing_mm=0.1, band_mm=plan.depth_mm + 1.0, bounds_mm=box)
    values = np.pad(-deep.values - np.float32(plan.depth_mm), 1, constant_values=1.0)
    shell = surface_of(Grid(deep.origin_mm - deep.spacing_mm, deep.spacing_mm, values))
    return intersection(walls, Solid.from_surface(shell))


def _box_solid(box: Box, floor: FloatArray, mesial_sign: int, top: float) -> Solid:
    """What a proximal box takes away, in the tooth frame."""
    sign = mesial_sign if box.side == "mesial" else -mesial_sign
    inner, outer = sign * box.axial_mm, sign * (box.axial_mm + 6.0)
    half = 0.5 * box.width_mm
    corners, normals = outline_curve(
        Rounded(
            (min(inner, outer), box.middle_mm - half),
            (max(inner, outer), box.middle_mm + half),
            max(box.corner_mm, 0.05),
        )
    )
    axial = np.maximum(-sign * normals[:, 0], 0.0) ** 2
    lean = box.wall_deg * normals[:, 1] ** 2 + box.axial_deg * axial
    level = float(floor_at(floor, np.array([[inner, box.middle_mm]]))[0]) - box.height_mm
    return pit(
        corners,
        normals,
        floor=np.array([level, 0.0, 0.0]),
        lean_deg=lean,
        radius_mm=max(box.radius_mm, 0.02),
        top_mm=top,
    )


def exact_margin(cut: Surface, subject: Surface) -> tuple[FloatArray, ...]:
    """The closed curves that part what is left of the old surface from what was cut, longest first."""
    middles = cut.vertices_mm[cut.faces].mean(axis=1)
    off = ClosestPoint(subject).query(middles, max_distance_mm=10.0 * SAME_MM)[1]
    new = ~(off < SAME_MM)
    return boundary_loops(submesh(cut, new)) if new.any() else ()


def carried(points_mm: FloatArray, frame: FloatArray) -> FloatArray:
    """Points into the frame a cavity is looked at in."""
    return transform_points(frame, points_mm)
