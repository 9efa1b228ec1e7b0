"""A head's outline as faces, fans and segments: what its exact signed distance is made of.

A convex body's signed distance is the largest of its support planes'. A flat face is one plane; an arc, or a corner (an arc
of radius 0), is a fan of planes whose largest is the distance to the arc's circle. So the distance to a convex head is the
largest of n·p − c over its faces and |p − c| − R over those fans that the point lies in.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from kerfmark.instruments.shapes import Arc, HeadPath
from kerfmark.records import FloatArray

__all__ = ["Outline", "distance_to", "outline_of"]

STRAIGHT = 1e-9
FAN_SLACK_MM = 1e-6
"""A point this far beside a fan counts as in it, so that rounding leaves no gap; the distance it gets is right to 1e-12 mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A head in its half plane (distance along the axis from the tip, radius), from the tip to its back.

    Attributes
    ----------
    faces : (k, 3) float array
        Outward unit normal and its product with a point of the face.
    fans : (m, 7) float array
        Centre, radius (0 for a corner), first and last normal, in the order they are met from the tip; arcs come before corners.
    arcs : int
        How many of `fans` are arcs.
    segments : (s, 4) float array
        The profile's straight pieces, arcs as chords: start and end.
    is_convex : bool
        Whether `faces` and `fans` give the distance; else only the segments do.
    """

    faces: FloatArray
    fans: FloatArray
    arcs: int
    segments: FloatArray
    is_convex: bool


def outline_of(path: HeadPath) -> Outline:
    """The outline of a path, closed onto the axis at both ends."""
    pieces = _closed(path)
    normals = [_normals(piece) for piece in pieces]
    ends = [(-1.0, 0.0), *itertools.chain(*normals), (1.0, 0.0)]
    joints = list(zip(ends[::2], ends[1::2], strict=True))
    turns = [a[0] * b[1] - a[1] * b[0] for a, b in joints]
    places = [_start(pieces[0]), *(_end(piece) for piece in pieces)]
    corners = [[*p, 0.0, *a, *b] for p, (a, b), t in zip(places, joints, turns, strict=True) if t < -STRAIGHT]
    arcs = [
        [p.along_mm, p.height_mm, p.radius_mm, *n[0], *n[1]]
        for p, n in zip(pieces, normals, strict=True)
        if isinstance(p, Arc)
    ]
    faces = [[*n[0], float(np.dot(n[0], p[0]))] for p, n in zip(pieces, normals, strict=True) if not isinstance(p, Arc)]
    chords = np.vstack([p.points() if isinstance(p, Arc) else np.array(p) for p in pieces])
    kept = np.r_[True, np.linalg.norm(np.diff(chords, axis=0), axis=1) > STRAIGHT]
    segments = np.hstack([chords[kept][:-1], chords[kept][1:]])
    return Outline(
        np.array(faces, dtype=float).reshape(-1, 3),
        np.array([*arcs, *corners], dtype=float).reshape(-1, 7),
        len(arcs),
        segments,
        max(turns) <= STRAIGHT,
    )


_Piece = Arc | tuple[tuple[float, float], tuple[float, float]]


def _closed(path: HeadPath) -> list[_Piece]:
    """Arcs, and straight pieces between what does not touch, from the axis to the axis."""
    first, last = _start(path[0]), _end(path[-1])
    whole: HeadPath = [(first[0], 0.0), *path, (last[0], 0.0)]
    pieces: list[_Piece] = []
    for before, after in itertools.pairwise(whole):
        if isinstance(before, Arc):
            pieces.append(before)
        start, end = _end(before), _start(after)
        if np.hypot(end[0] - start[0], end[1] - start[1]) > STRAIGHT:
            pieces.append((start, end))
    return pieces


def _start(piece: _Piece | tuple[float, float]) -> tuple[float, float]:
    if isinstance(piece, Arc):
        return piece.at(piece.start_rad)
    return piece[0] if isinstance(piece[0], tuple) else piece


def _end(piece: _Piece | tuple[float, float]) -> tuple[float, float]:
    if isinstance(piece, Arc):
        return piece.at(piece.end_rad)
    return piece[1] if isinstance(piece[1], tuple) else piece


def _normals(piece: _Piece) -> tuple[tuple[float, float], tuple[float, float]]:
    """Outward unit normals where a piece begins and ends."""
    if isinstance(piece, Arc):
        start, end = ((-float(np.cos(t)), float(np.sin(t))) for t in (piece.start_rad, piece.end_rad))
        return start, end
    (a, r), (b, s) = piece
    length = float(np.hypot(b - a, s - r))
    normal = (-(s - r) / length, (b - a) / length)
    return normal, normal


def distance_to(outline: Outline, along_mm: FloatArray, radius_mm: FloatArray) -> FloatArray:
    """Signed distance (mm, negative inside) of points given by their distance along the axis and from it."""
    if not outline.is_convex:
        return _to_segments(outline.segments, along_mm, radius_mm)
    distance = np.full(np.shape(along_mm), -np.inf)
    for normal_a, normal_r, offset in outline.faces:
        np.maximum(distance, normal_a * along_mm + normal_r * radius_mm - offset, out=distance)
    for centre_a, centre_r, radius, a0, r0, a1, r1 in outline.fans:
        a, r = along_mm - centre_a, radius_mm - centre_r
        within = (a0 * r - r0 * a <= FAN_SLACK_MM) & (a * r1 - r * a1 <= FAN_SLACK_MM)
        np.maximum(distance, np.where(within, np.hypot(a, r) - radius, -np.inf), out=distance)
    return distance


def _to_segments(segments: FloatArray, along_mm: FloatArray, radius_mm: FloatArray) -> FloatArray:
    """The same for any profile: distance to its nearest segment; inside where the radius is below the profile's."""
    nearest = np.full(np.shape(along_mm), np.inf)
    inside = np.zeros(np.shape(along_mm), dtype=bool)
    for a, r, b, s in segments:
        length2 = (b - a) ** 2 + (s - r) ** 2
        share = np.clip(((along_mm - a) * (b - a) + (radius_mm - r) * (s - r)) / length2, 0.0, 1.0)
        np.minimum(nearest, np.hypot(along_mm - a - share * (b - a), radius_mm - r - share * (s - r)), out=nearest)
        if b > a:
            inside |= (along_mm >= a) & (along_mm < b) & ((radius_mm - r) * (b - a) < (along_mm - a) * (s - r))
    return np.where(inside, -nearest, nearest)
