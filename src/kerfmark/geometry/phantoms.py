"""Simulated scans of known surfaces, and random poses: for tests, proofs and demonstrations, never for real pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.edges import face_edges
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.mesh import transformed, vertex_normals
from kerfmark.records import FloatArray, Surface

__all__ = ["random_pose", "refined", "scanned"]

WAVES = 12
WAVELENGTHS_MM = (4.0, 12.0)


def scanned(
    surface: Surface,
    *,
    noise_um: float,
    edge_mm: float,
    rng: np.random.Generator,
    pose: ArrayLike | None = None,
    trueness_um: float = 0.0,
) -> Surface:
    """A simulated scan of a surface: finer triangles, errors along the normals, another place in space.

    Parameters
    ----------
    surface : Surface
    noise_um : float
        Standard deviation of each point along its normal, independent from point to point, µm.
    edge_mm : float
        Edges longer than about this are split; shorter ones stay. New points lie exactly on the surface.
    rng : numpy.random.Generator
    pose : (4, 4) float array, optional
        Carries the scan to where it ends up; without it the scan stays in place.
    trueness_um : float
        Standard deviation of a smooth error shared by neighbouring points (waves of 4 to 12 mm), µm.

    Returns
    -------
    scan : Surface
    """
    fine = refined(surface, edge_mm)
    points = fine.vertices_mm
    error_um = noise_um * rng.standard_normal(len(points))
    if trueness_um:
        error_um = error_um + trueness_um * _smooth_field(points, rng)
    scan = Surface(points + 1e-3 * error_um[:, None] * vertex_normals(fine), fine.faces)
    return scan if pose is None else transformed(scan, pose)


def random_pose(rng: np.random.Generator, *, shift_mm: float = 20.0) -> FloatArray:
    """A 4 × 4 pose: any rotation, each as likely as any other, and a shift of up to `shift_mm` along each axis.

    Notes
    -----
    Source: a normal quaternion made unit is uniform over rotations (Shoemake 1992).
    """
    w, *axis = rng.standard_normal(4)
    angle_deg = float(np.degrees(2.0 * np.arctan2(np.linalg.norm(axis), w)))
    pose = rotation_about(axis, angle_deg)
    pose[:3, 3] = rng.uniform(-shift_mm, shift_mm, 3)
    return pose


def _smooth_field(points_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A random smooth function of place with standard deviation 1: a sum of plane waves."""
    directions = rng.standard_normal((WAVES, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    waves = 2.0 * np.pi * directions / rng.uniform(*WAVELENGTHS_MM, (WAVES, 1))
    field: FloatArray = np.cos(points_mm @ waves.T + rng.uniform(0.0, 2.0 * np.pi, WAVES)).sum(axis=1)
    field *= np.sqrt(2.0 / WAVES)
    return field


def refined(surface: Surface, edge_mm: float) -> Surface:
    """The same surface with every edge longer than 4/3 of `edge_mm` split in the middle until none is left."""
    while True:
        edges = face_edges(surface)
        a, b = surface.vertices_mm[edges.ends[:, 0]], surface.vertices_mm[edges.ends[:, 1]]
        long = np.linalg.norm(b - a, axis=1) > 4.0 / 3.0 * edge_mm
        if not long.any():
            return surface
        number = np.where(long, np.cumsum(long) - 1 + len(surface.vertices_mm), -1)
        vertices = np.concatenate([surface.vertices_mm, 0.5 * (a + b)[long]])
        surface = Surface(vertices, _split(surface.faces, number[edges.edge_of], vertices))


def _split(faces: np.ndarray, middle: np.ndarray, vertices: FloatArray) -> np.ndarray:
    """Faces cut at the middles (−1: none) of their sides into 1, 2, 3 or 4."""
    cut = middle >= 0
    cuts = cut.sum(axis=1)
    turn = np.zeros(len(faces), dtype=int)
    turn[cuts == 1] = np.argmax(cut[cuts == 1], axis=1)
    turn[cuts == 2] = (np.argmin(cut[cuts == 2], axis=1) + 1) % 3
    index = (np.arange(3) + turn[:, None]) % 3
    v, m = np.take_along_axis(faces, index, 1), np.take_along_axis(middle, index, 1)
    one, two, three = v[cuts == 1], v[cuts == 2], v[cuts == 3]
    m1, m2, m3 = m[cuts == 1], m[cuts == 2], m[cuts == 3]
    pieces = [v[cuts == 0], np.column_stack([one[:, 0], m1[:, 0], one[:, 2]]), np.column_stack([m1[:, 0], one[:, 1:]])]
    if len(two):
        pieces += _split_in_three(two, m2, vertices)
    pieces += [
        np.column_stack([three[:, 0], m3[:, 0], m3[:, 2]]), np.column_stack([m3[:, 0], three[:, 1], m3[:, 1]]),
        np.column_stack([m3[:, 2], m3[:, 1], three[:, 2]]), m3,
    ]  # fmt: skip
    return np.ascontiguousarray(np.concatenate(pieces), dtype=np.int32)


def _split_in_three(v: np.ndarray, m: np.ndarray, vertices: FloatArray) -> list[np.ndarray]:
    """Sides 0 and 1 are cut: the corner between them comes off, and what is left is cut along its shorter diagonal."""
    corner = np.column_stack([m[:, 0], v[:, 1], m[:, 1]])
    across = np.linalg.norm(vertices[m[:, 0]] - vertices[v[:, 2]], axis=1)
    other = np.linalg.norm(vertices[v[:, 0]] - vertices[m[:, 1]], axis=1)
    p, q = across <= other, across > other
    return [
        corner,
        np.column_stack([v[p, 0], m[p, 0], v[p, 2]]), np.column_stack([m[p, 0], m[p, 1], v[p, 2]]),
        np.column_stack([v[q, 0], m[q, 0], m[q, 1]]), np.column_stack([v[q, 0], m[q, 1], v[q, 2]]),
    ]  # fmt: skip
