"""The cavosurface margin: the closed curves on the old surface at which a cut begins, and how its wall leaves each point.

The border of the cut faces says roughly where it runs. The exact place is where the wall, fitted beside each point as a
straight line in depth, comes up to the old surface: a level of the depth alone would lie up to its own height inside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.grids import sample, sample_with_gradient
from kerfmark.geometry.mesh import area_mm2, boundary_loops, components, submesh
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.rims import walls_beside
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import FloatArray, Surface

__all__ = ["FIT_LENGTH_MM", "Margin", "corners_u_mm2", "cut_patches", "margins_of"]

STEP_MM = 0.1
FIT_LENGTH_MM = 0.4
"""The stretch of margin whose place is stated to be so and so sure: other lengths go with the root of theirs over this."""
SMOOTHED_MM = 0.5
LEAST_LENGTH_MM = 2.0
LEAST_AREA_MM2, LEAST_AREA_PART = 0.3, 0.02
DEEP_MM = 0.35
FROM_MM, TO_MM = 0.06, 0.45
REACH_MM, HALF_WIDTH_MM, EDGES_WIDE = 0.75, 0.25, 2.2
"""How far to either side points of a wall are taken together: of wide triangles so far that there are a dozen of them."""
ROUNDED = 0.4
"""Four corners, alike, each of about a tenth of the square on that half width: found with triangles of 0.2 mm without noise."""
CORNER_MM, CORNER_OFF, OVERLAP = 0.01, 1.5, 0.2
"""A corner is where points lie off the parabola by so much, and by so many times the usual; one side's window reaches a little over."""
FARTHEST_MM = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Margin:
    """One closed curve of the margin in even steps, counter-clockwise about the cut seen from outside the tooth.

    Attributes
    ----------
    points_mm : (k, 3) float array
        On the old surface; its first point is not repeated.
    outward : (k, 3) float array
        The old surface's unit normals there.
    inward : (k, 3) float array
        Unit directions in the old surface, at right angles to the curve, towards the cut.
    lean : (k,) float array
        How far the wall goes inwards for each millimetre of depth; NaN where no wall could be fitted.
    loose : (k,) float array
        Noise of the place of 0.4 mm of the margin for each unit of a vertex' noise; NaN where no wall could be fitted.
    """

    points_mm: FloatArray
    outward: FloatArray
    inward: FloatArray
    lean: FloatArray
    loose: FloatArray

    @property
    def angle_deg(self) -> FloatArray:
        """(k,) cavosurface angle through the tooth, degrees: 90 for a wall square to the old surface, more for a bevel."""
        return np.asarray(90.0 + np.degrees(np.arctan(self.lean)))

    def noise_mm(self, each_mm: float) -> float:
        """Noise of the place of 0.4 mm of it, of vertices with so much each: of lines through those there are, drawn out to depth 0.

        At 10 µm 2.5 times that of the mean of those vertices, at 50 µm, where only what lies deeper counts as cut, 3.6 times.
        """
        return each_mm * float(np.nanmedian(self.loose))

    @property
    def length_mm(self) -> float:
        """Its whole length."""
        return float(np.linalg.norm(np.diff(self.points_mm, axis=0, append=self.points_mm[:1]), axis=1).sum())


def half_width_mm(bench: Bench) -> float:
    """How far to either side of a margin point the points of its wall are taken together."""
    return max(HALF_WIDTH_MM, EDGES_WIDE * bench.edge_mm)


def corners_u_mm2(bench: Bench) -> float:
    """Standard uncertainty of the area inside a margin whose corners are rounded because triangles are wide; else 0."""
    return ROUNDED * (half_width_mm(bench) ** 2 - HALF_WIDTH_MM**2)


def cut_patches(bench: Bench) -> tuple[Surface, ...]:
    """The connected parts of the cut surface, largest first, without specks."""
    found = components(submesh(bench.piece.surface, bench.is_cut)) if bench.has_cut else ()
    least = max(LEAST_AREA_MM2, LEAST_AREA_PART * area_mm2(found[0])) if found else 0.0
    return tuple(part for part in found if area_mm2(part) >= least)


def margins_of(bench: Bench) -> tuple[Margin, ...]:
    """The margins of everything that is cut, longest first; none where nothing is."""
    found = [_refined(bench, part, loop) for part in cut_patches(bench) for loop in _rims(bench, part)]
    return tuple(sorted((m for m in found if m.length_mm > LEAST_LENGTH_MM), key=lambda m: -m.length_mm))


def _rims(bench: Bench, part: Surface) -> list[FloatArray]:
    """The borders of a part that lie on the old surface; the others are holes of the scan."""
    loops = [loop for loop in boundary_loops(part) if len(loop) > 8]
    return [
        loop
        for loop in loops
        if float(np.median(-sample(bench.prepared.subject_grid, loop))) < DEEP_MM and _length(loop) > LEAST_LENGTH_MM
    ]


def _length(loop: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(loop, axis=0, append=loop[:1]), axis=1).sum())


def _refined(bench: Bench, part: Surface, rim: FloatArray) -> Margin:
    grid = bench.prepared.subject_grid
    curve = _onto(bench, even_loop(rim, step_mm=STEP_MM, smoothed_mm=SMOOTHED_MM))
    depths = -sample(grid, part.vertices_mm)
    wall = (depths > max(FROM_MM, bench.least_mm)) & (depths < TO_MM)
    points, depths = read_only(part.vertices_mm[wall], np.float64), read_only(depths[wall], np.float64)
    along, outward, inward = _frames(bench, curve)
    if not len(points):
        return Margin(curve, outward, inward, *np.full((2, len(curve)), np.nan))
    begins, lean, loose = _walls(curve, along, inward, points, depths, half_width_mm=half_width_mm(bench))
    lean[~(np.abs(begins) < FARTHEST_MM)] = np.nan
    moved = np.where(np.isfinite(lean), begins, _bridged(begins, np.isfinite(lean)))
    placed = _onto(bench, curve + moved[:, None] * inward)
    _along, outward, inward = _frames(bench, placed)
    return Margin(placed, outward, inward, lean, loose)


def _walls(
    curve: FloatArray,
    along: FloatArray,
    inward: FloatArray,
    points: FloatArray,
    depths: FloatArray,
    *,
    half_width_mm: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of each curve point where its wall begins, how it leans and how loose that is; beside a corner from the wall on its own side.

    A parabola across a corner rounds it and lies outside beside it. It tells: its points lie farther off it than elsewhere
    along the margin, and farther than those of one side alone.
    """
    both = _beside(curve, along, inward, points, depths, half_width_mm, half_width_mm)
    begins, lean, off, loose = (
        both.begins,
        both.lean,
        both.off,
        both.loose * np.sqrt(2.0 * half_width_mm / FIT_LENGTH_MM),
    )
    usual = float(np.nanmedian(off)) if np.isfinite(off).any() else 0.0
    corner = np.flatnonzero(off > max(CORNER_MM, CORNER_OFF * usual))
    for behind, ahead in ((2.0, OVERLAP), (OVERLAP, 2.0)):
        at, on, way = curve[corner], along[corner], inward[corner]
        one = _beside(at, on, way, points, depths, behind * half_width_mm, ahead * half_width_mm)
        better = (one.off < off[corner]) & (np.abs(one.begins - both.begins[corner]) < half_width_mm)
        put = corner[better]
        begins[put], lean[put], off[put] = one.begins[better], one.lean[better], one.off[better]
    return begins, lean, loose


@dataclass(frozen=True, slots=True, eq=False)
class _Fits:
    """Of each of some curve points where its wall begins, how it leans, how far its points lie off the fit, how loose that is."""

    begins: FloatArray
    lean: FloatArray
    off: FloatArray
    loose: FloatArray


def _beside(
    curve: FloatArray,
    along: FloatArray,
    inward: FloatArray,
    points: FloatArray,
    depths: FloatArray,
    behind_mm: float,
    ahead_mm: float,
) -> _Fits:
    at, on, way = (read_only(v, np.float64) for v in (curve, along, inward))
    begins, lean, _, off, loose = walls_beside(at, on, way, points, depths, REACH_MM, behind_mm, ahead_mm)
    return _Fits(begins.copy(), lean.copy(), off.copy(), loose)


def _bridged(values: FloatArray, known: np.ndarray) -> FloatArray:
    """Values round a closed curve, gaps bridged straight; 0 where none is known."""
    if not known.any():
        return np.zeros(len(values))
    at = np.arange(len(values))
    return np.asarray(np.interp(at, at[known], values[known], period=len(values)))


def _onto(bench: Bench, points: FloatArray) -> FloatArray:
    """The points moved along the old surface's normals onto it."""
    for _ in range(2):
        height, slope = sample_with_gradient(bench.prepared.subject_grid, points)
        points = points - height[:, None] * slope / np.maximum((slope**2).sum(axis=1, keepdims=True), 0.25)
    return points


def _frames(bench: Bench, curve: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit directions along a closed curve, out of the old surface, and into the cut."""
    outward = _unit(sample_with_gradient(bench.prepared.subject_grid, curve)[1])
    along = np.roll(curve, -2, axis=0) - np.roll(curve, 2, axis=0)
    along = _unit(along - (along * outward).sum(axis=1, keepdims=True) * outward)
    return along, outward, np.cross(outward, along)


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), 1e-12))


def even_loop(loop: FloatArray, *, step_mm: float, smoothed_mm: float) -> FloatArray:
    """A closed polyline in even steps, its jags smoothed by a Gaussian whose half width at half height is `smoothed_mm` / 2."""
    fine = _resampled(loop, max(64, round(_length(loop) / 0.02)))
    spacing = _length(fine) / len(fine)
    per_mm = np.fft.rfftfreq(len(fine), spacing)[:, None]
    smooth = np.fft.irfft(np.fft.rfft(fine, axis=0) * 2.0 ** -((smoothed_mm * per_mm) ** 2), len(fine), axis=0)
    return _resampled(smooth, max(16, round(_length(smooth) / step_mm)))


def _resampled(loop: FloatArray, count: int) -> FloatArray:
    closed = np.concatenate([loop, loop[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    wanted = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(wanted, along, closed[:, k]) for k in range(3)])
