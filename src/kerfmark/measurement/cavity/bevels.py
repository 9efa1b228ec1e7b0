"""The bevel of a class III or IV: its width along its face, and the angle between its face and the old surface."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kerfmark.measurement.budget import effective_count, measured, unmeasured
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["bevel_angle", "bevel_depth_mm", "bevel_width"]

HALF_WIDTH_MM, REACH_MM, DEEPEST_MM = 0.2, 2.0, 2.4
BELOW_KNEE_MM = 0.5
LEAST_POINTS = 6
LEAST_TURN = math.radians(15.0)
LEAST_WIDTH_MM = 0.1
LEAST_SHARE = 0.6
"""With a bevel all along nine tenths of the margin have one; without, up to a half seem to, where a wall turns round a corner."""
FROM_MM = 0.03
ALIKE_MM = 0.4
CLEAR_NOISE = 2.5
WALLS_OWN = Component("wall taken for a bevel", 2.0)


@dataclass(frozen=True, slots=True, eq=False)
class Bevels:
    """Bevels found along the margin: width, angle (degrees), outer end and knee of each, and the share of the margin."""

    width_mm: FloatArray
    angle_deg: FloatArray
    outer_mm: FloatArray
    knee_mm: FloatArray
    share: float


def bevel_width(pit: Pit) -> tuple[Reading, ...]:
    """Width of the bevel along its face, median along the margin; 0 where there is none."""
    return (_reading(pit, "cavity.bevel_width_mm", "mm"),)


def bevel_angle(pit: Pit) -> tuple[Reading, ...]:
    """Angle between the bevel's face and the old surface, median along the margin; where there is none, that of the walls themselves."""
    return (_reading(pit, "cavity.bevel_angle_deg", "deg"),)


def _reading(pit: Pit, name: str, unit: str) -> Reading:
    if pit.cavity_class not in (3, 4):
        return unmeasured(name, "only a class III or IV cavity is bevelled", unit=unit, status="not_applicable")
    if pit.trouble is not None:
        return unmeasured(name, pit.trouble, unit=unit)
    found = bevels_of(pit)
    if found.share < LEAST_SHARE:
        if unit == "deg":
            return _of_walls(pit, name)
        witness = Witness("curve", curves_mm=tuple(m.points_mm for m in pit.margins))
        return measured(
            name, 0.0, unit=unit, budget=(Component("least bevel that is seen", 0.5 * LEAST_WIDTH_MM),), witness=witness
        )
    values = found.width_mm if unit == "mm" else found.angle_deg
    middle = int(np.argsort(values)[len(values) // 2])
    return measured(
        name,
        float(np.median(values)),
        unit=unit,
        budget=_budget(pit, found, values, unit),
        witness=_witness(pit, found, middle, unit),
    )


def _of_walls(pit: Pit, name: str) -> Reading:
    lean = pit.margin.lean[pit.is_opening]
    lean = lean[np.isfinite(lean)]
    reason = "the margin has no bevel"
    if len(lean) < LEAST_POINTS:
        return unmeasured(name, reason, unit="deg")
    angles = 90.0 - np.degrees(np.arctan(lean))
    spread = 1.4826 * float(np.median(np.abs(angles - np.median(angles))))
    budget = (Component("along the margin", 1.25 * spread / math.sqrt(max(1.0, 0.1 * len(lean) / ALIKE_MM))), WALLS_OWN)
    witness = Witness("curve", curves_mm=tuple(m.points_mm for m in pit.margins))
    reason = f"{reason}: its walls leave the old surface at this angle"
    return measured(name, float(np.median(angles)), unit="deg", budget=budget, witness=witness, reason=reason)


def bevels_of(pit: Pit) -> Bevels:
    """The bevels along the opening's margin, found once."""
    if "bevels" not in pit.kept:
        pit.kept["bevels"] = _bevels(pit)
    found: Bevels = pit.kept["bevels"]
    return found


def bevel_depth_mm(pit: Pit, points_mm: FloatArray) -> float | None:
    """How deep the bevel goes along a part of the margin (k, 3), the median there; None where the margin has none."""
    if pit.cavity_class not in (3, 4) or (found := bevels_of(pit)).share < LEAST_SHARE:
        return None
    away = np.linalg.norm(found.outer_mm[:, None] - points_mm[None], axis=2).min(axis=1)
    near = away < ALIKE_MM
    if not near.any():
        return None
    return float(np.median(found.width_mm[near] * np.sin(np.radians(found.angle_deg[near]))))


def _budget(pit: Pit, found: Bevels, values: FloatArray, unit: str) -> tuple[Component, ...]:
    width = float(np.median(found.width_mm))
    stretches = max(1.0, 0.1 * len(values) / ALIKE_MM)
    count = effective_count(edge_mm=pit.seen_from("occlusal").bench.edge_mm, area_mm2=2.0 * HALF_WIDTH_MM * width)
    one = (
        2.5 * pit.noise_mm / math.sqrt(count)
        if unit == "mm"
        else math.degrees(pit.noise_mm * math.sqrt(12.0 / max(count, 2.0)) / width)
    )
    spread = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    drift = pit.shared_mm if unit == "mm" else math.degrees(0.2 * pit.shared_mm / max(width, 0.2))
    return (
        Component("surface noise", 1.25 * one / math.sqrt(stretches)),
        Component("along the margin", 1.25 * spread / math.sqrt(stretches)),
        Component("trueness", drift),
        Component("place of the knee", 0.006 if unit == "mm" else 0.3),
    )


def _witness(pit: Pit, found: Bevels, middle: int, unit: str) -> Witness:
    outer, knee = found.outer_mm[middle], found.knee_mm[middle]
    plane = pit.view.plane(pit.view.to_view(outer[None])[0], "occlusal")
    curves = (found.outer_mm, found.knee_mm)
    if unit == "mm":
        return Witness("length", found.outer_mm, np.array([[outer, knee]]), curves, plane)
    nearest = int(np.argmin(np.linalg.norm(pit.margin.points_mm - outer, axis=1)))
    way = pit.margin.inward[nearest]
    return Witness(
        "angle",
        found.outer_mm,
        np.array([[outer, knee], [outer, outer + 0.8 * np.linalg.norm(knee - outer) * way]]),
        (),
        plane,
    )


def _bevels(pit: Pit) -> Bevels:
    """Two straight lines fitted to what lies beside each point of the opening's margin: bevel, then wall."""
    bench, margin = pit.seen_from("occlusal").bench, pit.margin
    used = np.unique(bench.piece.surface.faces[bench.is_cut])
    points = bench.piece.surface.vertices_mm[used]
    chosen = np.flatnonzero(pit.is_opening)
    found = []
    for i in chosen:
        off = points - margin.points_mm[i]
        along = np.cross(margin.inward[i], margin.outward[i])
        inward, depth = off @ margin.inward[i], -(off @ margin.outward[i])
        near = (np.abs(off @ along) < HALF_WIDTH_MM) & (inward > -0.3) & (inward < REACH_MM)
        near &= (depth > FROM_MM) & (depth < DEEPEST_MM)
        ends = _knee(inward[near], depth[near], pit.noise_mm)
        if ends is not None:
            (b0, d0), (b1, d1) = ends
            at, way, down = margin.points_mm[i], margin.inward[i], -margin.outward[i]
            found.append((at + b0 * way + d0 * down, at + b1 * way + d1 * down))
    if not found:
        return Bevels(np.empty(0), np.empty(0), np.empty((0, 3)), np.empty((0, 3)), 0.0)
    outer, knee = (np.array(part) for part in zip(*found, strict=True))
    run = knee - outer
    width = np.linalg.norm(run, axis=1)
    nearest = [int(np.argmin(np.linalg.norm(margin.points_mm - o, axis=1))) for o in outer]
    angle = np.degrees(np.arcsin(np.clip(-(run * margin.outward[nearest]).sum(axis=1) / width, -1.0, 1.0)))
    return Bevels(width, angle, outer, knee, len(found) / max(len(chosen), 1))


def _knee(
    inward: FloatArray, depth: FloatArray, noise_mm: float
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Outer end and knee (inward, depth) of the best pair of lines inward = a + b · depth, the upper leaning in more; or none."""
    order = np.argsort(depth)
    d, b = depth[order], inward[order]
    if len(d) < 2 * LEAST_POINTS:
        return None
    sums = np.cumsum(np.column_stack([np.ones_like(d), d, b, d * d, d * b, b * b]), axis=0)
    best: tuple[float, FloatArray, FloatArray] | None = None
    for k in range(LEAST_POINTS, len(d) - LEAST_POINTS):
        end = int(np.searchsorted(d, d[k] + BELOW_KNEE_MM))
        if end - k < LEAST_POINTS or d[end - 1] - d[k] < 0.12 or d[k] - d[0] < 0.04:
            continue
        upper, lower = _line(sums[k - 1]), _line(sums[end - 1] - sums[k - 1])
        if math.atan(upper[1]) - math.atan(lower[1]) < LEAST_TURN:
            continue
        square = (upper[2] + lower[2]) / end
        if best is None or square < best[0]:
            best = (square, upper, lower)
    if best is None:
        return None
    _, upper, lower = best
    upper, lower = _clear_of_the_knee(d, sums, upper, lower, noise_mm)
    at = _meet(upper, lower)
    outer, knee = (float(upper[0]), 0.0), (float(upper[0] + upper[1] * at), at)
    return (outer, knee) if math.hypot(knee[0] - outer[0], at) > LEAST_WIDTH_MM and at > 0.0 else None


def _meet(upper: FloatArray, lower: FloatArray) -> float:
    """The depth where two lines cross."""
    return float((lower[0] - upper[0]) / (upper[1] - lower[1]))


def _clear_of_the_knee(
    d: FloatArray, sums: FloatArray, upper: FloatArray, lower: FloatArray, noise_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Both lines anew from what lies clear of where they meet, by as far as noise hides which of them a point belongs to.

    The best pair of lines through noisy points parts them beyond the knee as often as not, and what the upper then takes from
    the wall below bends it down.
    """
    at = _meet(upper, lower)
    clear = CLEAR_NOISE * noise_mm / (upper[1] - lower[1])
    first, second = int(np.searchsorted(d, at - clear)), int(np.searchsorted(d, at + clear))
    end = int(np.searchsorted(d, at + BELOW_KNEE_MM))
    if first < LEAST_POINTS or end - second < LEAST_POINTS:
        return upper, lower
    again = _line(sums[first - 1]), _line(sums[end - 1] - sums[second - 1])
    return again if again[0][1] - again[1][1] > math.tan(LEAST_TURN) else (upper, lower)


def _line(sums: FloatArray) -> FloatArray:
    """a, b and the sum of squares off the least-squares line b = a + b · d, from sums over its points."""
    n, d, b, dd, db, bb = sums
    spread = max(dd - d * d / n, 1e-12)
    slope = (db - d * b / n) / spread
    return np.array([(b - slope * d) / n, slope, max(bb - b * b / n - slope * slope * spread, 0.0)])
