"""Uncertainties from simulated repeats (JCGM 101): the piece scanned and aligned again, many times, in thought."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from kerfmark.geometry.mesh import vertex_normals
from kerfmark.geometry.phantoms import smooth_field
from kerfmark.records import Component, FloatArray, Piece, Reading, Surface

__all__ = ["MonteCarlo", "repeated", "with_simulated_u"]


@dataclass(frozen=True, slots=True, eq=False)
class MonteCarlo:
    """How many repeats to simulate (200 give u within about 5 %), and from which generator."""

    draws: int
    rng: np.random.Generator


def with_simulated_u(
    piece: Piece, take: Callable[[Piece], tuple[Reading, ...]], monte_carlo: MonteCarlo
) -> tuple[Reading, ...]:
    """Readings of the piece as it is, with the scatter of simulated repeats as their uncertainty.

    Parameters
    ----------
    piece : Piece
    take : callable
        Takes the readings of a piece.
    monte_carlo : MonteCarlo

    Notes
    -----
    Source: JCGM 101:2008. Each repeat draws the noise of every point, the smooth error that points close together share
    (waves of 4 to 12 mm, as the budgets have it) and a small motion from the alignment's covariance; the neighbours'
    scans are drawn again with it. A reading that could not be taken in a repeat is left out of that repeat.
    """
    found = take(piece)
    values: dict[tuple[str, str | None, str | None], list[float]] = {r.key: [] for r in found}
    normals = {side: vertex_normals(surface) for side, surface in _scans(piece).items()}
    for _ in range(monte_carlo.draws):
        for reading in take(repeated(piece, normals, monte_carlo.rng)):
            if reading.value is not None and reading.key in values:
                values[reading.key].append(reading.value)
    return tuple(_with_u(reading, values[reading.key]) for reading in found)


def _scans(piece: Piece) -> dict[str, Surface]:
    """The piece's own surface, under an empty name, and its neighbours'."""
    return {"": piece.surface, **piece.neighbours}


def repeated(piece: Piece, normals: Mapping[str, FloatArray], rng: np.random.Generator) -> Piece:
    """The piece and its neighbours as another scan and another alignment might have given them.

    A motion is not drawn again: what is read off it keeps its budget. `normals` are each scan's at its vertices, the piece's own under an empty name. The piece has its own scan's errors in it
    already: a repeat has √2 times as much, and says so, or its noise would be taken for shape.
    """
    motion = rng.multivariate_normal(np.zeros(6), piece.alignment.covariance, method="eigh")
    moved: dict[str, Surface] = {}
    for side, surface in _scans(piece).items():
        points = surface.vertices_mm
        off_um = piece.noise_um * rng.standard_normal(len(points))
        if piece.trueness_um:
            off_um = off_um + piece.trueness_um * smooth_field(points, rng)
        seen = points + 1e-3 * off_um[:, None] * normals[side]
        moved[side] = Surface(seen + np.cross(motion[:3], seen) + motion[3:], surface.faces)
    noise, trueness = (math.sqrt(2.0) * um for um in (piece.noise_um, piece.trueness_um))
    return replace(
        piece, surface=moved.pop(""), neighbours=moved, noise_um=noise, trueness_um=trueness, motion=None, cut=None
    )


def _with_u(reading: Reading, values: list[float]) -> Reading:
    if reading.status != "measured" or len(values) < 2:
        return reading
    u = float(np.std(values, ddof=1))
    return replace(reading, u=u, budget=(Component("simulated repeats", u),))
