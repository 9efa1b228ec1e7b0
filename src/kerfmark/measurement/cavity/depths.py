"""How deep the floors and the axial wall lie, how flat and how level they are."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeAlias

import numpy as np

from kerfmark.measurement.budget import (
    alignment_u_deg,
    alignment_u_mm,
    effective_count,
    measured,
    shared_u_mm,
    shared_unevenness_mm,
    unmeasured,
)
from kerfmark.measurement.cavity.pit import WALLS, Pit
from kerfmark.measurement.cavity.view import View
from kerfmark.measurement.surface.floors import Floor
from kerfmark.records import Component, FloatArray, Reading, Status, Witness

__all__ = ["axial_depth", "floor_flatness", "floor_tilt", "gingival_depth", "pulpal_depth"]

FLOORS = ("pulpal", "gingival", "axial")
FloorRead: TypeAlias = Callable[[Pit, str, str | None, View, Floor], Reading]
DIRECTIONS = (*WALLS, "occlusal", "gingival")
MIDDLE_MM = 0.5
EDGE_STRIP_MM = 0.35
EXTENT_PART = 0.5
COLUMN_VARIANCE = 0.5
"""Noise variance of a point inside a triangle over that of its corners: mean of a² + b² + c² over a triangle."""
CHOICE_MM = 0.003
"""What the choice of the margin's points puts on the level of their plane, on phantoms without noise."""


def pulpal_depth(pit: Pit) -> tuple[Reading, ...]:
    """From the best plane of the opening's margin to the pulpal floor, at right angles to that plane."""
    name = "cavity.pulpal_depth_mm"
    if pit.cavity_class > 2:
        return _none(
            name, "mm", ("central", *WALLS), f"a class {_roman(pit)} cavity has no pulpal floor", applies=False
        )
    floor = pit.trouble or pit.main_floor
    if isinstance(floor, str):
        return _none(name, "mm", ("central", *WALLS), floor)
    return tuple(
        _depth(pit, name, where, floor, pit.view) for where in ("central", *(w for w in WALLS if w in pit.view.sides))
    )


def gingival_depth(pit: Pit) -> tuple[Reading, ...]:
    """From the level of the opening's margin to the gingival floor, along the axis; without a place, to its middle."""
    name, wheres = "cavity.gingival_depth_mm", (None, "central", *WALLS)
    if pit.cavity_class != 2:
        return _none(name, "mm", wheres, f"a class {_roman(pit)} cavity has no gingival floor of a box", applies=False)
    side = pit.trouble or one_box(pit)
    floor = pit.box_floor(side) if side in pit.open_sides else side
    if isinstance(floor, str):
        return _none(name, "mm", wheres, floor)
    return tuple(_depth(pit, name, where, floor, pit.view, along=True) for where in wheres)


def axial_depth(pit: Pit) -> tuple[Reading, ...]:
    """From the old surface in to the axial wall; without a place, in its middle."""
    name, wheres = "cavity.axial_depth_mm", (None, "central", *DIRECTIONS)
    if pit.cavity_class == 1:
        return _none(name, "mm", wheres, "a class I cavity has no axial wall", applies=False)
    found = pit.trouble or axial_of(pit)
    if isinstance(found, str):
        return _none(name, "mm", wheres, found)
    view, floor = found
    deep = pit.depth_below(view, floor.points_mm)
    return tuple(
        _axial(pit, where, floor, view, deep) for where in wheres if where in (None, "central") or where in view.sides
    )


def axial_of(pit: Pit) -> tuple[View, Floor] | str:
    """The axial wall and the view it is looked at in: of a class V along the axis, of the others from the box's side."""
    if pit.cavity_class == 5:
        return pit.main_floor if isinstance(pit.main_floor, str) else (pit.view, pit.main_floor)
    side = one_box(pit)
    if side not in pit.open_sides:
        return side
    wall = pit.axial_wall(side)
    return wall if isinstance(wall, str) else (pit.seen_from(side), wall)


def one_box(pit: Pit) -> str:
    """The one open side, or why there is not one."""
    if not pit.open_sides:
        return "the cavity is not open to a proximal side"
    return pit.open_sides[0] if len(pit.open_sides) == 1 else "the cavity has two boxes, and this reading is of one"


def _none(
    name: str, unit: str, wheres: tuple[str | None, ...], reason: str, *, applies: bool = True
) -> tuple[Reading, ...]:
    status: Status = "not_measurable" if applies else "not_applicable"
    return tuple(unmeasured(name, reason, unit=unit, where=where, status=status) for where in wheres)


def _roman(pit: Pit) -> str:
    return ("I", "II", "III", "IV", "V")[pit.cavity_class - 1]


def _near(floor: Floor, view: View, where: str | None) -> FloatArray:
    """(n,) which of a floor's columns a place stands for: its middle, or the strip along a wall."""
    flat = floor.points_mm[:, :2] - floor.middle_mm[:2]
    if where in (None, "central"):
        away = np.hypot(*flat.T)
        return np.asarray(
            away < max(MIDDLE_MM, 0.25 * math.sqrt(floor.area_mm2), float(np.percentile(away, 10)) + 1e-9)
        )
    way = view.sides[where][:2]
    along, across = flat @ way, flat @ np.array([-way[1], way[0]])
    middle = np.abs(across) < np.percentile(np.abs(across), 60)
    edge = along[middle].max() if middle.any() else along.max()
    return np.asarray(middle & (along > edge - EDGE_STRIP_MM))


def _depth(pit: Pit, name: str, where: str | None, floor: Floor, view: View, *, along: bool = False) -> Reading:
    """Depth of a place on a floor below the margin's plane."""
    near = _near(floor, view, where)
    plane = pit.margin_plane
    central = where in (None, "central")
    point = _on_plane(floor, floor.points_mm[near].mean(axis=0) if not central else floor.middle_mm)
    normal = np.array([0.0, 0.0, 1.0]) if along else plane.normal
    level = float((plane.middle_mm - point) @ plane.normal / (normal @ plane.normal))
    area = floor.area_mm2 if central else near.mean() * floor.area_mm2
    some = floor.points_mm if central else floor.points_mm[near]
    budget = (
        Component(
            "surface noise", pit.noise_mm / math.sqrt(effective_count(edge_mm=view.bench.edge_mm, area_mm2=area))
        ),
        Component("trueness", _shared(pit, some)),
        Component("alignment", alignment_u_mm(view.bench.piece.alignment, point, normal)),
        Component("plane of the margin", _plane_u(pit)),
        Component(
            "extent of the floor", EXTENT_PART * abs(floor.change(floor.depths_mm, np.mean)) if central else CHOICE_MM
        ),
    )
    top = point + level * normal
    across = "buccal" if where in (None, "central", "buccal", "lingual") and "buccal" in view.sides else "mesial"
    witness = Witness(
        "length", points_mm=_thinned(some), segments_mm=np.array([[point, top], *_extension(pit, top, across)]),
        plane=view.plane(floor.middle_mm if central else point, across),
    )  # fmt: skip
    return measured(name, level, unit="mm", where=where, budget=budget, witness=view.witness(witness))


def _extension(pit: Pit, top: FloatArray, across: str) -> list[FloatArray]:
    """From the top of a depth along the margin's plane to the margin, as an extension line."""
    way = pit.view.sides.get(across)
    if way is None:
        return []
    points = pit.view.to_view(pit.margin.points_mm)
    reach = float(((points - top) @ way).max())
    flat = way - (way @ pit.margin_plane.normal) * pit.margin_plane.normal
    return [np.array([top, top + 0.9 * reach * flat / np.linalg.norm(flat)])]


def _on_plane(floor: Floor, point: FloatArray) -> FloatArray:
    level = floor.plane[0] + (point[:2] - floor.middle_mm[:2]) @ floor.plane[1:]
    return np.array([point[0], point[1], level])


def _plane_u(pit: Pit) -> float:
    """Of the margin's level: its points shift along the old surface's slope by what noise and alignment shift a wall."""
    outward = pit.margin.outward[pit.is_opening]
    slope = np.sqrt(np.maximum(1.0 / np.maximum(outward @ pit.axis, 0.3) ** 2 - 1.0, 0.0))
    shift = math.hypot(pit.noise_mm, float(np.sqrt(np.diag(pit.piece.alignment.covariance)[3:].max())))
    count = max(1.0, pit.margins[0].length_mm / 0.4)
    return math.hypot(shift * float(slope.mean()) / math.sqrt(count) if len(slope) else 0.0, CHOICE_MM)


def _axial(pit: Pit, where: str | None, floor: Floor, view: View, deep: FloatArray) -> Reading:
    """Distance of a place on the axial wall to the old surface."""
    near = _near(floor, view, where)
    value = float(np.mean(deep[near])) if near.any() else math.nan
    point = floor.points_mm[near].mean(axis=0) if near.any() else floor.middle_mm
    area = float(near.mean()) * floor.area_mm2
    up = np.array([0.0, 0.0, 1.0])
    budget = (
        Component(
            "surface noise", pit.noise_mm / math.sqrt(effective_count(edge_mm=view.bench.edge_mm, area_mm2=area))
        ),
        Component("trueness", _shared(pit, floor.points_mm[near])),
        Component("alignment", alignment_u_mm(view.bench.piece.alignment, point, up)),
        Component("place on the wall", CHOICE_MM),
    )
    across = _across_of(where, view)
    witness = Witness(
        "length",
        _thinned(floor.points_mm[near]),
        np.array([[point, point + value * up]]),
        plane=view.plane(point, across),
    )
    return measured(
        "cavity.axial_depth_mm", value, unit="mm", where=where, budget=budget, witness=view.witness(witness)
    )


def _across_of(where: str | None, view: View) -> str:
    """Which side lies across the section that shows a place."""
    if where in view.sides:
        return str(where)
    return "occlusal" if "occlusal" in view.sides else "buccal"


def floor_flatness(pit: Pit) -> tuple[Reading, ...]:
    """RMS height of a floor off its best plane, the source's noise variance taken off; without a place, of the main one."""
    return _of_each_floor(pit, "cavity.floor_flatness_um", "um", _flatness)


def floor_tilt(pit: Pit) -> tuple[Reading, ...]:
    """Tilt of a floor's best plane against the plane at right angles to the axis; without a place, of the main one."""
    return _of_each_floor(pit, "cavity.floor_tilt_deg", "deg", _tilt)


def _of_each_floor(pit: Pit, name: str, unit: str, read: FloorRead) -> tuple[Reading, ...]:
    readings: list[Reading] = []
    for where in (None, *FLOORS):
        found = pit.trouble or _named_floor(pit, where)
        if isinstance(found, str):
            applies = pit.trouble is not None or not found.startswith("a class")
            readings += _none(name, unit, (where,), found, applies=applies)
        else:
            readings.append(read(pit, name, where, *found))
    return tuple(readings)


def _named_floor(pit: Pit, where: str | None) -> tuple[View, Floor] | str:
    has = {1: ("pulpal",), 2: ("pulpal", "gingival"), 3: ("axial",), 4: ("axial",), 5: ("axial",)}[pit.cavity_class]
    word = where or has[0]
    if word not in has:
        return f"a class {_roman(pit)} cavity has no {word} floor"
    if word == "axial":
        return axial_of(pit)
    floor = pit.main_floor
    if word == "gingival":
        side = one_box(pit)
        floor = pit.box_floor(side) if side in pit.open_sides else side
    return floor if isinstance(floor, str) else (pit.view, floor)


def _flatness(pit: Pit, name: str, where: str | None, view: View, floor: Floor) -> Reading:
    off_um = 1e3 * floor.off_plane_mm()
    count = effective_count(edge_mm=view.bench.edge_mm, area_mm2=floor.area_mm2)
    noise = COLUMN_VARIANCE * pit.piece.noise_um**2
    square = float((off_um**2).mean()) - noise * (1.0 - 3.0 / count)
    flatness = math.sqrt(max(square, 0.0))
    slack = noise * math.sqrt(2.0 / count)
    budget = (
        Component("surface noise", pit.piece.noise_um / math.sqrt(count)),
        Component("extent of the floor", EXTENT_PART * abs(floor.change(off_um, np.std))),
        Component("noise taken off", slack / math.sqrt(flatness**2 + slack) if slack else 0.0),
        Component("trueness", 1e3 * shared_unevenness_mm(pit.shared_mm, floor.points_mm)),
    )
    witness = view.witness(Witness("patch", points_mm=_thinned(floor.points_mm)))
    return measured(name, flatness, unit="um", where=where, budget=budget, witness=witness)


def _tilt(pit: Pit, name: str, where: str | None, view: View, floor: Floor) -> Reading:
    slope = float(np.hypot(*floor.plane[1:]))
    tilt = math.degrees(math.atan(slope))
    spread = (
        float(np.sqrt(np.linalg.eigvalsh(np.cov(floor.points_mm[:, :2].T))[0])) if len(floor.points_mm) > 3 else 0.1
    )
    count = effective_count(edge_mm=view.bench.edge_mm, area_mm2=floor.area_mm2)
    noise = math.degrees(pit.noise_mm / (math.sqrt(count) * max(spread, 0.05)))
    way = floor.plane[1:] / slope if slope > 1e-9 else np.array([1.0, 0.0])
    flat = (floor.points_mm[:, :2] - floor.middle_mm[:2]) @ way
    some = slice(None, None, max(1, len(flat) // 100))
    weights = flat[some] / max(float((flat[some] ** 2).sum()), 1e-9)
    budget = (
        Component("surface noise", noise),
        Component("trueness", math.degrees(shared_u_mm(pit.shared_mm, floor.points_mm[some], weights))),
        Component("alignment", alignment_u_deg(view.bench.piece.alignment, np.array([-way[1], way[0], 0.0]))),
    )
    reach = 0.5 * float(np.ptp(flat))
    middle = floor.middle_mm
    along = np.array([middle - reach * np.append(way, slope), middle + reach * np.append(way, slope)])
    level = np.array([along[0], along[0] + 2.0 * reach * np.append(way, 0.0)])
    witness = view.witness(Witness("angle", _thinned(floor.points_mm), np.array([along, level])))
    return measured(name, tilt, unit="deg", where=where, budget=budget, witness=witness)


def _shared(pit: Pit, points: FloatArray) -> float:
    """A source's smooth error over some points of a floor."""
    some = points[:: max(1, len(points) // 100)]
    return shared_u_mm(pit.shared_mm, some, np.full(len(some), 1.0 / max(len(some), 1)))


def _thinned(points: FloatArray, most: int = 400) -> FloatArray:
    return points[:: max(1, len(points) // most)]
