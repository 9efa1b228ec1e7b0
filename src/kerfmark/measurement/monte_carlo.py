"""Uncertainties from simulated repeats (JCGM 101): the piece scanned and aligned again, many times, in thought."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from kerfmark.geometry.mesh import vertex_normals
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
    Source: JCGM 101:2008. Each repeat draws the noise of every point, the error they share and a small motion from the
    alignment's covariance. A reading that could not be taken in a repeat is left out of that repeat.
    """
    found = take(piece)
    values: dict[tuple[str, str | None, str | None], list[float]] = {r.key: [] for r in found}
    normals = vertex_normals(piece.surface)
    for _ in range(monte_carlo.draws):
        for reading in take(repeated(piece, normals, monte_carlo.rng)):
            if reading.value is not None and reading.key in values:
                values[reading.key].append(reading.value)
    return tuple(_with_u(reading, values[reading.key]) for reading in found)


def repeated(piece: Piece, normals: FloatArray, rng: np.random.Generator) -> Piece:
    """The piece as another scan and another alignment might have given it."""
    points = piece.surface.vertices_mm
    off_um = piece.noise_um * rng.standard_normal(len(points)) + piece.trueness_um * rng.standard_normal()
    moved = points + 1e-3 * off_um[:, None] * normals
    motion = rng.multivariate_normal(np.zeros(6), piece.alignment.covariance, method="eigh")
    moved = moved + np.cross(motion[:3], moved) + motion[3:]
    return replace(piece, surface=Surface(moved, piece.surface.faces))


def _with_u(reading: Reading, values: list[float]) -> Reading:
    if reading.status != "measured" or len(values) < 2:
        return reading
    u = float(np.std(values, ddof=1))
    return replace(reading, u=u, budget=(Component("simulated repeats", u),))
