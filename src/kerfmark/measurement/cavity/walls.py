"""How the walls lean, what angle they make with the old surface, and how their feet are rounded."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.mesh import face_areas_mm2
from kerfmark.measurement.budget import alignment_u_deg, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.cavity.bevels import bevel_depth_mm
from kerfmark.measurement.cavity.depths import axial_of, one_box
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.measurement.cavity.rim import WallEdge, nearest_of, straight_below
from kerfmark.measurement.cavity.view import View
from kerfmark.measurement.surface.floors import Floor
from kerfmark.records import Component, FloatArray, IntArray, Reading, Surface, Witness

__all__ = ["cavosurface_angle", "internal_radius", "wall_angle"]

WHERES = ("buccal", "lingual", "mesial", "distal", "occlusal", "gingival", "pulpal", "axial")
WITHIN = math.cos(math.radians(15.0))
STEEP = 0.75
UP = np.array([0.0, 0.0, 1.0])
STEADY_MM, STEADY_NOISE_MM = 0.25, 0.008
OFF_FLOOR_MM, OFF_RIM_MM, SHALLOWEST_MM = 0.35, 0.2, 0.3
OFF_BEVEL_NOISE = 2.5
LEAST_OFF_FLOOR_MM, MOST_OFF_FLOOR_MM, HIDING = 0.2, 0.75, 4.0
"""A wall is read from 0.2 mm over its floor, and by four times the noise higher, up to 0.35 mm: noise hides a rounded foot."""
STRIP_MM, STEP_OFF_MM, LEAST_MORE_DEG = 0.15, 0.05, 0.5
LEAST_BAND_MM, LEAST_AREA_MM2 = 0.25, 0.12
CHOICE_DEG = 0.03
STRETCH_MM, STEADY_DEG = 0.4, 0.1
LONG_WALL_MM, END_MM = 1.6, 0.3
STRETCH_NOISE = 0.5
"""Lean (radians) of 0.4 mm of a wall a millimetre high, for each mm of noise: √(12 / n), n = 46 points of 0.1 mm triangles."""
LEAST_STATIONS = 5
LARGEST_RADIUS_MM = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class Lean:
    """How one wall leans from the axis: degrees, + divergent; the faces it rests on and a line down its middle, in the view."""

    deg: float
    outward: FloatArray
    points_mm: FloatArray
    segment_mm: FloatArray
    area_mm2: float
    height_mm: float


def wall_angle(pit: Pit) -> tuple[Reading, ...]:
    """Each wall against the cavity's axis, + divergent towards the opening."""
    name = "cavity.wall_angle_deg"
    if pit.trouble is not None:
        return tuple(unmeasured(name, pit.trouble, unit="deg", where=where) for where in WHERES)
    readings = []
    for where in WHERES:
        lean = _axial_lean(pit) if where == "axial" else _lean(pit, where)
        if isinstance(lean, str):
            status = (
                "not_applicable" if lean.startswith("the cavity is") or lean.startswith("a floor") else "not_measurable"
            )
            readings.append(unmeasured(name, lean, unit="deg", where=where, status=status))  # type: ignore[arg-type]
        else:
            readings.append(_lean_reading(pit, name, where, lean))
    return tuple(readings)


def _lean(pit: Pit, where: str) -> Lean | str:
    view = pit.view
    if where not in view.sides:
        return "a floor is read by its tilt" if where == "pulpal" else f"the cavity is open to the {where} side"
    if where in pit.open_sides:
        return f"the cavity is open to the {where} side"
    return _lean_on_floor(pit, where)


def _lean_on_floor(pit: Pit, where: str) -> Lean | str:
    """The lean of the wall on a side over the main floor, outside the box; found once."""
    leans: dict[str, Lean | str] = pit.kept.setdefault("leans", {})
    if where not in leans:
        leans[where] = lean_of(pit, pit.view, where, pit.main_floor, outside_box=True)
    return leans[where]


def lean_of(pit: Pit, view: View, where: str, floor: Floor | str, *, outside_box: bool = False) -> Lean | str:
    """The lean of the wall on a side of a view, read between its floor and its rim.

    Notes
    -----
    ∫ w n dA over a wall with weights w that fall to 0 at its foot and rim, in parts along the axis and outwards: for a
    parabola that is the slope of the least-squares line through every section, whatever way the wall bends round.
    """
    bench, out = view.bench, view.sides[where]
    faces = bench.cut
    steady = _steady(pit, view)
    level = np.hypot(steady[:, 0], steady[:, 1])
    chosen = (np.abs(steady[:, 2]) < STEEP) & (steady @ -out > WITHIN * np.maximum(level, 1e-9))
    if outside_box:
        chosen &= ~_in_box(pit, view, faces.middles)
    if faces.areas[chosen].sum() < LEAST_AREA_MM2:
        return f"the cavity has no {where} wall to measure"
    middles, normals, areas = faces.middles[chosen], faces.normals[chosen], faces.areas[chosen]
    flat = steady[chosen] * [1.0, 1.0, 0.0]
    across = -flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
    foot, high = _foot(floor, middles), _rim(pit, view, middles) - OFF_RIM_MM
    steep = (areas[:, None] * np.column_stack([normals[:, 2], -(normals * across).sum(axis=1)])).T
    low = foot + _off_floor(
        steep, areas, middles[:, 2] - foot, high - foot, noise_mm=pit.noise_mm, edge_mm=bench.edge_mm
    )
    share = (middles[:, 2] - low) / np.maximum(high - low, 1e-6)
    kept = (high - low > LEAST_BAND_MM) & (share > 0.0) & (share < 1.0)
    area = float(areas[kept].sum())
    if area < LEAST_AREA_MM2:
        return f"the {where} wall is too low to measure"
    weight = np.where(kept, share * (1.0 - share) * areas, 0.0)
    kept[kept] = _alike(weight[kept], normals[kept], across[kept], middles[kept] @ np.cross(out, UP), pit.noise_mm)
    middles, areas, weight, across = middles[kept], areas[kept], weight[kept], across[kept]
    rise, run = float(weight @ normals[kept][:, 2]), float(weight @ -(normals[kept] * across).sum(axis=1))
    lean = math.degrees(math.atan2(rise, run))
    height = float(np.average((high - low)[kept], weights=weight))
    area = float(areas.sum())
    middle = np.average(middles, axis=0, weights=areas)
    near = (
        np.linalg.norm((middles - middle)[:, :2] - ((middles - middle)[:, :2] @ out[:2])[:, None] * out[:2], axis=1)
        < 0.5
    )
    middle = np.average(middles[near], axis=0, weights=areas[near]) if near.any() else middle
    slope = np.append(math.tan(math.radians(lean)) * out[:2], 1.0)
    segment = np.array([middle - 0.5 * height * slope, middle + 0.5 * height * slope])
    return Lean(lean, out, middles, segment, area, height)


def _off_floor(
    steep: FloatArray, areas: FloatArray, height: FloatArray, rim: FloatArray, *, noise_mm: float, edge_mm: float
) -> float:
    """How far above its floor a wall is straight: where its lowest 0.15 mm lean outwards beyond noise its rounded foot goes on.

    `steep` (2, n) are the faces' areas upwards and into the cut; `height` and `rim` their heights and the rim's over the floor.
    """
    off = min(LEAST_OFF_FLOOR_MM + HIDING * noise_mm, OFF_FLOOR_MM)
    while off < MOST_OFF_FLOOR_MM and float(np.median(rim)) - off > 2.0 * LEAST_BAND_MM:
        strip, above = (height > off) & (height < off + STRIP_MM), (height > off + STRIP_MM) & (height < rim)
        if not strip.any() or not above.any():
            break
        (low_rise, low_run), (rise, run) = steep[:, strip].sum(axis=1), steep[:, above].sum(axis=1)
        count = effective_count(edge_mm=edge_mm, area_mm2=float(areas[strip].sum()))
        sure = math.degrees(noise_mm * math.sqrt(12.0 / max(count, 2.0)) / STRIP_MM)
        more = math.degrees(math.atan2(low_rise, low_run) - math.atan2(rise, run))
        if more < max(2.5 * sure, LEAST_MORE_DEG):
            break
        off += STEP_OFF_MM
    return off


def _alike(
    weight: FloatArray, normals: FloatArray, across: FloatArray, place: FloatArray, noise_mm: float
) -> NDArray[np.bool_]:
    """(n,) faces whose stretch of 0.4 mm of the wall leans as the middle of all its stretches does, within noise.

    At a wall's ends its faces turn into the next wall's, and lean with it: of a long wall they are left out.
    """
    stretch = np.floor((place - place.min()) / STRETCH_MM).astype(np.int64)
    rise = np.bincount(stretch, weight * normals[:, 2])
    run = np.bincount(stretch, weight * -(normals * across).sum(axis=1))
    whole = np.bincount(stretch, weight)
    known = whole > 0.25 * whole.max()
    lean = np.degrees(np.arctan2(rise, run))
    usual = float(np.median(lean[known]))
    sure = math.degrees(noise_mm * STRETCH_NOISE)
    alike = np.asarray((np.abs(lean - usual) < 2.5 * math.hypot(sure, STEADY_DEG))[stretch])
    ends = np.minimum(place - place.min(), place.max() - place)
    if float(np.ptp(place)) > LONG_WALL_MM:
        alike &= ends > END_MM
    return alike if weight[alike].sum() > 0.5 * weight.sum() else np.ones(len(weight), dtype=bool)


def _steady(pit: Pit, view: View) -> FloatArray:
    """The cut faces' averaged normals in a view, made once."""
    key = f"steady {view.side}"
    if key not in pit.kept:
        surface, chosen = view.bench.piece.surface, np.flatnonzero(view.bench.is_cut)
        # Where noise turns single faces off a wall, holes and jags of what is left of it turn the wall: the rougher, the wider the mean.
        rounds = max(2, round(STEADY_MM / view.bench.edge_mm), round(pit.noise_mm / STEADY_NOISE_MM))
        steady = _averaged(surface, surface.faces[chosen], rounds=rounds)
        pit.kept[key] = steady[face_areas_mm2(surface)[chosen] > 0.0]
    found: FloatArray = pit.kept[key]
    return found


def _in_box(pit: Pit, view: View, points: FloatArray) -> NDArray[np.bool_]:
    """Which points of the axis view lie in the box of a class II: beyond its axial wall."""
    inside = np.zeros(len(points), dtype=bool)
    if pit.cavity_class != 2:
        return inside
    for side in pit.open_sides:
        wall = pit.axial_wall(side)
        floor = pit.box_floor(side)
        at = float(wall.middle_mm[2]) if not isinstance(wall, str) else np.inf
        if isinstance(wall, str) and not isinstance(floor, str):
            at = float((floor.points_mm @ view.sides[side]).min()) - 0.2
        inside |= points @ view.sides[side] > at - 0.25
    return inside


def _foot(floor: Floor | str, points: FloatArray) -> FloatArray:
    """(n,) level of the floor under each point; of no floor the lowest of the points."""
    if isinstance(floor, str):
        return np.full(len(points), float(np.percentile(points[:, 2], 2)))
    flat = points[:, :2] - floor.middle_mm[:2]
    near = _bent(floor)
    if near is None:
        return np.asarray(floor.plane[0] + flat @ floor.plane[1:])
    x, y = flat.T
    return np.asarray(np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y]) @ near)


def _bent(floor: Floor) -> FloatArray | None:
    """A floor as a surface of second order, where a plane departs from it; None where the plane will do."""
    if float(np.std(floor.off_plane_mm())) < 0.03:
        return None
    x, y = (floor.points_mm[:, :2] - floor.middle_mm[:2]).T
    terms = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    return np.asarray(np.linalg.lstsq(terms, floor.points_mm[:, 2], rcond=None)[0])


def _rim(pit: Pit, view: View, points: FloatArray) -> FloatArray:
    """(n,) level of the margin nearest to each point, seen along the view."""
    margin = view.to_view(pit.margin.points_mm)[::2]
    return np.asarray(margin[nearest_of(points[:, :2], margin[:, :2]), 2])


def _averaged(surface: Surface, faces: IntArray, *, rounds: int) -> FloatArray:
    """Unit normals of some faces, each averaged with its neighbours' round after round, against noise; by area."""
    used, corner = np.unique(faces, return_inverse=True)
    corner = corner.reshape(-1, 3)
    a, b, c = (surface.vertices_mm[faces[:, k]] for k in range(3))
    vectors = np.cross(b - a, c - a)
    for _ in range(rounds):
        at_corners = np.column_stack([np.bincount(corner.ravel(), np.repeat(v, 3), len(used)) for v in vectors.T])
        vectors = at_corners[corner].sum(axis=1)
        vectors /= np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12)
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))


def _lean_reading(pit: Pit, name: str, where: str, lean: Lean, view: View | None = None) -> Reading:
    view = view or pit.view
    count = effective_count(edge_mm=view.bench.edge_mm, area_mm2=lean.area_mm2)
    noise = pit.noise_mm * math.sqrt(12.0 / max(count, 2.0)) / lean.height_mm
    some = lean.points_mm[:: max(1, len(lean.points_mm) // 100)]
    rise = some[:, 2] - some[:, 2].mean()
    weights = rise / max(float((rise**2).sum()), 1e-9)
    budget = (
        Component("surface noise", math.degrees(noise)),
        Component("trueness", math.degrees(shared_u_mm(pit.shared_mm, some, weights))),
        Component("alignment", alignment_u_deg(view.bench.piece.alignment, np.cross([0.0, 0.0, 1.0], lean.outward))),
        Component("choice of the wall's faces", CHOICE_DEG),
    )
    foot = lean.segment_mm[0]
    upright = np.array([foot, [foot[0], foot[1], lean.segment_mm[1][2]]])
    witness = Witness(
        "angle", lean.points_mm[:: max(1, len(lean.points_mm) // 300)], np.array([lean.segment_mm, upright]),
        plane=view.plane(lean.segment_mm.mean(axis=0), where if where in view.sides else "mesial"),
    )  # fmt: skip
    return measured(name, lean.deg, unit="deg", where=where, budget=budget, witness=view.witness(witness))


def _axial_lean(pit: Pit) -> Lean | str:
    """An axial wall against the axis: + where it leans away from the box as it comes up."""
    if pit.cavity_class == 1:
        return "a floor is read by its tilt, and the cavity has no axial wall"
    if pit.cavity_class == 5:
        return "a floor is read by its tilt"
    found = axial_of(pit)
    if isinstance(found, str):
        return found
    view, floor = found
    axis = view.turn[:3, :3] @ pit.axis
    slope = float(floor.plane[1:] @ axis[:2])
    points = floor.points_mm
    reach = 0.5 * float(np.ptp(points @ axis))
    home = pit.view.turn[:3, :3] @ view.turn[:3, :3].T
    along = np.append(axis[:2], slope)
    ends = np.array([floor.middle_mm - reach * along, floor.middle_mm + reach * along]) @ home.T
    side = one_box(pit)
    return Lean(
        -math.degrees(math.atan(slope)), pit.view.sides[side], points @ home.T, ends, floor.area_mm2, 2.0 * reach
    )


def cavosurface_angle(pit: Pit) -> tuple[Reading, ...]:
    """Angle through the tooth between a wall and the old surface at the margin, mean along the wall."""
    name = "cavity.cavosurface_angle_deg"
    if pit.trouble is not None:
        return tuple(unmeasured(name, pit.trouble, unit="deg", where=where) for where in WHERES)
    return tuple(_at_margin(pit, name, where) for where in WHERES)


def _at_margin(pit: Pit, name: str, where: str) -> Reading:
    if where in ("pulpal", "axial"):
        return unmeasured(
            name, f"the {where} wall does not reach the old surface", unit="deg", where=where, status="not_applicable"
        )
    chosen = pit.margin_towards(where)
    for side in pit.open_sides:
        if where == "gingival" or not chosen.any():
            chosen = pit.margin_towards(where, of=side)
    if (chosen & np.isfinite(pit.margin.lean)).sum() < 5:
        return unmeasured(name, f"the margin has no {where} part", unit="deg", where=where)
    rim, chosen = pit.margin, _middle_part(pit, where, chosen)
    edge = WallEdge(rim.points_mm[chosen], rim.outward[chosen], rim.inward[chosen], rim.lean[chosen])
    line = straight_below(
        edge, _cut_vertices(pit), noise_mm=pit.noise_mm, edge_mm=_edge_mm(pit), deepest_mm=_straight_for(pit, edge)
    )
    if line is None:
        return unmeasured(name, f"the {where} wall has too few points below the margin", unit="deg", where=where)
    angles = np.nan_to_num(rim.angle_deg[chosen], nan=90.0 + line.lean_deg)
    along = np.cross(edge.inward, edge.outward).mean(axis=0)
    budget = (
        Component("surface noise", line.noise_deg),
        Component("along the margin", line.spread_deg),
        Component("trueness", math.degrees(shared_u_mm(pit.shared_mm, line.points_mm, line.weights))),
        Component("alignment", alignment_u_deg(pit.piece.alignment, along / max(float(np.linalg.norm(along)), 1e-9))),
        Component("choice of the wall's points", CHOICE_DEG),
    )
    points, middle = pit.margin.points_mm[chosen], int(np.argsort(angles)[len(angles) // 2])
    at, inward, outward = points[middle], pit.margin.inward[chosen][middle], pit.margin.outward[chosen][middle]
    value = 90.0 + line.lean_deg
    down = math.cos(math.radians(value)) * -inward - math.sin(math.radians(value)) * outward
    segments = np.array([[at, at - 0.7 * inward], [at, at + 0.7 * down]])
    witness = Witness(
        "angle",
        points,
        segments,
        plane=pit.view.plane(pit.view.to_view(at[None])[0], where if where in pit.view.sides else "occlusal"),
    )
    return measured(name, value, unit="deg", where=where, budget=budget, witness=witness)


def _straight_for(pit: Pit, edge: WallEdge) -> float:
    """How deep below a side of the margin its wall is surely straight: to the bevel's foot, or over that rounded into the floor."""
    bevel = bevel_depth_mm(pit, edge.points_mm)
    if bevel is not None:
        return max(bevel - OFF_BEVEL_NOISE * pit.noise_mm, SHALLOWEST_MM)
    floor = pit.main_floor
    if isinstance(floor, str):
        return math.inf
    points = pit.view.to_view(edge.points_mm)
    return max(float(np.median(points[:, 2] - _foot(floor, points))) - OFF_FLOOR_MM, SHALLOWEST_MM)


def _middle_part(pit: Pit, where: str, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of a side's margin what faces it within 15°, as its wall does: in a corner two walls' leans run into one another."""
    out = pit.towards(where)
    level = out - (pit.margin.outward @ out)[:, None] * pit.margin.outward
    level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-9)
    facing = chosen & (-(pit.margin.inward * level).sum(axis=1) > WITHIN)
    return facing if facing.sum() >= LEAST_STATIONS else chosen


def _cut_vertices(pit: Pit) -> FloatArray:
    """The cut's vertices, tooth frame; found once."""
    if "cut vertices" not in pit.kept:
        bench = pit.seen_from("occlusal").bench
        used = np.unique(bench.piece.surface.faces[bench.is_cut])
        pit.kept["cut vertices"] = bench.piece.surface.vertices_mm[used]
    found: FloatArray = pit.kept["cut vertices"]
    return found


def _edge_mm(pit: Pit) -> float:
    return pit.seen_from("occlusal").bench.edge_mm


def internal_radius(pit: Pit) -> tuple[Reading, ...]:
    """Radius of the angle between the floor and the walls, the arc that fits the points about it best."""
    name = "cavity.internal_radius_mm"
    floor = pit.trouble or pit.main_floor
    if isinstance(floor, str):
        return (unmeasured(name, floor, unit="mm"),)
    view = pit.view
    found = [(where, _lean_on_floor(pit, where)) for where in view.sides]
    corners = [
        _corner(view, floor, lean) for where, lean in found if not isinstance(lean, str) and where not in pit.open_sides
    ]
    corners = [c for c in corners if len(c[0]) > 12]
    if not corners:
        return (unmeasured(name, "no line angle has a wall and a floor to measure it from", unit="mm"),)
    radii = np.array([_radius(points, angle) for points, angle, _ in corners])
    weight = np.array([len(points) for points, _, _ in corners], dtype=float)
    value = float(np.average(radii, weights=weight))
    spread = float(np.sqrt(np.average((radii - value) ** 2, weights=weight) / max(len(radii) - 1, 1)))
    count = max(1.0, weight.sum() / 2.0)
    budget = (
        Component("surface noise", 4.0 * pit.noise_mm / math.sqrt(count)),
        Component("from wall to wall", spread),
        Component("chords of the arc", view.bench.edge_mm**2 / (8.0 * max(value, view.bench.edge_mm))),
    )
    spots = np.concatenate([spots for _, _, spots in corners])
    witness = view.witness(Witness("points", points_mm=spots[:: max(1, len(spots) // 300)]))
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def _corner(view: View, floor: Floor, lean: Lean) -> tuple[FloatArray, float, FloatArray]:
    """Points about a line angle as (distance from the wall, height over the floor), its inner angle, and where they lie.

    Only along the middle of the wall, where the wall's own line holds.
    """
    surface, bench = view.bench.piece.surface, view.bench
    low = lean.segment_mm[0]
    side = np.array([-lean.outward[1], lean.outward[0], 0.0])
    used = np.unique(surface.faces[bench.is_cut])
    points = surface.vertices_mm[used]
    near = (np.abs((points - low) @ side) < 0.35) & (np.abs((points - low) @ lean.outward) < 1.2)
    points = points[near]
    wall = np.array(
        [
            lean.outward[0] * math.cos(math.radians(lean.deg)),
            lean.outward[1] * math.cos(math.radians(lean.deg)),
            -math.sin(math.radians(lean.deg)),
        ]
    )
    from_wall = -(points - low) @ wall
    own = np.abs((lean.points_mm - low) @ side) < 0.35
    if own.any():
        from_wall = from_wall + float(np.median((lean.points_mm[own] - low) @ wall))
    over = points[:, 2] - _foot(floor, points)
    over = over * floor.normal[2]
    kept = (from_wall < 0.6) & (over < 0.6) & (from_wall > -0.1) & (over > -0.1) & (from_wall + over < 0.9)
    angle = math.acos(float(np.clip(wall @ floor.normal, -1.0, 1.0)))
    return np.column_stack([from_wall[kept], over[kept]]), angle, points[kept]


def _radius(points: FloatArray, angle: float) -> float:
    """The radius whose arc between two lines at an inner angle fits points (n, 2) best, least squares."""
    radii = np.linspace(0.0, LARGEST_RADIUS_MM, 121)
    squares = np.array([float((_off_arc(points, angle, r) ** 2).mean()) for r in radii])
    best = int(np.argmin(squares))
    if not 0 < best < len(radii) - 1:
        return float(radii[best])
    a, b, c = squares[best - 1 : best + 2]
    return float(radii[best] + 0.5 * (radii[1] - radii[0]) * (a - c) / max(a - 2.0 * b + c, 1e-18))


def _off_arc(points: FloatArray, angle: float, radius: float) -> FloatArray:
    """Distances of points, given as heights over two lines, from the lines joined by an arc tangent to both."""
    u, v = points.T
    # Along each line from the corner: a point with heights u, v over lines at an inner angle θ.
    sine, cosine = math.sin(angle), math.cos(angle)
    along_first, along_second = (v + u * cosine) / sine, (u + v * cosine) / sine
    tangent = radius / math.tan(0.5 * angle)
    from_centre = np.hypot(u - radius, along_first - tangent)
    rounded = radius - from_centre
    straight = np.where(u < v, u, v)
    in_arc = (along_first < tangent) & (along_second < tangent)
    return np.asarray(np.where(in_arc, rounded, straight))
