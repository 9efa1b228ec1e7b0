"""What is left over the pulp, and whether it is open."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import sample
from kerfmark.kernels.neighbourhoods import means_within
from kerfmark.measurement.budget import alignment_u_mm, effective_count, extreme_of, measured, unmeasured
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.records import Component, FloatArray, Reading, Surface, Witness

__all__ = ["pulp_exposed", "remaining_dentine"]

FARTHEST_MM = 8.0
MEAN_RADIUS_MM = 0.15
BELOW_MM = 0.02
RESOLVED_MM2 = 0.01


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
    mean = means_within(points, points, distance, MEAN_RADIUS_MM)
    mean = np.where(np.isfinite(distance), mean, np.inf)
    least = int(np.nanargmin(mean))
    count = effective_count(edge_mm=bench.edge_mm, area_mm2=math.pi * MEAN_RADIUS_MM**2)
    beyond, choice = extreme_of(mean, pit.noise_mm / math.sqrt(count), alike=count)
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
        plane=pit.seen_from("occlusal").plane(points[least], _side_of(way), name="pulp"),
    )  # fmt: skip
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def _side_of(way: FloatArray) -> str:
    """The section that shows a direction best, by one of the sides across it."""
    return "buccal" if abs(way[1]) >= abs(way[0]) else "mesial"


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
    depth = -sample(pit.prepared.layer_grids["pulp"], bench.cut.middles)
    areas = bench.cut.areas
    shift = math.sqrt(
        pit.noise_mm**2 / 4.0 + pit.shared_mm**2 + float(np.diag(pit.piece.alignment.covariance)[3:].max())
    )
    value = float(areas[depth > BELOW_MM].sum())
    either = [float(areas[depth > BELOW_MM + s].sum()) for s in (-shift, shift)]
    budget = (
        Component("surface, trueness and alignment", 0.5 * (either[0] - either[1])),
        Component("triangles along its edge", 0.5 * bench.edge_mm * math.sqrt(value)),
        Component("least opening that is seen", RESOLVED_MM2),
    )
    found = bench.cut.middles[depth > BELOW_MM]
    return (
        measured(
            name,
            value,
            unit="mm2",
            budget=budget,
            witness=Witness("patch", points_mm=found[:: max(1, len(found) // 300)]),
        ),
    )
