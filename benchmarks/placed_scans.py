"""A phantom's even surface as it is scanned and then placed by an alignment that errs: simulated, shared by the phantoms."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.phantoms import scanned
from kerfmark.records import Alignment, FloatArray, Piece, Surface


def placed_scan(
    even: Surface, rng: np.random.Generator, *, noise_um: float, trueness_um: float, covariance: FloatArray | None
) -> Piece:
    """The surface with noise at its own points, moved by a draw from the alignment's covariance (none: it stays)."""
    spread = np.zeros((6, 6)) if covariance is None else covariance
    motion = rng.multivariate_normal(np.zeros(6), spread, method="eigh")
    seen = scanned(even, noise_um=noise_um, edge_mm=1.0, rng=rng, trueness_um=trueness_um, even=False)
    points = seen.vertices_mm
    moved = Surface(points + np.cross(motion[:3], points) + motion[3:], seen.faces)
    return Piece("scan", "0" * 64, moved, Alignment(np.eye(4), 0.0, 1.0, spread, 20_000), noise_um, trueness_um)
