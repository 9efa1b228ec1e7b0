"""The proximal box: its width, the height of its axial wall, the width of its gingival floor, its clearance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.mesh import submesh
from kerfmark.measurement.budget import alignment_u_mm, effective_count, extreme_of, measured, shared_u_mm, unmeasured
from kerfmark.measurement.cavity.depths import one_box
from kerfmark.measurement.cavity.outline import margin_noise_mm
from kerfmark.measurement.cavity.pit import SIDES, Pit, faces_in
from kerfmark.measurement.surface.floors import Floor
from kerfmark.measurement.surface.margin import FIT_LENGTH_MM, STEP_MM
from kerfmark.records import Component, FloatArray, Reading, Status, Surface, Witness

__all__ = ["axial_wall_height", "box_width", "gingival_floor", "proximal_clearance"]

STEEP = 0.5
OFF_FLOOR_MM, OFF_AXIAL_MM, OFF_RIM_MM = 0.3, 0.25, 0.15
LEAST_FACES = 20
OUTLIER = 3.0
ASIDE_MM, MESH_MM = 0.05, 0.002
FARTHEST_MM = 4.0
SMOOTH = 3
CHOICE_MM = 0.004


@dataclass(frozen=True, slots=True, eq=False)
class BoxShape:
    """A box in the tooth frame, `way` towards its open side.

    Attributes
    ----------
    axial, floor : Floor
        The axial wall in the view from the side, the gingival floor in the view along the axis.
    at_mm : float
        How far along `way` the axial wall lies, at the level of the floor.
    level_mm, height_mm : float
        z of the gingival floor by the axial wall, and of the pulpal floor over it; NaN without a pulpal floor.
    middle_mm : float
        y of the box's middle.
    """

    side: str
    way: FloatArray
    axial: Floor
    floor: Floor
    at_mm: float
    level_mm: float
    height_mm: float
    middle_mm: float


BoxRead: TypeAlias = Callable[[Pit, str, str | None, BoxShape], Reading]


def box_of(pit: Pit, side: str) -> BoxShape | str:
    """The box on a side, or why it has none to measure."""
    axial, floor = pit.axial_wall(side), pit.box_floor(side)
    if isinstance(axial, str):
        return axial
    if isinstance(floor, str):
        return floor
    view, way = pit.seen_from(side), pit.towards(side)
    middle = float(floor.middle_mm[1])
    level = float(floor.middle_mm[2])
    for _ in range(3):
        foot = view.to_view(np.array([[float(way[0]), middle, level]]))[0]
        at = float(axial.plane[0] + (foot[:2] - axial.middle_mm[:2]) @ axial.plane[1:])
        level = _level(floor, at * way[0], middle)
    pulpal = pit.main_floor
    height = math.nan if isinstance(pulpal, str) else _level(pulpal, at * way[0], middle) - level
    return BoxShape(side, way, axial, floor, at, level, height, middle)


def _level(floor: Floor, x: float, y: float) -> float:
    return float(floor.plane[0] + (np.array([x, y]) - floor.middle_mm[:2]) @ floor.plane[1:])


def _of_boxes(pit: Pit, name: str, read: BoxRead) -> tuple[Reading, ...]:
    """A reading for the one box and for each side."""
    readings = []
    for where in (None, *SIDES):
        if pit.cavity_class != 2:
            readings.append(_none(name, where, "only a class II cavity has a box", "not_applicable"))
            continue
        if pit.trouble is not None:
            readings.append(_none(name, where, pit.trouble, "not_measurable"))
            continue
        side = where or one_box(pit)
        if where is not None and where not in pit.open_sides:
            readings.append(_none(name, where, f"the cavity has no box on the {where} side", "not_applicable"))
            continue
        box = box_of(pit, side) if side in pit.open_sides else side
        readings.append(
            _none(name, where, box, "not_measurable") if isinstance(box, str) else read(pit, name, where, box)
        )
    return tuple(readings)


def _none(name: str, where: str | None, reason: str, status: Status) -> Reading:
    return unmeasured(name, reason, unit="mm", where=where, status=status)


def axial_wall_height(pit: Pit) -> tuple[Reading, ...]:
    """From the gingival floor to the pulpal floor, both drawn out to the axial wall, along the axis."""
    return _of_boxes(pit, "cavity.axial_wall_height_mm", _height)


def _height(pit: Pit, name: str, where: str | None, box: BoxShape) -> Reading:
    if math.isnan(box.height_mm):
        return _none(name, where, "the cavity has no pulpal floor to measure to", "not_measurable")
    pulpal = pit.main_floor
    assert not isinstance(pulpal, str)
    low = np.array([box.at_mm * box.way[0], box.middle_mm, box.level_mm])
    rise = np.array([0.0, 0.0, box.height_mm])
    high = low + rise
    budget = (
        Component("surface noise", math.hypot(_floor_noise(pit, box.floor, low), _floor_noise(pit, pulpal, high))),
        Component("trueness", _between_floors(pit, (box.floor, low), (pulpal, high))),
        Component("extent of the floors", CHOICE_MM),
    )
    foot, top = box.floor.middle_mm, pulpal.middle_mm
    beside = low + 0.6 * box.way
    segments = np.array(
        [
            [beside, beside + rise],
            [beside, [*foot[:2], beside[2]]],
            [beside + rise, [*top[:2], beside[2] + box.height_mm]],
        ]
    )
    witness = Witness("length", np.array([low, high]), segments, plane=pit.view.plane(low, box.side))
    return measured(name, box.height_mm, unit="mm", where=where, budget=budget, witness=witness)


def _between_floors(pit: Pit, low: tuple[Floor, FloatArray], high: tuple[Floor, FloatArray]) -> float:
    """A smooth error on the height from one floor's plane to another's, each drawn out to a point."""
    weights = np.concatenate([-_drawn_out(*low), _drawn_out(*high)])
    return shared_u_mm(pit.shared_mm, np.concatenate([low[0].points_mm, high[0].points_mm]), weights)


def _drawn_out(floor: Floor, at: FloatArray) -> FloatArray:
    """(n,) how a floor's best plane at a point answers to each of its own."""
    flat = floor.points_mm[:, :2] - floor.middle_mm[:2]
    spread = flat.T @ flat / len(flat) + 1e-4 * np.eye(2)
    return np.asarray((1.0 + flat @ np.linalg.solve(spread, at[:2] - floor.middle_mm[:2])) / len(flat))


def _floor_noise(pit: Pit, floor: Floor, at: FloatArray) -> float:
    """Of a floor's plane drawn out to a point."""
    count = effective_count(edge_mm=pit.view.bench.edge_mm, area_mm2=floor.area_mm2)
    flat = floor.points_mm[:, :2] - floor.middle_mm[:2]
    spread = np.cov(flat.T) + 1e-4 * np.eye(2)
    away = at[:2] - floor.middle_mm[:2]
    return pit.noise_mm * math.sqrt((1.0 + float(away @ np.linalg.solve(spread, away))) / count)


def gingival_floor(pit: Pit) -> tuple[Reading, ...]:
    """Width of the gingival floor from the axial wall, drawn out to its level, to the proximal face; level."""
    return _of_boxes(pit, "cavity.gingival_floor_mm", _floor_width)


def _floor_width(pit: Pit, name: str, where: str | None, box: BoxShape) -> Reading:
    chosen = pit.margin_towards("gingival", of=box.side)
    if chosen.sum() < 3:
        return _none(name, where, "the box has no gingival margin", "not_measurable")
    rim = pit.margin.points_mm[chosen]
    width = float(np.median(rim @ box.way)) - box.at_mm
    foot = np.array([box.at_mm * box.way[0], box.middle_mm, box.level_mm])
    end = foot + width * box.way
    count = effective_count(edge_mm=pit.view.bench.edge_mm, area_mm2=box.axial.area_mm2)
    budget = (
        Component(
            "surface noise",
            math.hypot(2.0 * pit.noise_mm / math.sqrt(count), pit.noise_mm / math.sqrt(max(1.0, chosen.sum() / 4.0))),
        ),
        Component("trueness", shared_u_mm(pit.shared_mm, foot[None], np.ones(1))),
        Component("alignment", alignment_u_mm(pit.piece.alignment, foot, box.way)),
        Component("choice of the margin's points", CHOICE_MM),
    )
    down = np.array([0.0, 0.0, -0.8])
    segments = np.array([[foot + down, end + down], [foot + down, foot], [end + down, end]])
    witness = Witness("length", rim, segments, plane=pit.view.plane(foot, box.side))
    return measured(name, width, unit="mm", where=where, budget=budget, witness=witness)


def box_width(pit: Pit) -> tuple[Reading, ...]:
    """Between the box's buccal and lingual walls, half way up its axial wall."""
    return _of_boxes(pit, "cavity.box_width_mm", _width)


def _width(pit: Pit, name: str, where: str | None, box: BoxShape) -> Reading:
    height = box.height_mm if math.isfinite(box.height_mm) else 1.5
    level = box.level_mm + 0.5 * height
    walls = {wall: _wall_line(pit, box, wall, level) for wall in ("buccal", "lingual")}
    missing = [wall for wall, found in walls.items() if found is None]
    if missing:
        return _none(name, where, f"the box has no {missing[0]} wall to measure", "not_measurable")
    (one, u_one, spots_one), (two, u_two, spots_two) = (found for found in walls.values() if found is not None)
    width = one - two
    x = _between(pit, box) * box.way[0]
    ends = np.array([[x, one, level], [x, two, level]])
    budget = (
        Component("surface noise", math.hypot(u_one, u_two)),
        Component("trueness", shared_u_mm(pit.shared_mm, ends, np.array([1.0, 1.0]))),
        Component("choice of the walls' faces", CHOICE_MM),
    )
    points = np.vstack([spots_one, spots_two])
    witness = Witness(
        "length", points[:: max(1, len(points) // 300)], ends[None], plane=pit.view.plane(ends.mean(axis=0), "buccal")
    )
    return measured(name, width, unit="mm", where=where, budget=budget, witness=witness)


def _between(pit: Pit, box: BoxShape) -> float:
    """Half way along the open side from the axial wall to the proximal margin."""
    rim = pit.margin.points_mm[pit.margin.outward @ box.way > 0.5] @ box.way
    return box.at_mm + 0.5 * (float(np.median(rim)) - box.at_mm) if len(rim) else box.at_mm + 0.5


def _wall_line(pit: Pit, box: BoxShape, wall: str, level: float) -> tuple[float, float, FloatArray] | None:
    """Y of a box wall at a level and half way out, its uncertainty from noise, and the faces it rests on."""
    faces = pit.seen_from("occlusal").bench.cut
    out = pit.towards(wall)
    height = box.height_mm if math.isfinite(box.height_mm) else 1.5
    along, rise = faces.middles @ box.way, faces.middles[:, 2]
    chosen = (
        (faces.normals @ -out > STEEP) & (along > box.at_mm + OFF_AXIAL_MM) & (rise > box.level_mm + OFF_FLOOR_MM)
        & (rise < box.level_mm + max(height, 0.9))
    )  # fmt: skip
    if chosen.sum() < LEAST_FACES:
        return None
    points, areas = faces.middles[chosen], faces.areas[chosen]
    middle = points.mean(axis=0)
    terms = np.column_stack([np.ones(len(points)), (points - middle) @ box.way, points[:, 2] - middle[2]])
    kept = np.ones(len(points), dtype=bool)
    fit = np.zeros(3)
    for _ in range(5):
        root = np.sqrt(areas[kept])
        fit = np.linalg.lstsq(terms[kept] * root[:, None], points[kept, 1] * root, rcond=None)[0]
        off = np.abs(points[:, 1] - terms @ fit)
        kept = off < OUTLIER * 1.4826 * float(np.median(off[kept])) + 1e-4
    at = np.array([1.0, _between(pit, box) - float(middle @ box.way), level - middle[2]])
    count = effective_count(edge_mm=pit.view.bench.edge_mm, area_mm2=float(areas[kept].sum()))
    spread = np.diag((terms[kept] ** 2).mean(axis=0)[1:])
    lever = 1.0 + float(at[1:] @ np.linalg.solve(spread + 1e-6 * np.eye(2), at[1:]))
    return float(at @ fit), pit.noise_mm * math.sqrt(lever / count), points[kept]


def proximal_clearance(pit: Pit) -> tuple[Reading, ...]:
    """Least gap between the box's margin and the neighbour, on its buccal, lingual and gingival side."""
    name, wheres = "cavity.proximal_clearance_mm", ("buccal", "lingual", "gingival")
    if pit.cavity_class not in (2, 3, 4):
        return tuple(
            _none(name, w, "only a cavity open to a proximal side has a clearance", "not_applicable") for w in wheres
        )
    side = pit.trouble or one_box(pit)
    if side not in pit.open_sides:
        return tuple(_none(name, w, side, "not_measurable") for w in wheres)
    neighbour = pit.piece.neighbours.get(side) or pit.prepared.neighbours.get(side)
    if neighbour is None:
        reason = f"the exercise has no {side} neighbour"
        return tuple(_none(name, w, reason, "not_applicable") for w in wheres)
    return tuple(_clearance(pit, where, side, neighbour) for where in wheres)


def _clearance(pit: Pit, where: str, side: str, neighbour: Surface) -> Reading:
    name = "cavity.proximal_clearance_mm"
    if where == pit.axis_side:
        return _none(name, where, f"the cavity is open to the {where} side", "not_applicable")
    chosen = pit.margin_towards(where, of=side)
    if chosen.sum() < 3:
        return _none(name, where, f"the proximal margin has no {where} part", "not_measurable")
    points = pit.margin.points_mm[chosen]
    tree = _near_part(neighbour, points)
    if tree is None:
        return _none(name, where, f"the neighbour lies over {FARTHEST_MM:g} mm away", "not_measurable")
    foot, gap, _ = tree.query(points, max_distance_mm=FARTHEST_MM)
    known = np.isfinite(gap)
    if not known.any():
        return _none(name, where, f"the neighbour lies over {FARTHEST_MM:g} mm away", "not_measurable")
    smooth = np.where(known, gap, np.inf)
    least = int(np.argmin(smooth))
    around = known & (np.linalg.norm(points - points[least], axis=1) < 0.05 * SMOOTH)
    nearest = float(gap[around].mean())
    way = (foot[least] - points[least]) / max(nearest, 1e-6)
    slope, budget = _clearance_budget(pit, side, tree, around=around, chosen=chosen, way=way)
    beyond, choice = extreme_of(gap[known], slope * margin_noise_mm(pit), alike=FIT_LENGTH_MM / STEP_MM)
    value, budget = nearest + beyond, (choice, *budget)
    across = "buccal" if where in ("buccal", "lingual") else "mesial"
    witness = Witness(
        "length",
        points,
        np.array([[points[least], foot[least]]]),
        plane=pit.seen_from("occlusal").plane(points[least], across if across == "mesial" else side),
    )
    return measured(name, value, unit="mm", where=where, budget=budget, witness=witness)


def _clearance_budget(
    pit: Pit, side: str, tree: ClosestPoint, *, around: NDArray[np.bool_], chosen: NDArray[np.bool_], way: FloatArray
) -> tuple[float, tuple[Component, ...]]:
    """By how much a gap between the margin, which lies on the old surface, and the neighbour opens along it; what beside noise moves it.

    Errors of the scan move the margin along that surface, and the gap by as much as it opens that way; the neighbour moves
    with them only where it was scanned too.
    """
    points, inward = pit.margin.points_mm[chosen][around], pit.margin.inward[chosen][around]
    ends = [tree.query(points + by * inward, max_distance_mm=2.0 * FARTHEST_MM)[1] for by in (-ASIDE_MM, ASIDE_MM)]
    slope = abs(float(np.mean(ends[1] - ends[0]))) / (2.0 * ASIDE_MM)
    found = [
        Component("alignment", slope * alignment_u_mm(pit.piece.alignment, points, inward)),
        Component("trueness", slope * pit.shared_mm),
        Component("triangles of both surfaces", MESH_MM),
    ]
    if pit.piece.neighbours.get(side) is not None:
        across = np.broadcast_to(way, points.shape)
        found.append(Component("neighbour's noise", 0.5 * pit.noise_mm))
        found.append(Component("neighbour's trueness", pit.shared_mm))
        found.append(Component("neighbour's alignment", alignment_u_mm(pit.piece.alignment, points, across)))
    return slope, tuple(found)


def _near_part(surface: Surface, points: FloatArray) -> ClosestPoint | None:
    """The part of a surface that may lie near the points, ready to be asked."""
    low, high = points.min(axis=0) - FARTHEST_MM, points.max(axis=0) + FARTHEST_MM
    part = submesh(surface, faces_in(surface, low, high))
    return ClosestPoint(part) if len(part.faces) else None
