"""Tissues: decay left, sound tissue lost, enamel that stands on nothing."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.evening import refined
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import face_areas_mm2, face_normals, smoothed_vertices, submesh, vertex_normals
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.neighbourhoods import means_within
from kerfmark.measurement.budget import alignment_u_mm, alike_means, extreme_of, measured, unmeasured
from kerfmark.measurement.cavity.outline import beyond_outline
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.measurement.surface.bench import Bench, CutFaces
from kerfmark.measurement.surface.cells import Cells, cells_of, layer_at
from kerfmark.measurement.surface.overlap import inside_outline, opened
from kerfmark.measurement.surface.volumes import (
    LEFT,
    PLANNED_LEFT,
    PLANNED_REMOVED,
    REMOVED,
    expected_beyond,
    volume_budget,
)
from kerfmark.records import Component, FloatArray, Reading, Surface, Witness

__all__ = ["caries_left", "caries_left_thickness", "sound_removed", "unsupported_enamel"]

AT_JUNCTION_MM = 0.5
ROD_MM, ROD_STEP_MM, LONGEST_ROD_MM = 1.0, 0.05, 3.5
INNER_MM, JUNCTION_EDGE_MM = 0.1, 0.06
LEAST_SEEN_MM3 = 0.005
"""What a few faces of the junction carry."""
LEAST_DECAY_MM3 = 0.01
"""A speck of decay 0.2 mm across: what may lie between a scan's points unseen."""
HELD_BY_ONE = 0.2
"""How far, over the noise, what is held reaches out from a rough wall: of many points down a rod the one left farthest out holds it."""
TOWARDS_DEEP = 0.5
"""Inner faces of the enamel within 60° of the way in are its junction; the others are the sides of a lesion through it."""
COLUMNS_ASTRAY = 3.0
STEP_MM, MEAN_RADIUS_MM, STEADY_ROUNDS = 0.02, 0.15, 3
LEVEL_RADIUS_MM, LEVEL, USUAL = 0.2, 0.96, 75.0
"""Faces about a point whose mean vector is shorter than this part of the usual one, that of three in four, turn a corner there."""


def caries_left(pit: Pit) -> tuple[Reading, ...]:
    """Volume of decay that is left; `dej` within 0.5 mm of the enamel–dentine junction."""
    name = "cavity.caries_left_mm3"
    reason, applies = _no_caries(pit)
    if reason is not None:
        return _none(name, "mm3", (None, "dej"), reason, applies=applies)
    return (_caries_volume(pit, None), _caries_volume(pit, "dej"))


def caries_left_thickness(pit: Pit) -> tuple[Reading, ...]:
    """Largest thickness of decay that is left, at right angles to the cut surface; `dej` as for its volume."""
    name = "cavity.caries_left_thickness_mm"
    reason, applies = _no_caries(pit)
    if reason is not None:
        return _none(name, "mm", (None, "dej"), reason, applies=applies)
    return (_caries_thickness(pit, None), _caries_thickness(pit, "dej"))


def _no_caries(pit: Pit) -> tuple[str | None, bool]:
    if "caries" not in pit.prepared.layers:
        return "the exercise has no caries", False
    return (None, True) if pit.seen_from("occlusal").bench.lattice is not None else ("nothing is cut", True)


def _none(name: str, unit: str, wheres: tuple[str | None, ...], reason: str, *, applies: bool) -> tuple[Reading, ...]:
    return tuple(
        unmeasured(name, reason, unit=unit, where=where, status="not_measurable" if applies else "not_applicable")
        for where in wheres
    )


def _caries_volume(pit: Pit, where: str | None) -> Reading:
    name, bench = "cavity.caries_left_mm3", pit.seen_from("occlusal").bench
    layer = bench.layer_names.index("caries") + 1
    share = bench.layer_shares[:, layer]
    if where is None:
        bottom = float(bench.removal.length_mm[layer, [LEFT, PLANNED_LEFT]].sum(dtype=float)) * _lattice_mm2(bench)
        points = _caries_points(pit)[0]
    else:
        points, weights = _caries_points(pit)
        near = _at_junction(pit, points)
        points, bottom = points[near], float(weights[near].sum())
        share = share * _at_junction(pit, bench.cut.middles)
    value = max(bottom - expected_beyond(bench, share), 0.0)
    budget = (
        *volume_budget(bench, share, beyond=True),
        Component("column spacing", _astray(bench, value)),
        Component("least that is seen", LEAST_DECAY_MM3),
    )
    witness = Witness("region", points_mm=points[:: max(1, len(points) // 300)])
    return measured(name, value, unit="mm3", where=where, budget=budget, witness=witness)


def _lattice_mm2(bench: Bench) -> float:
    assert bench.lattice is not None
    return float(bench.lattice.cell_mm2)


def _astray(bench: Bench, volume_mm3: float) -> float:
    """A few columns too many or too few along the sides of a compact volume."""
    return float(COLUMNS_ASTRAY * _lattice_mm2(bench) * volume_mm3 ** (1.0 / 3.0))


def _cells(pit: Pit) -> Cells | None:
    """Cells over everything that is cut or decayed, down to where rods reach; made once."""
    bench = pit.seen_from("occlusal").bench
    if "cells" not in pit.kept:
        lows = [float(bench.cut.middles[:, 2].min())] if bench.has_cut else []
        caries = pit.prepared.layers.get("caries")
        lows += [float(caries.vertices_mm[:, 2].min())] if caries is not None else []
        top = float(bench.subject.vertices_mm[:, 2].max()) + 0.05
        pit.kept["cells"] = cells_of(bench, low_mm=min(lows) - ROD_MM - 0.2, high_mm=top) if lows else None
    found: Cells | None = pit.kept["cells"]
    return found


def _caries_points(pit: Pit) -> tuple[FloatArray, FloatArray]:
    """Middles of the cells of decay that are left, and the volume of each; made once."""
    if "caries" not in pit.kept:
        bench, cells = pit.seen_from("occlusal").bench, _cells(pit)
        if cells is None:
            return np.empty((0, 3)), np.empty(0)
        low, high = (getattr(pit.prepared.layers["caries"].vertices_mm, end)(axis=0) for end in ("min", "max"))
        column = ((cells.lattice.feet > low[:2] - 0.1) & (cells.lattice.feet < high[:2] + 0.1)).all(axis=1)
        some = (cells.left > 0.0) & column[:, None]
        points = cells.middles(some)
        held = layer_at(bench, points) == bench.layer_names.index("caries")
        pit.kept["caries"] = points[held], cells.left[some][held].astype(float) * cells.cell_mm3
    points, weights = pit.kept["caries"]
    return points, weights


def junction_of(pit: Pit) -> Surface | None:
    """The enamel–dentine junction as the enamel's inner faces, normals into the dentine; None where there is no enamel.

    Where a lesion cuts through the enamel its sides are no junction; under it the enamel that is left says where it ran.
    """
    if "junction" not in pit.kept:
        enamel = pit.prepared.layers.get("enamel")
        pit.kept["junction"] = None if enamel is None else _inner_faces(pit, enamel)
    found: Surface | None = pit.kept["junction"]
    return found


def _inner_faces(pit: Pit, enamel: Surface) -> Surface | None:
    middles = enamel.vertices_mm[enamel.faces].mean(axis=1)
    box = pit.seen_from("occlusal").bench.cut_box()
    near = np.ones(len(middles), dtype=bool)
    if box is not None:
        near = ((middles > box[0] - 1.5) & (middles < box[1] + 1.5)).all(axis=1)
    inner = near & (sample(pit.prepared.subject_grid, middles) < -INNER_MM)
    part = submesh(enamel, inner)
    if not len(part.faces):
        return None
    deeper = -_slope(pit, part)
    part = submesh(part, (face_normals(part) * deeper).sum(axis=1) > TOWARDS_DEEP)
    return refined(part, JUNCTION_EDGE_MM) if len(part.faces) else None


def _slope(pit: Pit, part: Surface) -> FloatArray:
    """(m, 3) unit direction from each face's middle to the nearest point of the old surface."""
    middles = part.vertices_mm[part.faces].mean(axis=1)
    closest, distance, _ = pit.old_surface.query(middles, max_distance_mm=5.0)
    way = np.where(np.isfinite(distance)[:, None], closest - middles, 0.0)
    return np.asarray(way / np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9))


def _at_junction(pit: Pit, points: FloatArray) -> NDArray[np.bool_]:
    junction = junction_of(pit)
    if junction is None or not len(points):
        return np.zeros(len(points), dtype=bool)
    if "junction tree" not in pit.kept:
        pit.kept["junction tree"] = ClosestPoint(junction)
    return np.asarray(np.isfinite(pit.kept["junction tree"].query(points, max_distance_mm=AT_JUNCTION_MM)[1]))


def _caries_thickness(pit: Pit, where: str | None) -> Reading:
    """From the cut surface, or where nothing is cut from the lesion's own top, to the bottom of what is left below it."""
    name, bench = "cavity.caries_left_thickness_mm", pit.seen_from("occlusal").bench
    grid = pit.prepared.layer_grids["caries"]
    depth = -sample(grid, bench.cut.middles)
    inside = depth > 0.0
    if where == "dej":
        inside &= _at_junction(pit, bench.cut.middles)
    start = bench.cut.middles[inside]
    points, _ = _caries_points(pit)
    if where == "dej" and len(points):
        points = points[_at_junction(pit, points)]
    budget = [
        Component("trueness", pit.shared_mm),
        Component("step along the way", 0.3 * STEP_MM),
    ]
    if not len(start):
        left = 0.0 if not len(points) else _buried(pit, points)
        witness = Witness("region", points_mm=points[:: max(1, len(points) // 300)])
        return measured(name, left, unit="mm", where=where, budget=budget, witness=witness)
    places = _places(bench)
    level, inward = _level_ways(places, bench.cut, inside)
    near = np.flatnonzero(inside)[level]
    some = slice(None, None, max(1, len(near) // 2500))
    start, inward, place = bench.cut.middles[near[some]], inward[level][some], places[near[some]]
    steps = np.arange(0.5 * STEP_MM, 5.0, STEP_MM)
    along = start[:, None] + steps[None, :, None] * inward[:, None]
    decayed = sample(grid, along.reshape(-1, 3)).reshape(len(start), -1) < 0.0
    run = np.cumprod(decayed, axis=1).sum(axis=1) * STEP_MM
    run = means_within(read_only(place, np.float64), read_only(place, np.float64), run, MEAN_RADIUS_MM)
    deepest = int(np.argmax(run))
    # A mean's points are counted where it lies, at two triangles to a point: noise makes the usual side of a triangle longer.
    faces_each, starts_each = (_within(of, place[deepest], MEAN_RADIUS_MM) for of in (places, place))
    points_each = max(1.0, 0.5 * faces_each)
    u_mm = math.hypot(pit.noise_mm, 0.3 * STEP_MM) / math.sqrt(points_each)
    beyond, choice = extreme_of(-run, u_mm, alike=alike_means(points_each) * starts_each / points_each)
    moved = alignment_u_mm(pit.piece.alignment, start[deepest], inward[deepest])
    budget = [choice, Component("alignment", moved), *budget]
    ends = np.array([[start[deepest], start[deepest] + run[deepest] * inward[deepest]]])
    witness = Witness("length", start[:: max(1, len(start) // 300)], ends)
    value = max(float(run[deepest]) - beyond, 0.0)
    return measured(name, value, unit="mm", where=where, budget=budget, witness=witness)


def _places(bench: Bench) -> FloatArray:
    """(n, 3) where the cut faces lie on the smoothed cut: within a ball about a face that noise drew down lie others it drew down."""
    part = submesh(bench.piece.surface, bench.is_cut)
    smooth = smoothed_vertices(part, rounds=STEADY_ROUNDS)
    return np.asarray(smooth[part.faces].mean(axis=1)[face_areas_mm2(part) > 0.0])


def _within(points: FloatArray, middle: FloatArray, radius_mm: float) -> float:
    return float((np.linalg.norm(points - middle, axis=1) <= radius_mm).sum())


def _level_ways(places: FloatArray, cut: CutFaces, inside: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], FloatArray]:
    """Of the inside faces which stand on no corner, where no way is square to the cut, and the unit ways in at all of them.

    A way is the mean of the faces' areas as vectors within 0.2 mm, which noise leaves alone; their areas it makes larger, by as
    much everywhere, so that a corner shows as a mean shorter for its area than the others.
    """
    points = read_only(places, np.float64)
    queries = read_only(places[inside], np.float64)
    vectors = np.column_stack([-cut.normals * cut.areas[:, None], cut.areas])
    *ways, area = (means_within(queries, points, read_only(v, np.float64), LEVEL_RADIUS_MM) for v in vectors.T)
    way = np.column_stack(ways)
    length = np.linalg.norm(way, axis=1)
    straight = length / np.maximum(area, 1e-12)
    level = straight > LEVEL * float(np.percentile(straight, USUAL))
    return level, way / np.maximum(length, 1e-12)[:, None]


def _buried(pit: Pit, points: FloatArray) -> float:
    """Height of decay that nobody has reached: twice the deepest of its cells' depths, at most its extent upwards."""
    deep = -sample(pit.prepared.layer_grids["caries"], points)
    return float(min(2.0 * deep.max(), np.ptp(points[:, 2]) + 0.05))


def sound_removed(pit: Pit) -> tuple[Reading, ...]:
    """Sound tissue gone beyond lesion and plan, in all and of each tissue; with neither, all that is gone."""
    name, bench = "cavity.sound_removed_mm3", pit.seen_from("occlusal").bench
    tissues = tuple(layer for layer in bench.layer_names if layer != "caries")
    if not tissues:
        return _none(name, "mm3", (None,), "the exercise has no tissues", applies=False)
    if not bench.has_cut or bench.lattice is None:
        return _none(name, "mm3", (None, *tissues), "nothing is cut", applies=True)
    beyond, share = _beyond_plan(pit, bench)
    readings = []
    for where in (None, *tissues):
        layers = (
            [0, *(bench.layer_names.index(t) + 1 for t in tissues)]
            if where is None
            else [bench.layer_names.index(where) + 1]
        )
        along = beyond[layers].sum(axis=0)
        face_share = np.minimum(bench.layer_shares[:, layers].sum(axis=1), share)
        value = max(float(along.sum()) * bench.lattice.cell_mm2 - expected_beyond(bench, face_share), 0.0)
        budget = (*volume_budget(bench, face_share, beyond=True), Component("column spacing", _astray(bench, value)))
        some = np.flatnonzero(along > bench.least_mm)
        points = np.column_stack([bench.lattice.feet[some], bench.subject_columns.top[some] - 0.5 * along[some]])
        witness = Witness("region", points_mm=points[:: max(1, len(points) // 300)])
        readings.append(measured(name, value, unit="mm3", where=where, budget=budget, witness=witness))
    return tuple(readings)


def _beyond_plan(pit: Pit, bench: Bench) -> tuple[NDArray[np.float64], FloatArray]:
    """(layers + 1, columns) lengths gone beyond the plan, and how far each cut face lies beyond it, 0 to 1."""
    length = bench.removal.length_mm.astype(float)
    if pit.prepared.target is not None:
        return length[:, REMOVED], 1.0 - bench.planned_share
    gone = length[:, REMOVED] + length[:, PLANNED_REMOVED]
    if pit.prepared.outline is None:
        return gone, np.ones(len(bench.cut.areas))
    if pit.axis_side == "occlusal":
        assert bench.lattice is not None
        outline = opened(np.asarray(pit.prepared.outline, dtype=float))
        inside = inside_outline(bench.lattice, [outline])
        return gone * ~inside, bench.soft(beyond_outline(bench.cut.middles[:, :2], outline[:, :2])[0])
    return _beyond_side_outline(pit, bench, gone)


def _beyond_side_outline(pit: Pit, bench: Bench, gone: NDArray[np.float64]) -> tuple[NDArray[np.float64], FloatArray]:
    """The same where the outline is seen from the side: the share of each upright column's loss that lies outside it."""
    cells, view = _cells(pit), pit.view
    if cells is None or view.bench.lattice is None:
        return gone, np.ones(len(bench.cut.areas))
    outline = opened(np.asarray(view.bench.prepared.outline, dtype=float))
    inside = inside_outline(view.bench.lattice, [outline])
    some = (cells.gone > 0.0) & _cut_levels(bench, cells)
    column, level = np.nonzero(some)
    middles = cells.middles(some)
    # A plan's level edge would fall between two levels of cells all along: each cell is looked at a part of its own height aside.
    middles[:, 2] += cells.step_mm * (((column + 7 * level) * 0.6180339887498949) % 1.0 - 0.5)
    planned = inside[view.bench.lattice.nearest(view.to_view(middles))]
    total = np.bincount(column, cells.gone[some], minlength=len(cells.gone))
    out = np.bincount(column, cells.gone[some] * ~planned, minlength=len(cells.gone))
    share = np.divide(out, total, out=np.zeros_like(out), where=total > 0)
    beyond = beyond_outline(view.to_view(bench.cut.middles)[:, :2], outline[:, :2])[0]
    return gone * share, bench.soft(beyond)


def _cut_levels(bench: Bench, cells: Cells) -> NDArray[np.bool_]:
    """(levels,) which levels of cells the cut reaches: above and below it a column just under the crown's wall meets noise alone."""
    box = bench.cut_box()
    middles = cells.top_mm - (np.arange(cells.gone.shape[1]) + 0.5) * cells.step_mm
    if box is None:
        return np.ones(len(middles), dtype=bool)
    return np.asarray((middles > box[0, 2] - cells.step_mm) & (middles < box[1, 2] + cells.step_mm))


def unsupported_enamel(pit: Pit) -> tuple[Reading, ...]:
    """Enamel under whose rods no dentine is left within 1 mm of the junction; rods run along the junction's normals.

    Notes
    -----
    Every face of the junction carries a bundle of rods. Moved outwards along its corners' normals by t its area changes
    with the bundle, and its area times dt, summed where enamel is left, is the volume that stands on it.
    """
    name = "cavity.unsupported_enamel_mm3"
    if not {"enamel", "dentine"} <= set(pit.prepared.layers):
        return _none(name, "mm3", (None,), "the exercise does not part enamel from dentine", applies=False)
    cells, junction = _cells(pit), junction_of(pit)
    bench = pit.seen_from("occlusal").bench
    if cells is None or not bench.has_cut:
        return _none(name, "mm3", (None,), "nothing is cut", applies=True)
    if junction is None:
        return (
            measured(name, 0.0, unit="mm3", budget=(Component("least that is seen", 0.01),), witness=Witness("region")),
        )
    spread = _spread_over_triangles(len(junction.faces))
    standing, inwards = _unsupported(pit, cells, junction, spread)
    corners = junction.vertices_mm[junction.faces[standing]]
    normals = inwards[junction.faces[standing]]
    points, volumes = _bundles(bench, cells, corners, normals, spread[standing])
    value = float(volumes.sum())
    edge = math.sqrt(max(value, 0.01))
    budget = (
        Component("surface noise", 0.3 * pit.noise_mm * edge),
        Component("rods beside a rough wall", HELD_BY_ONE * pit.noise_mm * 4.0 * value ** (2.0 / 3.0)),
        Component(
            "trueness and alignment",
            edge * math.hypot(pit.shared_mm, float(np.sqrt(np.diag(pit.piece.alignment.covariance)[3:].max()))),
        ),
        Component("cells along its edge", 0.2 * cells.step_mm * edge),
        Component("least that is seen", LEAST_SEEN_MM3),
    )
    witness = Witness("region", points_mm=points[:: max(1, len(points) // 300)])
    return (measured(name, value, unit="mm3", budget=budget, witness=witness),)


def _spread_over_triangles(count: int) -> FloatArray:
    """(count, 3) barycentric coordinates, where in each triangle it is looked: spread evenly over all of them together.

    In their middles, rows of triangles along an edge would all fall to one side of it. The sequence is the two-dimensional golden ratio's.
    """
    n = np.arange(1, count + 1)
    u, v = (n * 0.7548776662466927) % 1.0, (n * 0.5698402909980532) % 1.0
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    return np.column_stack([1.0 - u - v, u, v])


def _unsupported(pit: Pit, cells: Cells, junction: Surface, spread: FloatArray) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which faces of the junction have no dentine left within 1 mm below, and the unit normals of its corners, inwards."""
    inwards = vertex_normals(junction)
    middles = (spread[:, :, None] * junction.vertices_mm[junction.faces]).sum(axis=1)
    ways = (spread[:, :, None] * inwards[junction.faces]).sum(axis=1)
    known = (middles[:, 2] > cells.top_mm - cells.step_mm * cells.left.shape[1]) & _over(cells, middles)
    open_ones = np.flatnonzero(known)
    for step in np.arange(0.5 * ROD_STEP_MM, ROD_MM, ROD_STEP_MM):  # nearly all are held by the first step
        if not len(open_ones):
            break
        below = middles[open_ones] + step * ways[open_ones]
        held = cells.is_left(below) & (sample(pit.prepared.layer_grids["dentine"], below) < 0.0)
        if "caries" in pit.prepared.layers:
            held &= sample(pit.prepared.layer_grids["caries"], below) > 0.0
        open_ones = open_ones[~held]
    standing = np.zeros(len(middles), dtype=bool)
    standing[open_ones] = True
    return standing, inwards


def _over(cells: Cells, points: FloatArray) -> NDArray[np.bool_]:
    """Which points stand over the lattice, a column away from its border."""
    lattice = cells.lattice
    turned = points[:, :2] @ lattice.turn[:2, :2].T
    place = (turned - lattice.origin) / lattice.spacing_mm
    return np.asarray(((place > 1.0) & (place < [lattice.nx - 2.0, lattice.ny - 2.0])).all(axis=1))


def _bundles(
    bench: Bench, cells: Cells, corners: FloatArray, inwards: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Middles and volumes of the parts of the rods' bundles that are enamel and left."""
    enamel, decay = bench.prepared.layer_grids["enamel"], bench.prepared.layer_grids.get("caries")
    steps = np.arange(0.5 * ROD_STEP_MM, LONGEST_ROD_MM, ROD_STEP_MM)
    spots, volumes = [], []
    alive = np.ones(len(corners), dtype=bool)
    for t in steps:
        moved = corners[alive] - t * inwards[alive]
        middles = (spread[alive][:, :, None] * moved).sum(axis=1)
        inside = sample(enamel, middles) < 0.0
        if decay is not None:
            inside &= sample(decay, middles) > 0.0
        left = inside & cells.is_left(middles)
        area = 0.5 * np.linalg.norm(np.cross(moved[:, 1] - moved[:, 0], moved[:, 2] - moved[:, 0]), axis=1)
        spots.append(middles[left])
        volumes.append(area[left] * ROD_STEP_MM)
        alive[np.flatnonzero(alive)[~inside & (sample(enamel, middles) > 0.1) & (t > 0.2)]] = False
        if not alive.any():
            break
    return np.concatenate(spots) if spots else np.empty((0, 3)), np.concatenate(volumes) if volumes else np.empty(0)
