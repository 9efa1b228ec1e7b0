"""Outlines of implants and canals in a plane, exact and quick enough to follow a finger."""

from __future__ import annotations

from typing import Final

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.frames import perpendiculars
from kerfmark.records import FloatArray, IntArray, SectionPlane, Surface

__all__ = ["in_plane", "rod_outline", "tube_surface"]

SIDES: Final = 72
TUBE_SIDES: Final = 28


def in_plane(plane: SectionPlane, points_mm: FloatArray) -> FloatArray:
    """Points (n, 3) as (n, 2): across and up from the plane's origin, mm; how far they lie off it is left out."""
    away = np.asarray(points_mm, dtype=float) - plane.origin_mm
    return np.asarray(np.column_stack([away @ plane.across, away @ plane.up]))


def rod_outline(rod: Cylinder, plane: SectionPlane) -> FloatArray:
    """Where a plane meets a cylinder: a convex polygon (n, 2), closed, across and up, mm; empty where it misses.

    Examples
    --------
    >>> rod = Cylinder(np.zeros(3), np.array([0.0, 0.0, -10.0]), 2.0)
    >>> upright = SectionPlane("x", np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    >>> outline = rod_outline(rod, upright)
    >>> outline.min(axis=0).round(2).tolist(), outline.max(axis=0).round(2).tolist()
    ([-2.0, -10.0], [2.0, 0.0])
    """
    first, second = perpendiculars(rod.way)
    turn = np.arange(SIDES) * 2.0 * np.pi / SIDES
    ring = rod.radius_mm * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second)
    top, foot = rod.entry_mm + ring, rod.apex_mm + ring
    starts = np.vstack([top, foot, top])
    ends = np.vstack([np.roll(top, -1, axis=0), np.roll(foot, -1, axis=0), foot])
    normal = np.cross(plane.across, plane.up)
    a, b = (starts - plane.origin_mm) @ normal, (ends - plane.origin_mm) @ normal
    met = (a <= 0.0) != (b <= 0.0)
    if met.sum() < 3:
        return np.empty((0, 2))
    share = a[met] / (a[met] - b[met])
    flat = in_plane(plane, starts[met] + share[:, None] * (ends[met] - starts[met]))
    middle = flat.mean(axis=0)
    order = np.argsort(np.arctan2(*(flat - middle).T[::-1]))
    return np.vstack([flat[order], flat[order[:1]]])


def tube_surface(line_mm: FloatArray, radius_mm: float) -> Surface:
    """A closed tube about a line (k, 3), with flat ends."""
    way = np.gradient(line_mm, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    turn = np.arange(TUBE_SIDES) * 2.0 * np.pi / TUBE_SIDES
    first, _ = perpendiculars(way[0])
    rings = []
    for at, along in zip(line_mm, way, strict=True):
        first = first - (first @ along) * along  # carried on without turning about the line
        first /= np.linalg.norm(first)
        second = np.cross(along, first)
        rings.append(at + radius_mm * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second))
    vertices = np.vstack([*rings, line_mm[:1], line_mm[-1:]])
    return Surface(vertices, _tube_faces(len(line_mm)))


def _tube_faces(rings: int) -> IntArray:
    k = np.arange(TUBE_SIDES)
    after = (k + 1) % TUBE_SIDES
    faces = []
    for n in range(rings - 1):
        low, high = n * TUBE_SIDES, (n + 1) * TUBE_SIDES
        faces += [
            np.column_stack([low + k, low + after, high + k]),
            np.column_stack([low + after, high + after, high + k]),
        ]
    begin, end, last = rings * TUBE_SIDES, rings * TUBE_SIDES + 1, (rings - 1) * TUBE_SIDES
    faces.append(np.column_stack([np.full(TUBE_SIDES, begin), after, k]))
    faces.append(np.column_stack([np.full(TUBE_SIDES, end), last + k, last + after]))
    return np.ascontiguousarray(np.vstack(faces), dtype=np.int32)
