"""What is left over the pulp, and whether it is open."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import face_areas_mm2, smoothed_vertices, submesh
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.neighbourhoods import means_within
from kerfmark.measurement.budget import alignment_u_mm, alike_means, effective_count, extreme_of, measured, unmeasured
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.measurement.surface.noisy_area import larger_by_noise
from kerfmark.records import Component, FloatArray, IntArray, Reading, SectionPlane, Surface, Witness

__all__ = ["pulp_exposed", "remaining_dentine"]

FARTHEST_MM = 8.0
LEAST_LEVEL = 0.02
"""A unit way whose level part is shorter points straight down: any upright section holds it."""
MEAN_RADIUS_MM = 0.15
STEADY_ROUNDS = 3
BELOW_MM = 0.02
RESOLVED_MM2 = 0.01
ROUGHNESS_PART, CORNER_MM = 0.1, 0.003
"""How sure a scan's noise, and with it its roughness, is; and how far triangles round off the cavity's own edges."""


def remaining_dentine(pit: Pit) -> tuple[Reading, ...]:
    """Least distance from the cut surface to the pulp, through whatever is left; 0 where the pulp is open."""
    name, pulp = "cavity.remaining_dentine_mm", pit.prepared.layers.get("pulp")
    if pulp is None:
        return (unmeasured(name, "the exercise has no pulp", unit="mm", status="not_applicable"),)
    bench = pit.seen_from("occlusal").bench
    if not bench.has_cut:
        return (unmeasured(name, "nothing is cut", unit="mm"),)
    used = np.unique(bench.piece.surface.faces[bench.is_cut])
    points = bench.piece.surface.vertices_mm[used]
    near = _nearest_part(points, pulp)
    points = points[near]
    foot, distance, _ = ClosestPoint(pulp).query(points, max_distance_mm=FARTHEST_MM)
    if not np.isfinite(distance).any():
        return (unmeasured(name, f"the cut stays over {FARTHEST_MM:g} mm from the pulp", unit="mm"),)
    inside = sample(pit.prepared.layer_grids["pulp"], points) < 0.0
    distance = np.where(inside, -distance, distance)
    # Who lies beside whom is asked of the smoothed surface: within a ball about a point that noise drew down lie others it drew down.
    places = read_only(
        smoothed_vertices(submesh(bench.piece.surface, bench.is_cut), rounds=STEADY_ROUNDS)[near], np.float64
    )
    mean = means_within(places, places, read_only(distance, np.float64), MEAN_RADIUS_MM)
    mean = np.where(np.isfinite(distance), mean, np.inf)
    least = int(np.nanargmin(mean))
    # Points that noise moved lie farther apart than the surface's own: each mean's are counted where they lie.
    count = float((np.linalg.norm(places - places[least], axis=1) <= MEAN_RADIUS_MM).sum())
    beyond, choice = extreme_of(mean, pit.noise_mm / math.sqrt(count), alike=alike_means(count))
    value = 0.0 if mean[least] <= 0.0 else float(mean[least]) + beyond
    way = (points[least] - foot[least]) / max(abs(float(distance[least])), 1e-6)
    budget = (
        choice,
        Component("trueness", pit.shared_mm),
        Component("alignment", alignment_u_mm(pit.piece.alignment, points[least], way)),
        Component("mean over 0.3 mm", MEAN_RADIUS_MM**2 / 4.0 / max(value, 0.5)),
    )
    witness = Witness(
        "length", points[:: max(1, len(points) // 300)], np.array([[points[least], foot[least]]]),
        plane=_along(points[least], way, pit.prepared.mesial_sign),
    )  # fmt: skip
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def _along(point: FloatArray, way: FloatArray, mesial_sign: int) -> SectionPlane:
    """The upright section along a way, through its point; buccal on the left, or mesial of a way that runs more mesio-distally."""
    level = way * [1.0, 1.0, 0.0]
    if float(np.linalg.norm(level)) < LEAST_LEVEL:
        level = np.array([0.0, 1.0, 0.0])
    shown = level[1] if abs(level[1]) >= abs(level[0]) else mesial_sign * level[0]
    return SectionPlane(
        "pulp", point * [1.0, 1.0, 0.0], -np.sign(shown) * level / np.linalg.norm(level), np.array([0.0, 0.0, 1.0])
    )


def _nearest_part(points: FloatArray, pulp: Surface) -> NDArray[np.bool_]:
    """Which points may be the nearest: those not farther than the nearest of a sample of them, and a little."""
    some = slice(None, None, max(1, len(points) // 400))
    tree = ClosestPoint(pulp)
    away = tree.query(points[some], max_distance_mm=FARTHEST_MM)[1]
    if not np.isfinite(away).any():
        return np.zeros(len(points), dtype=bool) if not len(points) else np.ones(len(points), dtype=bool)
    reach = float(away[np.isfinite(away)].min()) + 1.0
    low, high = pulp.vertices_mm.min(axis=0) - reach, pulp.vertices_mm.max(axis=0) + reach
    return np.asarray(((points > low) & (points < high)).all(axis=1))


def pulp_exposed(pit: Pit) -> tuple[Reading, ...]:
    """Area of the cut surface that lies in the pulp."""
    name = "cavity.pulp_exposed_mm2"
    if "pulp" not in pit.prepared.layers:
        return (unmeasured(name, "the exercise has no pulp", unit="mm2", status="not_applicable"),)
    bench = pit.seen_from("occlusal").bench
    surface = submesh(bench.piece.surface, bench.is_cut)
    depth = -sample(pit.prepared.layer_grids["pulp"], surface.vertices_mm)
    rough = face_areas_mm2(surface)
    areas = rough / larger_by_noise(surface, rough, pit.noise_mm)
    shares = _shares_inside(surface.faces, _opened(surface.faces, depth))
    value, edge = float(shares @ areas), math.sqrt(4.0 * math.pi * float(shares @ areas))
    along = pit.noise_mm / math.sqrt(effective_count(edge_mm=bench.edge_mm, length_mm=edge))
    shift = math.sqrt(along**2 + pit.shared_mm**2 + float(np.diag(pit.piece.alignment.covariance)[3:].max()))
    either = [float(_shares_inside(surface.faces, _opened(surface.faces, depth + s)) @ areas) for s in (-shift, shift)]
    budget = (
        Component("surface, trueness and alignment", 0.5 * abs(either[1] - either[0])),
        Component("roughness taken off", ROUGHNESS_PART * float(shares @ (rough - areas))),
        Component("corners between triangles", CORNER_MM * edge if value else 0.0),
        Component("least opening that is seen", RESOLVED_MM2),
    )
    found = surface.vertices_mm[surface.faces[shares > 0.0]].mean(axis=1)
    return (
        measured(
            name,
            value,
            unit="mm2",
            budget=budget,
            witness=Witness("patch", points_mm=found[:: max(1, len(found) // 300)]),
        ),
    )


def _opened(faces: IntArray, depth: FloatArray) -> FloatArray:
    """Depths in the pulp where a patch of the cut is clearly in it somewhere; below 0 elsewhere."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    inside = depth > 0.0
    ends = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    ends = ends[inside[ends].all(axis=1)]
    graph = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(depth), len(depth)))
    patch = connected_components(graph, directed=False)[1]
    clear = np.bincount(patch, depth > BELOW_MM) > 0.0
    return np.where(inside & ~clear[patch], -1.0, depth)


def _shares_inside(faces: IntArray, depth: FloatArray) -> FloatArray:
    """(m,) which part of each face lies where a depth, linear over it, is above 0."""
    low, middle, high = np.sort(depth[faces], axis=1).T
    with np.errstate(divide="ignore", invalid="ignore"):
        one = high**2 / ((high - low) * (high - middle))
        two = 1.0 - low**2 / ((middle - low) * (high - low))
    found = np.where(middle > 0.0, two, one)
    return np.where(low >= 0.0, (high > 0.0).astype(float), np.where(high <= 0.0, 0.0, np.nan_to_num(found)))
