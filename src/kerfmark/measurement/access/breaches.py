"""Where a cavity breaks through to the outside other than by its opening: edges at which cut surface runs on as old surface.

A border of a scan is no edge of that kind: where a scanner did not look, a surface ends without running on. Such a hole
beside a rim takes nothing from what is left of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample, sample_with_gradient
from kerfmark.geometry.mesh import face_edges
from kerfmark.measurement.access.opened import SPECK, UNCUT, Opened
from kerfmark.records import FloatArray, IntArray

__all__ = ["Breach", "breaches_of"]

LEAST_LENGTH_MM = 0.6
"""A hole as wide as the smallest round bur's shank would be twice this round; noise on a thin wall makes shorter ones."""
AT_OPENING_MM = 0.5
OFF_ENAMEL_MM = 0.5
FACES_ACCESS = 0.5
"""What faces the access within 60° was cut into from outside, as a second opening is."""


@dataclass(frozen=True, slots=True, eq=False)
class Breach:
    """A rim of a way through: its points (k, 3), about how long it is, and whether it lies on the root."""

    points_mm: FloatArray
    length_mm: float
    on_root: bool


def breaches_of(case: Opened) -> tuple[Breach, ...]:
    """Every rim on the old surface that is on the root, or on the crown and neither the opening's nor faces the access."""
    surface, edges = case.piece.surface, face_edges(case.piece.surface)
    part = case.cut_part
    first, second = edges.first_two[edges.count == 2].T
    between = (part[first] == UNCUT) != (part[second] == UNCUT)
    ends, owner = edges.ends[edges.count == 2][between], np.maximum(part[first], part[second])[between]
    a, b = (surface.vertices_mm[end] for end in ends.T)
    rim = _Rim(ends, 0.5 * (a + b), np.linalg.norm(b - a, axis=1))
    root = _on_root(case, rim.middles_mm)
    counts = (owner != SPECK) & (root | ~_at_opening(case, rim.middles_mm))
    rim, root = rim.only(counts), root[counts]
    found = []
    for chosen in _chains(rim.ends):
        length, low = float(rim.lengths_mm[chosen].sum()), float(rim.lengths_mm[chosen & root].sum())
        if length >= LEAST_LENGTH_MM:
            found.append(Breach(rim.middles_mm[chosen], length, low >= LEAST_LENGTH_MM))
    return tuple(sorted(found, key=lambda breach: -breach.length_mm))


@dataclass(frozen=True, slots=True, eq=False)
class _Rim:
    """Edges (e, 2) between cut and old surface, their middles and lengths."""

    ends: IntArray
    middles_mm: FloatArray
    lengths_mm: FloatArray

    def only(self, chosen: NDArray[np.bool_]) -> _Rim:
        return _Rim(self.ends[chosen], self.middles_mm[chosen], self.lengths_mm[chosen])


def _at_opening(case: Opened, points: FloatArray) -> NDArray[np.bool_]:
    """(n,) which points of rims belong to the opening, or look the access's way as one beside it would."""
    from scipy.spatial import cKDTree

    rim = case.margins[0].points_mm if case.margins else case.outline
    way = sample_with_gradient(case.prepared.subject_grid, points)[1]
    facing = way @ case.axis > FACES_ACCESS * np.linalg.norm(way, axis=1)
    return np.asarray(facing | (cKDTree(rim).query(points)[0] < AT_OPENING_MM))


def _on_root(case: Opened, points: FloatArray) -> NDArray[np.bool_]:
    """(n,) which points lie clearly off the enamel and below the cervical line, or without layers below that alone."""
    grid = case.prepared.layer_grids.get("enamel")
    if grid is None:
        return np.asarray(points[:, 2] < -OFF_ENAMEL_MM)
    return np.asarray((sample(grid, points) > OFF_ENAMEL_MM) & (points[:, 2] < 0.0))


def _chains(ends: IntArray) -> list[NDArray[np.bool_]]:
    """Masks over edges (e, 2) of those that hang together."""
    if not len(ends):
        return []
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    used, corner = np.unique(ends, return_inverse=True)
    corner = corner.reshape(-1, 2)
    joined = coo_array((np.ones(len(corner)), (corner[:, 0], corner[:, 1])), shape=(len(used), len(used)))
    count, label = connected_components(joined, directed=False)
    return [label[corner[:, 0]] == n for n in range(count)]
