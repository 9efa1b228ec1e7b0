"""Places on the subject: points of what is not cut, site patches, points of the crown from which reduction is measured."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise, tooth_frame
from kerfmark.exercise.preparing.sampling import sampled, smoothed, visible
from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import area_mm2, joined, submesh
from kerfmark.geometry.rays import RayCaster
from kerfmark.records import FloatArray, Grid, Remark, Site, Surface

__all__ = ["crown_points", "fixed_points", "site_patch", "sites_of"]

EDGE_COSINE = 0.94
"""An incisal edge is what faces within 20° of the long axis."""

FIXED_COUNT = 20_000
ENVELOPE_MARGIN_MM = 0.1
SAME_MM = 0.02
ERODED_MM = 0.2
SITE_RADIUS_MM = 0.5
SITE_SPACING_MM = 0.05
NORMAL_RADIUS_MM, NORMAL_SPACING_MM = 0.3, 0.06
CROWN_SPACING_MM = 0.15
BELOW_CROWN_MM = -2.0
FEW_POINTS = 500
SCANNED_BELOW_MM = 4.0


def fixed_points(
    exercise: Exercise, surfaces: Surfaces, *, subject_grid: Grid, target_grid: Grid | None, envelope_grid: Grid | None
) -> tuple[FloatArray, FloatArray, tuple[Remark, ...]]:
    """About 20,000 visible points of what the exercise says is not cut, with outward normals.

    The subject's are those visible on the subject alone: gingiva hides its root in the jaw, but not out of it.

    Returns
    -------
    points_mm, normals : (k, 3) float arrays
    remarks : tuple of Remark
        Where the exercise says too little of what stays.
    """
    bodies = {"subject": surfaces.subject, **surfaces.neighbours}
    if surfaces.gingiva is not None:
        bodies["gingiva"] = surfaces.gingiva
    everything, alone = RayCaster(joined(bodies.values())), RayCaster(surfaces.subject)
    spacing = float(np.sqrt(sum(area_mm2(body) for body in bodies.values()) / (3 * FIXED_COUNT)))
    remarks: tuple[Remark, ...] = ()
    points, normals = [], []
    for name, body in bodies.items():
        places, outward = sampled(body, spacing_mm=spacing, most=6 * FIXED_COUNT)
        if name == "subject":
            keep, remarks = _uncut(exercise, places, outward, subject_grid, target_grid, envelope_grid)
            keep &= _within_a_scan(exercise, places, envelope_grid)
            places, outward = places[keep], outward[keep]
        seen = visible(places, outward, alone if name == "subject" else everything)
        points.append(places[seen])
        normals.append(outward[seen])
    every, directions = np.concatenate(points), np.concatenate(normals)
    chosen = np.unique(np.linspace(0, len(every) - 1, min(FIXED_COUNT, len(every))).astype(int))
    return every[chosen], directions[chosen], remarks


def _uncut(
    exercise: Exercise,
    points: FloatArray,
    normals: FloatArray,
    subject_grid: Grid,
    target_grid: Grid | None,
    envelope_grid: Grid | None,
) -> tuple[NDArray[np.bool_], tuple[Remark, ...]]:
    """Which subject points stay as they are: outside the envelope, else where the target equals the subject."""
    if envelope_grid is not None:
        keep: NDArray[np.bool_] = sample(envelope_grid, points) > ENVELOPE_MARGIN_MM
        if keep.sum() >= FEW_POINTS or target_grid is None:
            return keep, ()
    if target_grid is not None:
        return _unchanged(points, normals, subject_grid, target_grid), ()
    away = _far_from_plan(exercise, points)
    if away is not None:
        return away, ()
    remark = Remark(
        "nothing-fixed",
        "exercise.toml",
        "neither an envelope nor a target says what is not cut; pieces are aligned on the lower part of the subject",
    )
    return points[:, 2] < _lower_part(exercise, points), (remark,)


def _within_a_scan(exercise: Exercise, points: FloatArray, envelope_grid: Grid | None) -> NDArray[np.bool_]:
    """Of a tooth not the far end of the root, which scans of a crown seldom reach: down to 4 mm below what may be cut."""
    if exercise.tooth is None or envelope_grid is None:
        return np.ones(len(points), dtype=bool)
    inside = np.flatnonzero((envelope_grid.values < 0).any(axis=(0, 1)))
    lowest = envelope_grid.origin_mm[2] + envelope_grid.spacing_mm * (inside[0] if len(inside) else 0)
    return np.asarray(points[:, 2] > lowest - SCANNED_BELOW_MM)


def _unchanged(points: FloatArray, normals: FloatArray, subject_grid: Grid, target_grid: Grid) -> NDArray[np.bool_]:
    """Where target and subject are the same within 20 µm, here and on a ring of 0.2 mm round each point."""
    keep: NDArray[np.bool_] = np.abs(sample(target_grid, points)) < SAME_MM
    helper = np.where(np.abs(normals[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    across = np.cross(normals, helper)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    along = np.cross(normals, across)
    for turn in np.arange(8) * np.pi / 4:
        ring = points + ERODED_MM * (np.cos(turn) * across + np.sin(turn) * along)
        keep &= np.abs(sample(target_grid, ring) - sample(subject_grid, ring)) < SAME_MM
    return keep


def _far_from_plan(exercise: Exercise, points: FloatArray) -> NDArray[np.bool_] | None:
    """Away from a planned line, outline or implant; None where there is no such plan."""
    target, frame = exercise.target, tooth_frame(exercise.frame)
    if target.line is not None:
        path = transform_points(frame, target.line)
        return _distance_to_path(points, path) > 0.5 * (target.width_mm or 0.0) + 0.75
    if target.implant is not None:
        path = transform_points(frame, [target.implant.entry, target.implant.apex])
        return _distance_to_path(points, path) > 0.5 * target.implant.diameter_mm + 1.0
    if target.outline is not None:
        outline = transform_points(frame, target.outline)
        reach = float(np.linalg.norm(outline - outline.mean(axis=0), axis=1).max())
        return np.asarray(np.linalg.norm(points - outline.mean(axis=0), axis=1) > reach + 0.75)
    return None


def _distance_to_path(points: FloatArray, path: FloatArray) -> FloatArray:
    nearest = np.full(len(points), np.inf)
    for start, end in pairwise(path):
        span = end - start
        share = np.clip((points - start) @ span / max(float(span @ span), 1e-12), 0.0, 1.0)
        nearest = np.minimum(nearest, np.linalg.norm(points - start - share[:, None] * span, axis=1))
    return nearest


def _lower_part(exercise: Exercise, points: FloatArray) -> float:
    """The height below which nothing is cut when nobody says so: the cervical line, or half way up."""
    low, high = float(points[:, 2].min()), float(points[:, 2].max())
    return 0.5 * (low + high) if low > -1.0 or exercise.tooth is None else 0.0


def crown_points(exercise: Exercise, subject: Surface) -> tuple[FloatArray, FloatArray]:
    """Points of the subject's crown (a block's whole surface), 0.15 mm apart, with smooth inward normals."""
    points, normals = sampled(subject, spacing_mm=CROWN_SPACING_MM)
    around = sampled(subject, spacing_mm=NORMAL_SPACING_MM, most=200_000)
    inward = -smoothed(points, normals, radius_mm=NORMAL_RADIUS_MM, among=around)
    keep = points[:, 2] > BELOW_CROWN_MM if exercise.tooth is not None else np.ones(len(points), dtype=bool)
    return points[keep], inward[keep]


def sites_of(exercise: Exercise, subject: Surface, *, frame: FloatArray) -> tuple[Site, ...]:
    """The sites with their patches: every subject point within 0.5 mm of the named one.

    Raises
    ------
    InputError
        If the subject's surface is farther than that from a site's point.
    """
    sites = []
    for entry in exercise.sites:
        point = transform_points(frame, [entry.point])[0]
        patch = site_patch(subject, point, role=entry.role)
        if patch is None:
            raise InputError(
                f"exercise.toml: site '{printable(entry.name, limit=60)}' is over {SITE_RADIUS_MM} mm from the subject's "
                "surface, expected a point on it, in the coordinates of the surface file. Correct its point."
            )
        sites.append(Site(entry.name, entry.role, point, *patch))
    return tuple(sites)


def site_patch(subject: Surface, point: FloatArray, *, role: str) -> tuple[FloatArray, FloatArray] | None:
    """The subject points that a site stands for and their inward normals; None where the surface is not near the point.

    They lie within 0.5 mm of it. Of an incisal edge only those that face it: from its slopes the inward normal never meets the
    cut top.
    """
    patch = _patch(subject, point)
    if patch is None or role != "incisal_edge":
        return patch
    down = patch[1][:, 2] < -EDGE_COSINE
    return (patch[0][down], patch[1][down]) if down.any() else patch


def _patch(subject: Surface, point: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Dense points within 0.5 mm of `point` and their inward normals; None where there are none."""
    reach = SITE_RADIUS_MM + NORMAL_RADIUS_MM
    corners = subject.vertices_mm[subject.faces]
    close = ((corners.min(axis=1) < point + reach) & (corners.max(axis=1) > point - reach)).all(axis=1)
    if not close.any():
        return None
    near = submesh(subject, close)
    points, normals = sampled(near, spacing_mm=SITE_SPACING_MM, most=400_000)
    away = np.linalg.norm(points - point, axis=1)
    points, normals, away = points[away < reach], normals[away < reach], away[away < reach]
    if not (away <= SITE_RADIUS_MM).any():
        return None
    inward = -smoothed(points, normals, radius_mm=NORMAL_RADIUS_MM)
    return points[away <= SITE_RADIUS_MM], inward[away <= SITE_RADIUS_MM]
