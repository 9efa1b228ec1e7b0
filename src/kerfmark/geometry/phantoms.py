"""Simulated scans of known surfaces, and random poses: for tests, proofs and demonstrations, never for real pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.evening import evened, refined
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.mesh import transformed, vertex_normals
from kerfmark.records import FloatArray, Surface

__all__ = ["random_pose", "refined", "scanned", "smooth_field"]

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
    even: bool = True,
) -> Surface:
    """A simulated scan of a surface: finer triangles, errors along the normals, another place in space.

    Parameters
    ----------
    surface : Surface
    noise_um : float
        Standard deviation of each point along its normal, independent from point to point, µm.
    edge_mm : float
        About how long the sides of the scan's triangles are; before noise its points lie on the surface.
    rng : numpy.random.Generator
    pose : (4, 4) float array, optional
        Carries the scan to where it ends up; without it the scan stays in place.
    trueness_um : float
        Standard deviation of a smooth error shared by neighbouring points (waves of 4 to 12 mm), µm.

    even : bool
        False keeps the surface's own triangles, where they are even already; `edge_mm` then means nothing.

    Returns
    -------
    scan : Surface
    """
    fine = evened(surface, edge_mm) if even else surface
    points = fine.vertices_mm
    error_um = noise_um * rng.standard_normal(len(points))
    if trueness_um:
        error_um = error_um + trueness_um * smooth_field(points, rng)
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


def smooth_field(points_mm: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A random smooth function of place (n,) with standard deviation 1: a sum of plane waves 4 to 12 mm long."""
    directions = rng.standard_normal((WAVES, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    waves = 2.0 * np.pi * directions / rng.uniform(*WAVELENGTHS_MM, (WAVES, 1))
    field: FloatArray = np.cos(points_mm @ waves.T + rng.uniform(0.0, 2.0 * np.pi, WAVES)).sum(axis=1)
    field *= np.sqrt(2.0 / WAVES)
    return field
