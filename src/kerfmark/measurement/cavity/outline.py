"""The opening: its area, how it covers the planned outline and how far it goes beyond, the isthmus, what ridges it leaves."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.measurement.budget import alignment_u_mm, extreme_of, measured, shared_u_mm, unmeasured
from kerfmark.measurement.cavity.pit import SIDES, Pit
from kerfmark.measurement.surface.margin import FIT_LENGTH_MM, STEP_MM, corners_u_mm2
from kerfmark.measurement.surface.overlap import (
    inside_outline,
    opened,
    opening_of,
    overlap_reading,
    planned_through,
    rim_of_margin,
)
from kerfmark.records import Component, FloatArray, IntArray, Reading, Surface, Witness

__all__ = [
    "beyond_outline",
    "extension",
    "isthmus_to_intercuspal",
    "isthmus_width",
    "margin_noise_mm",
    "marginal_ridge",
    "outline_area",
    "outline_overlap",
]

DIRECTIONS = ("buccal", "lingual", "mesial", "distal", "occlusal", "gingival")
"""Along the margin each point rests on the wall within 0.2 mm to either side."""
WALL_POINTS = 12.0
ACROSS_COSINE, ALONG_COSINE, ALIKE_COSINE = -0.94, 0.985, 0.97
SMOOTH_POINTS = 11
BESIDE_POINTS = 3
BESIDE_NARROWEST_MM = 0.6
ALIKE_WIDTHS_MM = 0.008
BAY_PART = 2.2
"""Two points nearer along the margin than so many times their gap are the sides of one bay, as of a box's corner."""
RIDGE_CELL_MM, FARTHEST_MM, PROXIMAL_COSINE, FACING_COSINE = 0.4, 12.0, 0.77, 0.85
POINTS_MM = 0.001
"""How far a margin drawn in steps of 0.1 mm over a grid of 0.1 mm may lie off without any noise."""
OPENED_COSINE, OPENED_MM = 0.7, 0.5
"""So much of the margin on the tooth's proximal face says that its ridge is cut through."""
ROD_LENGTH_MM, BESIDE = 1.5, 0.2 * math.sqrt(5.0)
"""How deep a wall's cells reach, and by which part of themselves they stand off the origin: walls, too, stand at round places."""


def outline_area(pit: Pit) -> tuple[Reading, ...]:
    """Area of the margin curve projected along the axis; the opening alone, without a proximal face."""
    name = "cavity.outline_area_mm2"
    if pit.trouble is not None:
        return (unmeasured(name, pit.trouble, unit="mm2"),)
    bench = pit.view.bench
    assert bench.lattice is not None
    inside = opening_of(bench) & _faces_viewer(pit)
    area, chords = float(inside.sum()) * bench.lattice.cell_mm2, 0.0
    curves = tuple(pit.view.to_view(m.points_mm) for m in pit.margins)
    if not pit.open_sides:  # the curve itself closes, and columns need not be counted
        area, coarser = (sum(abs(_shoelace(curve[::step, :2])) for curve in curves) for step in (1, 2))
        chords = abs(area - coarser) / 3.0  # what chords cut off goes with the square of their length
    rim = sum(m.length_mm for m in pit.margins)
    count = max(1.0, rim / FIT_LENGTH_MM)
    strip = 0.0 if not pit.open_sides else 0.3 * bench.lattice.spacing_mm * math.sqrt(rim * bench.lattice.spacing_mm)
    budget = (
        Component("surface noise", rim * margin_noise_mm(pit) / math.sqrt(count)),
        Component(
            "trueness", rim * _shared_of(pit, np.full(len(pit.margin.points_mm), 1.0 / len(pit.margin.points_mm)))
        ),
        Component("column spacing", strip),
        Component("chords of the margin", chords),
        Component("corners rounded by wide triangles", corners_u_mm2(bench)),
    )
    witness = pit.view.witness(Witness("curve", curves_mm=tuple(np.vstack([c, c[:1]]) for c in curves)))
    return (measured(name, area, unit="mm2", budget=budget, witness=witness),)


def _shoelace(points: FloatArray) -> float:
    x, y = points.T
    return 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))


def _faces_viewer(pit: Pit) -> NDArray[np.bool_]:
    """(columns,) where the old surface faces the viewer within 60°."""
    bench = pit.view.bench
    lattice = bench.lattice
    assert lattice is not None
    top = bench.subject_columns.top.reshape(lattice.nx, lattice.ny)
    slope = np.gradient(top, lattice.spacing_mm)
    return np.asarray(np.nan_to_num(np.hypot(*slope), nan=np.inf) < math.sqrt(3.0)).ravel()


def outline_overlap(pit: Pit) -> tuple[Reading, ...]:
    """Dice of the opening and the planned outline, both seen along the axis."""
    name = "cavity.outline_overlap"
    if pit.prepared.outline is None:
        return (unmeasured(name, "the exercise plans no outline", unit="1", status="not_applicable"),)
    if pit.trouble is not None:
        return (unmeasured(name, pit.trouble, unit="1"),)
    bench = pit.view.bench
    outline = (opened(np.asarray(bench.prepared.outline, dtype=float)),)
    if pit.open_sides:
        reading = overlap_reading(
            name, bench, outline, opening_of(bench), within=_faces_viewer(pit), through=planned_through(bench)
        )
    else:  # the margin closes: columns count as open only where they are cut deep enough to be told from noise
        assert bench.lattice is not None
        inside = inside_outline(bench.lattice, [pit.view.to_view(m.points_mm) for m in pit.margins])
        rim = rim_of_margin(bench, pit.margin, sum(m.length_mm for m in pit.margins))
        reading = overlap_reading(name, bench, outline, inside, within=_faces_viewer(pit), rim_mm=rim)
    if reading.witness is None:
        return (reading,)
    from dataclasses import replace

    return (replace(reading, witness=pit.view.witness(reading.witness)),)


def extension(pit: Pit) -> tuple[Reading, ...]:
    """Signed distance of the margin to the planned outline on each side of the opening, median; positive beyond the plan."""
    name = "cavity.extension_mm"
    if pit.prepared.outline is None:
        return _each(name, DIRECTIONS, "the exercise plans no outline", applies=False)
    if pit.trouble is not None:
        return _each(name, DIRECTIONS, pit.trouble)
    return tuple(_extension(pit, side) for side in DIRECTIONS if side in pit.view.sides)


def _each(name: str, wheres: tuple[str, ...], reason: str, *, applies: bool = True) -> tuple[Reading, ...]:
    status = "not_measurable" if applies else "not_applicable"
    return tuple(unmeasured(name, reason, unit="mm", where=where, status=status) for where in wheres)  # type: ignore[arg-type]


def _extension(pit: Pit, side: str) -> Reading:
    name = "cavity.extension_mm"
    chosen = pit.margin_towards(side)
    if side in pit.open_sides:
        return unmeasured(
            name, f"the cavity is open to the {side} side", unit="mm", where=side, status="not_applicable"
        )
    if chosen.sum() < 3:
        return unmeasured(name, f"the margin has no {side} part", unit="mm", where=side)
    own = pit.view.to_view(pit.margin.points_mm[chosen])
    outline = opened(pit.view.to_view(np.asarray(pit.prepared.outline, dtype=float)))
    beyond, foot = beyond_outline(own[:, :2], outline[:, :2])
    usual = np.argsort(beyond)[int(0.35 * len(beyond)) : int(0.65 * len(beyond)) + 1]
    middle = int(
        usual[np.linalg.norm(own[usual] - own.mean(axis=0), axis=1).argmin()]
    )  # shown where the side is seen best
    value = float(np.median(beyond))
    weights = np.zeros(len(pit.margin.points_mm))
    weights[chosen] = 1.0 / chosen.sum()
    out = -pit.margin.inward[chosen]
    budget = (
        Component(
            "surface noise", 1.25 * margin_noise_mm(pit) / math.sqrt(max(1.0, chosen.sum() * 0.1 / FIT_LENGTH_MM))
        ),
        Component("trueness", _shared_of(pit, weights)),
        Component("alignment", alignment_u_mm(pit.piece.alignment, pit.margin.points_mm[chosen], out)),
        Component("choice of the side's points", 0.003),
    )
    segment = np.array([[own[middle], np.append(foot[middle], own[middle, 2])]])
    witness = Witness(
        "length", points_mm=own, segments_mm=segment, curves_mm=(outline,), plane=pit.view.plane(own[middle], side)
    )
    return measured(name, value, unit="mm", where=side, budget=budget, witness=pit.view.witness(witness))


def beyond_outline(points: FloatArray, loop: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Signed distances of points (n, 2) from a closed loop, positive outside, and the nearest points of it."""
    a, b = loop, np.roll(loop, -1, axis=0)
    run = b - a
    share = np.clip(((points[:, None] - a) * run).sum(axis=2) / np.maximum((run**2).sum(axis=1), 1e-12), 0.0, 1.0)
    feet = a + share[..., None] * run
    away = np.linalg.norm(points[:, None] - feet, axis=2)
    nearest = away.argmin(axis=1)
    rows = np.arange(len(points))
    crosses = (a[:, 1] > points[:, None, 1]) != (b[:, 1] > points[:, None, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a[:, 0] + (points[:, None, 1] - a[:, 1]) / run[:, 1] * run[:, 0]
    inside = (crosses & (points[:, None, 0] < at)).sum(axis=1) % 2 == 1
    return np.where(inside, -1.0, 1.0) * away[rows, nearest], feet[rows, nearest]


def isthmus_width(pit: Pit) -> tuple[Reading, ...]:
    """Narrowest distance across the opening at the margin."""
    name = "cavity.isthmus_width_mm"
    if pit.cavity_class > 2:
        return (unmeasured(name, "only an occlusal opening has an isthmus", unit="mm", status="not_applicable"),)
    found = _narrowest(pit)
    if isinstance(found, str):
        return (unmeasured(name, found, unit="mm"),)
    return (_isthmus(pit, name, found),)


def _isthmus(pit: Pit, name: str, ends: FloatArray) -> Reading:
    width = float(np.linalg.norm(np.diff(ends[:, :2], axis=0)))
    across = (ends[1] - ends[0]) / max(width, 1e-9)
    level = np.array([ends[0] * [1, 1, 0] + [0, 0, ends[:, 2].max()], ends[1] * [1, 1, 0] + [0, 0, ends[:, 2].max()]])
    # A parabola over 1.2 mm, three independent stretches of 0.4 mm, has in its middle 3/2 the noise of their mean.
    noise = math.sqrt(2.0) * margin_noise_mm(pit) * 1.5 / math.sqrt(2.0 * BESIDE_NARROWEST_MM / FIT_LENGTH_MM)
    budget = (
        Component("surface noise", noise),
        Component("trueness", _across_shared(pit, ends)),
        Component("points of the margin", POINTS_MM),
    )
    extension = [np.array([end, foot]) for end, foot in zip(level, ends, strict=True)]
    side = "buccal" if abs(across @ pit.view.sides["buccal"]) > 0.5 else "mesial"
    witness = Witness(
        "length",
        points_mm=ends,
        segments_mm=np.array([level, *extension]),
        plane=pit.view.plane(ends.mean(axis=0), side),
    )
    return measured(name, width, unit="mm", budget=budget, witness=pit.view.witness(witness))


def _across_shared(pit: Pit, ends: FloatArray) -> float:
    """A smooth error widens a gap by twice its size where both walls err alike outwards."""
    return shared_u_mm(pit.shared_mm, ends, np.array([1.0, 1.0]))


def _narrowest(pit: Pit) -> FloatArray | str:
    """The two margin points (2, 3) across the opening where it is narrowest, in the axis view; or why there are none."""
    if pit.trouble is not None:
        return pit.trouble
    chosen = pit.is_opening
    if chosen.sum() < 20:
        return "the opening has too little margin"
    points = pit.view.to_view(_smoothed(pit.margin.points_mm, chosen))
    flat = _across_margin(pit)[chosen]
    away = points[None, :, :2] - points[:, None, :2]
    length = np.linalg.norm(away, axis=2)
    facing = flat @ flat.T < ACROSS_COSINE
    ahead = (away * flat[:, None]).sum(axis=2) > ALONG_COSINE * length
    apart = _along_margin(pit)[np.ix_(chosen, chosen)] > BAY_PART * length
    length = np.where(facing & ahead & ahead.T & apart & _over_floor(pit, points), length, np.inf)
    if not np.isfinite(length).any():
        return "no two parts of the margin lie across from one another"
    widths = length.min(axis=1)
    u_mm = math.sqrt(2.0) * margin_noise_mm(pit)
    i = _amid(points, widths, max(3.0 * u_mm, ALIKE_WIDTHS_MM))
    return _steadied(points, flat, i, int(np.argmin(length[i])), bend=_least_bend(u_mm))


def _across_margin(pit: Pit) -> FloatArray:
    """(k, 2) unit directions into the cavity square to the margin as seen along the axis.

    Not the way in along the old surface: on a slope that leads downhill, and two straight walls would not seem to face one another.
    """
    found = []
    for margin in pit.margins:
        points = pit.view.to_view(margin.points_mm)[:, :2]
        along = np.roll(points, -BESIDE_POINTS, axis=0) - np.roll(points, BESIDE_POINTS, axis=0)
        square = np.column_stack([-along[:, 1], along[:, 0]])
        inward = margin.inward @ pit.view.turn[:2, :3].T
        square *= np.where((square * inward).sum(axis=1, keepdims=True) < 0.0, -1.0, 1.0)
        found.append(square / np.maximum(np.linalg.norm(square, axis=1, keepdims=True), 1e-9))
    return np.concatenate(found)


def _amid(points: FloatArray, widths: FloatArray, within_mm: float) -> int:
    """The margin point about which most of those lie that are as narrow as any: where the narrowest is long, its middle."""
    narrow = np.flatnonzero(widths <= widths.min() + within_mm)
    beside = np.linalg.norm(points[narrow][:, None] - points[narrow][None], axis=2) < BESIDE_NARROWEST_MM
    held = beside.sum(axis=1)
    best = narrow[held == held.max()]
    return int(best[len(best) // 2])


def _least_bend(u_mm: float) -> float:
    """A waist's bend (1/mm) that is told from noise: over twice what three independent points over 1.2 mm leave of it."""
    return max(0.02, 2.0 * u_mm * math.sqrt(180.0 / 3.0) / (2.0 * BESIDE_NARROWEST_MM) ** 2)


def _along_margin(pit: Pit) -> FloatArray:
    """(k, k) the shorter way along the margin between two of its points, mm; endless between two margins."""
    loop = np.repeat(np.arange(len(pit.margins)), [len(m.points_mm) for m in pit.margins])
    at = np.concatenate([np.arange(len(m.points_mm)) / len(m.points_mm) * m.length_mm for m in pit.margins])
    whole = np.array([m.length_mm for m in pit.margins])[loop]
    way = np.abs(at[:, None] - at[None])
    return np.where(loop[:, None] == loop[None], np.minimum(way, whole[:, None] - way), np.inf)


def _over_floor(pit: Pit, points: FloatArray) -> NDArray[np.bool_]:
    """(n, n) whether half way between two margin points the cavity is at least half as deep as it is usually."""
    bench = pit.view.bench
    assert bench.lattice is not None
    depth = np.nan_to_num(bench.subject_columns.top - bench.piece_columns.top)
    usual = float(np.median(depth[depth > bench.least_mm])) if (depth > bench.least_mm).any() else 0.0
    middle = 0.5 * (points[:, None, :2] + points[None, :, :2])
    there = depth[bench.lattice.nearest(middle.reshape(-1, 2))].reshape(len(points), len(points))
    return np.asarray(there > 0.5 * usual)


def _steadied(points: FloatArray, inward: FloatArray, i: int, j: int, *, bend: float) -> FloatArray:
    """The narrowest place (2, 3), its width between parabolas through either side: the least of many noisy gaps is too little.

    It is moved to where they come nearest only where they bend apart by more than `bend`.
    """
    ends = points[[i, j]]
    run = (ends[1] - ends[0])[:2]
    across = run / max(float(np.hypot(*run)), 1e-9)
    along = np.array([-across[1], across[0]])
    middle = 0.5 * (ends[0] + ends[1])[:2]
    fits = []
    for end, way in zip(ends, inward[[i, j]], strict=True):
        near = (np.linalg.norm(points - end, axis=1) < BESIDE_NARROWEST_MM) & (inward @ way > ALIKE_COSINE)
        beside = points[near, :2] - middle
        if len(beside) < 6:
            return ends
        fits.append(np.polyfit(beside @ along, beside @ across, 2))
    gap = fits[1] - fits[0]
    at = float(np.clip(-0.5 * gap[1] / gap[0], -0.3, 0.3)) if gap[0] > bend else 0.0
    found = []
    for fit, end in zip(fits, ends, strict=True):
        level = middle + at * along + float(np.polyval(fit, at)) * across
        found.append(np.append(level, end[2]))
    return np.array(found)


def _means(points: FloatArray) -> FloatArray:
    """Margin points as means of five neighbours."""
    return np.asarray(sum(np.roll(points, k, axis=0) for k in range(-2, 3))) / 5.0


def _smoothed(points: FloatArray, chosen: NDArray[np.bool_]) -> FloatArray:
    """Margin points on a parabola through eleven neighbours along the curve (Savitzky and Golay 1964)."""
    offsets = np.arange(-(SMOOTH_POINTS // 2), SMOOTH_POINTS // 2 + 1)
    terms = np.vander(offsets, 3)
    weights = np.linalg.pinv(terms)[2]
    mean = np.asarray(sum(w * np.roll(points, -int(k), axis=0) for w, k in zip(weights, offsets, strict=True)))
    jumped = np.linalg.norm(mean - points, axis=1) > 0.1  # where one margin's points end and another's begin
    return np.where(jumped[:, None], points, mean)[chosen]


def isthmus_to_intercuspal(pit: Pit) -> tuple[Reading, ...]:
    """Isthmus over the distance between the two cusp tips, one functional and one not, whose line passes nearest to it."""
    name = "cavity.isthmus_to_intercuspal"
    if pit.cavity_class > 2:
        return (unmeasured(name, "only an occlusal opening has an isthmus", unit="1", status="not_applicable"),)
    tips = {
        role: [s.point_mm for s in pit.prepared.sites if s.role == role]
        for role in ("functional_cusp", "nonfunctional_cusp")
    }
    if not all(tips.values()):
        return (unmeasured(name, "the exercise names no cusps on both sides", unit="1", status="not_applicable"),)
    found = _narrowest(pit)
    if isinstance(found, str):
        return (unmeasured(name, found, unit="1"),)
    middle = pit.view.to_tooth(found.mean(axis=0))[:2]
    one, other = min(
        ((a, b) for a in tips["functional_cusp"] for b in tips["nonfunctional_cusp"]),
        key=lambda pair: _off_line(middle, pair[0][:2], pair[1][:2]),
    )
    between = float(np.linalg.norm((one - other)[:2]))
    width = _isthmus(pit, name, found)
    if width.value is None or width.witness is None:
        return (width,)
    budget = tuple(Component(c.source, c.u / between) for c in width.budget)
    witness = Witness(
        "length",
        np.vstack([width.witness.points_mm, one, other]),
        np.array([width.witness.segments_mm[0], [one, other]]),
    )
    return (measured(name, width.value / between, unit="1", budget=budget, witness=witness),)


def _off_line(point: FloatArray, a: FloatArray, b: FloatArray) -> float:
    """Distance of a point from the stretch between two others, in the plane."""
    run = b - a
    share = float(np.clip((point - a) @ run / max(float(run @ run), 1e-12), 0.0, 1.0))
    return float(np.linalg.norm(point - a - share * run))


def marginal_ridge(pit: Pit) -> tuple[Reading, ...]:
    """Least thickness left, mesiodistally and level, between the cavity and the tooth's proximal surface."""
    name = "cavity.marginal_ridge_mm"
    if pit.cavity_class > 2 or pit.axis_side != "occlusal":
        return _each(name, SIDES, "only an occlusal opening leaves marginal ridges", applies=False)
    if pit.trouble is not None:
        return _each(name, SIDES, pit.trouble)
    return tuple(_ridge(pit, side) for side in SIDES)


def _ridge(pit: Pit, side: str) -> Reading:
    name = "cavity.marginal_ridge_mm"
    if side in pit.open_sides:
        return unmeasured(
            name, f"the cavity is open to the {side} side", unit="mm", where=side, status="not_applicable"
        )
    way = pit.towards(side)
    bench = pit.seen_from("occlusal").bench
    cut, margin = bench.cut, pit.margin
    over = pit.on_face(side, OPENED_COSINE)
    if over.sum() * STEP_MM > OPENED_MM:
        at = margin.points_mm[np.argmax(margin.points_mm @ way)]
        witness = Witness("length", margin.points_mm[over], np.array([[at, at + 1e-3 * way]]))
        return measured(
            name, 0.0, unit="mm", where=side, budget=(Component("surface noise", pit.noise_mm),), witness=witness
        )
    wall = cut.normals @ way < -FACING_COSINE
    if wall.sum() < 5:
        return unmeasured(name, f"the cavity has no {side} wall", unit="mm", where=side)
    cells = _by_cells(cut.middles[wall], cut.areas[wall], RIDGE_CELL_MM, way)
    there = pit.margin_towards(side)
    tops = _means(margin.points_mm)[there] - 0.02 * margin.outward[there]
    start = np.vstack([cells, tops]) if len(tops) else cells
    hit, face = pit.old_rays.first_hit(start + FARTHEST_MM * way, -way, max_mm=FARTHEST_MM)
    length = FARTHEST_MM - hit
    known = np.isfinite(length) & (_normals(bench.subject, face) @ way > PROXIMAL_COSINE)
    if not known.any():
        return unmeasured(name, f"no outer surface lies {side} of the cavity", unit="mm", where=side)
    is_wall = (np.arange(len(start)) < len(cells))[known]
    start, length = start[known], length[known]
    least = int(np.argmin(length))
    noise = pit.noise_mm / math.sqrt(WALL_POINTS) if is_wall[least] else margin_noise_mm(pit)
    beyond, choice = extreme_of(length, noise, alike=1.0 if is_wall[least] else FIT_LENGTH_MM / 0.1)
    budget = (
        choice,
        Component("trueness", pit.shared_mm),
        Component("alignment", alignment_u_mm(pit.piece.alignment, start[least], way)),
    )
    ends = np.array([start[least], start[least] + length[least] * way])
    witness = Witness("length", start, np.array([ends]), plane=pit.seen_from("occlusal").plane(start[least], side))
    return measured(name, float(length[least]) + beyond, unit="mm", where=side, budget=budget, witness=witness)


def _normals(surface: Surface, faces: IntArray) -> FloatArray:
    """(n, 3) unit normals of some faces, 0 for none (−1)."""
    a, b, c = (surface.vertices_mm[surface.faces[np.maximum(faces, 0), k]] for k in range(3))
    across = np.cross(b - a, c - a)
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    return np.asarray(np.where((faces >= 0)[:, None], across, 0.0))


def _by_cells(points: FloatArray, areas: FloatArray, size_mm: float, way: FloatArray) -> FloatArray:
    """Middles of points, weighted by area, over square rods along a way; rods with next to nothing in them are left out.

    Cubes would part, of a wall that stands along their faces, what noise has lifted from what it has lowered. What lies over
    a rod's length away is another wall's.
    """
    beside = np.cross(way, [0.0, 0.0, 1.0])
    place = np.column_stack([points @ beside / size_mm, points[:, 2] / size_mm, points @ way / ROD_LENGTH_MM])
    place = np.floor(place + BESIDE).astype(np.int64)
    place -= place.min(axis=0)
    size = place.max(axis=0) + 1
    _, cell = np.unique((place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2], return_inverse=True)
    weight = np.bincount(cell, areas)
    means = np.column_stack([np.bincount(cell, areas * points[:, k]) for k in range(3)]) / weight[:, None]
    return means[weight > 0.2 * size_mm**2]


def margin_noise_mm(pit: Pit) -> float:
    """Noise of the margin's place over 0.4 mm of it."""
    return pit.margin.noise_mm(pit.noise_mm)


def _shared_of(pit: Pit, weights: FloatArray) -> float:
    """A source's smooth error over the margin, weighted."""
    return shared_u_mm(pit.shared_mm, pit.margin.points_mm, weights)
