"""Cuts of a surface by planes and half-planes; the surface may be open."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.frames import as_direction, azimuth_direction
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.slicing import slice_by_planes, slice_by_values
from kerfmark.records import FloatArray, SectionPlane, Surface

__all__ = ["level_curves", "radial_profiles", "section_curves", "sections"]


def section_curves(surface: Surface, plane: SectionPlane) -> tuple[FloatArray, ...]:
    """The curves in which a plane cuts a surface, longest first.

    A closed curve ends with the point it begins with; an open one ends at the surface's border.

    Parameters
    ----------
    surface : Surface
    plane : SectionPlane

    Returns
    -------
    curves_mm : tuple of (k, 3) float arrays
    """
    return sections(surface, [plane])[0]


def sections(surface: Surface, planes: Sequence[SectionPlane]) -> list[tuple[FloatArray, ...]]:
    """`section_curves` for many planes at once: one tuple of curves for each plane."""
    normals = np.array([np.cross(plane.across, plane.up) for plane in planes]).reshape(-1, 3)
    offsets = np.array([normal @ plane.origin_mm for normal, plane in zip(normals, planes, strict=True)])
    return [tuple(sorted(curves, key=_length, reverse=True)) for curves in _cut(surface, normals, offsets)]


def level_curves(surface: Surface, values: ArrayLike, level: float) -> tuple[FloatArray, ...]:
    """Where a field given at the vertices, linear over each face, has a value.

    Parameters
    ----------
    surface : Surface
    values : (n,) float array
        One for each vertex.
    level : float

    Returns
    -------
    curves_mm : tuple of (k, 3) float arrays
        Longest first. A closed curve ends with the point it begins with; an open one ends at the surface's border.
    """
    field = np.asarray(values, dtype=float) - level
    points, starts = slice_by_values(
        read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32), read_only(field, np.float64)
    )
    return tuple(sorted((points[a:b] for a, b in itertools.pairwise(starts.tolist())), key=_length, reverse=True))


def radial_profiles(
    surface: Surface, *, origin_mm: ArrayLike, path: ArrayLike, azimuths_deg: ArrayLike, mesial_sign: int
) -> list[tuple[FloatArray, ...]]:
    """The profiles of a surface in half-planes that all begin at one axis.

    Parameters
    ----------
    surface : Surface
    origin_mm : (3,) float array, mm
        A point on the axis; heights count from it.
    path : (3,) float array
        Direction of the axis.
    azimuths_deg : (n,) float array, degrees
        From facial (0°) towards mesial (90°); the direction is made square to `path`.
    mesial_sign : int
        +1 where mesial lies on +x, −1 where it lies on −x.

    Returns
    -------
    profiles : list of n tuples of (k, 2) float arrays, mm
        Radius from the axis (≥ 0) and height along `path`, longest curve first. A curve that reaches the axis at one end
        ends there; any other open curve begins at its lower end. A closed curve begins and ends at its lowest point.
    """
    azimuths = np.asarray(azimuths_deg, dtype=float).reshape(-1)
    origin, up = np.asarray(origin_mm, dtype=float), as_direction(path, name="path")
    out = azimuth_direction(azimuths, mesial_sign=mesial_sign)
    out = out - (out @ up)[:, None] * up
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    same_plane, of = np.unique(np.round(azimuths % 180.0, 9), return_inverse=True)
    first = np.array([np.flatnonzero(of == i)[0] for i in range(len(same_plane))], dtype=int)
    normals = np.cross(out[first], up)
    cuts = _cut(surface, normals, normals @ origin)
    return [
        _profiles([np.column_stack([(c - origin) @ out[i], (c - origin) @ up]) for c in cuts[of[i]]])
        for i in range(len(azimuths))
    ]


def _cut(surface: Surface, normals: FloatArray, offsets: FloatArray) -> list[list[FloatArray]]:
    """The chained curves of each plane normal · x = offset."""
    points, starts, planes = slice_by_planes(
        read_only(surface.vertices_mm, np.float64), read_only(surface.faces, np.int32),
        read_only(normals, np.float64), read_only(offsets, np.float64),
    )  # fmt: skip
    curves: list[list[FloatArray]] = [[] for _ in normals]
    for plane, start, end in zip(planes, starts[:-1], starts[1:], strict=True):
        curves[plane].append(points[start:end])
    return curves


def _profiles(curves: list[FloatArray]) -> tuple[FloatArray, ...]:
    pieces = [_ordered(piece) for curve in curves for piece in _outer_pieces(curve)]
    return tuple(sorted((p for p in pieces if len(p) > 1), key=_length, reverse=True))


def _outer_pieces(curve: FloatArray) -> list[FloatArray]:
    """The pieces of a (radius, height) curve with radius ≥ 0, cut exactly at the axis."""
    outside = curve[:, 0] >= 0.0
    if outside.all():
        return [curve]
    if not outside.any():
        return []
    if _closed(curve):
        turn = int(np.flatnonzero(~outside)[0])
        curve = np.concatenate([curve[turn:-1], curve[: turn + 1]])
        outside = curve[:, 0] >= 0.0
    steps = np.flatnonzero(np.diff(outside.astype(np.int8)))
    a, b = curve[steps], curve[steps + 1]
    at = a[:, :1] / (a[:, :1] - b[:, :1])
    cuts = a + at * (b - a)
    cuts[:, 0] = 0.0
    edges = [0, *(steps + 1).tolist(), len(curve)]
    pieces = []
    for i, (start, end) in enumerate(itertools.pairwise(edges)):
        if outside[start]:
            before, after = cuts[i - 1 : i] if i else cuts[:0], cuts[i : i + 1]
            pieces.append(np.concatenate([before, curve[start:end], after]))
    return pieces


def _ordered(piece: FloatArray) -> FloatArray:
    """Begin at the outer or lower end (see `radial_profiles`)."""
    if _closed(piece) and len(piece) > 2:
        lowest = int(np.argmin(piece[:-1, 1]))
        return np.concatenate([piece[lowest:-1], piece[: lowest + 1]])
    at_axis = piece[0, 0] == 0.0, piece[-1, 0] == 0.0
    turn = at_axis[0] if at_axis[0] != at_axis[1] else piece[0, 1] > piece[-1, 1]
    return piece[::-1].copy() if turn else piece


def _closed(curve: FloatArray) -> bool:
    return bool(np.array_equal(curve[0], curve[-1]))


def _length(curve: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(curve, axis=0), axis=1).sum())
