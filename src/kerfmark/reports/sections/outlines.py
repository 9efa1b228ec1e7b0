"""What a plane cuts: the piece, the tooth before, the tissues, the corridor, and what departs from it. All in mm on the plane."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.geometry.grids import sample
from kerfmark.geometry.sections import section_curves
from kerfmark.records import FloatArray, Piece, SectionPlane, Surface
from kerfmark.reports.contours import contour_chains
from kerfmark.reports.sections.gaps import joined
from kerfmark.reports.sections.planes import ABUTMENT_REACH_MM, flat, reach_mm

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Departure", "Outlines", "clipped_above", "outlines_of"]

RASTER_MM = 0.05
STRIP_MM = 0.9
ASIDE_MM, OVER_MM = 7.0, 2.5
"""How much of a jaw is looked at to each side of a planned implant and over it."""
BESIDE_MM = 2.2
"""How much of a neighbour is shown beside the tooth."""


@dataclass(frozen=True, slots=True, eq=False)
class Departure:
    """A stretch of the piece outside its corridor: a strip along it, and its greatest value.

    The area of the departure is what lies between piece and target within the strip.
    """

    side: str
    strip: FloatArray
    worst_mm: float
    at: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Outlines:
    """Polylines (n, 2) of a section: across, up.

    `areas` are the piece's outlines with their ends joined across `gaps`, what was not scanned; None where none is open.
    """

    piece: tuple[FloatArray, ...]
    subject: tuple[FloatArray, ...]
    layers: dict[str, tuple[FloatArray, ...]]
    corridor: tuple[FloatArray, ...]
    target: tuple[FloatArray, ...]
    departures: tuple[Departure, ...]
    floor: float
    neighbours: tuple[FloatArray, ...] = ()
    window: tuple[FloatArray, FloatArray] | None = None
    areas: tuple[FloatArray, ...] | None = None
    gaps: tuple[FloatArray, ...] = ()

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """What a drawing must have room for: its window, where only a part is looked at, else everything."""
        if self.window is not None:
            return self.window
        points = np.vstack([*self.piece, *self.subject, np.zeros((1, 2)) if not self.piece else self.piece[0]])
        return points.min(axis=0), points.max(axis=0)


def outlines_of(plane: SectionPlane, piece: Piece, prepared: Prepared, *, floor_mm: float, limit_mm: float) -> Outlines:
    """Cut everything by a plane, and leave out what lies more than a little below the cut.

    Parameters
    ----------
    plane : SectionPlane
    piece : Piece
    prepared : Prepared
    floor_mm : float
        Height (z of the tooth frame) below which nothing is drawn.
    limit_mm : float
        Half width of the corridor about the target.
    """
    floor = float((floor_mm - plane.origin_mm[2]) / max(plane.up[2], 0.5))
    # Any section of a bridge shows one abutment: the other far off would halve the scale of the whole sheet.
    reach = ABUTMENT_REACH_MM if prepared.abutments else reach_mm(plane)

    def cut(surface: Surface) -> tuple[FloatArray, ...]:
        curves = [flat(curve, plane) for curve in section_curves(surface, plane)]
        return tuple(part for c in curves if _is_near(c, reach) for part in clipped_above(c, floor))

    own = cut(piece.surface)
    old = cut(prepared.subject) if prepared.subject else ()
    layers = {name: cut(surface) for name, surface in prepared.layers.items()}
    areas, gaps = joined(own, foot=floor)
    corridor, target = _corridor(plane, prepared, (*own, *old), limit_mm=limit_mm)
    return Outlines(
        piece=own,
        subject=old,
        layers=layers,
        corridor=corridor,
        target=target,
        departures=_departures(plane, own, prepared, limit_mm=limit_mm),
        floor=floor,
        neighbours=_beside(cut, piece, prepared, (*own, *old)),
        window=_about_plan(plane, prepared, floor),
        areas=areas if gaps else None,
        gaps=gaps,
    )


def _about_plan(plane: SectionPlane, prepared: Prepared, floor: float) -> tuple[FloatArray, FloatArray] | None:
    """Of a jaw the part about the planned implant."""
    if prepared.implant is None:
        return None
    ends = flat(np.asarray(prepared.implant), plane)
    return np.array([ends[:, 0].min() - ASIDE_MM, floor]), ends.max(axis=0) + np.array([ASIDE_MM, OVER_MM])


def _beside(
    cut: Callable[[Surface], tuple[FloatArray, ...]], piece: Piece, prepared: Prepared, shown: tuple[FloatArray, ...]
) -> tuple[FloatArray, ...]:
    """What the plane meets of the neighbours next to what is shown: as scanned with the piece, else the exercise's own."""
    if not shown or not prepared.neighbours:
        return ()
    points = np.vstack(shown)
    left, right = points[:, 0].min() - BESIDE_MM, points[:, 0].max() + BESIDE_MM
    curves = [c for surface in ({**prepared.neighbours, **piece.neighbours}).values() for c in cut(surface)]
    within = [part for curve in curves for part in clipped_above(curve[:, ::-1], left)]
    within = [part for curve in within for part in clipped_above(curve * [1.0, -1.0], -right)]
    return tuple(part[:, ::-1] * [-1.0, 1.0] for part in within)


def _is_near(curve: FloatArray, reach: float | None) -> bool:
    """Whether most of a curve lies within so far of the plane's middle."""
    return reach is None or bool(np.abs(np.median(curve[:, 0])) < reach)


def clipped_above(curve: FloatArray, floor: float) -> list[FloatArray]:
    """The parts of a polyline (n, 2) above a level, each cut exactly on it."""
    above = curve[:, 1] >= floor
    if above.all():
        return [curve]
    if not above.any():
        return []
    closed = bool(np.allclose(curve[0], curve[-1]))
    if closed and above[0]:  # begin below, so that no part is split where the curve happens to start
        shift = int(np.argmin(above))
        curve = np.vstack([curve[shift:-1], curve[: shift + 1]])
        above = curve[:, 1] >= floor
    parts, run = [], [curve[0]] if above[0] else []
    for i in range(1, len(curve)):
        if above[i] != above[i - 1]:
            share = (floor - curve[i - 1, 1]) / (curve[i, 1] - curve[i - 1, 1])
            run.append(curve[i - 1] + share * (curve[i] - curve[i - 1]))
            if not above[i]:
                parts.append(np.array(run))
                run = []
        if above[i]:
            run.append(curve[i])
    return [part for part in [*parts, np.array(run)] if len(part) > 1]


def _corridor(
    plane: SectionPlane, prepared: Prepared, curves: tuple[FloatArray, ...], *, limit_mm: float
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...]]:
    """Closed outlines of the band ± limit about the target, only where it departs from the tooth before; and of the target."""
    if prepared.target_grid is None or not curves:
        return (), ()
    points = np.vstack(curves)
    low, high = points.min(axis=0) - 0.5, points.max(axis=0) + 0.5
    across, up = (np.arange(low[k], high[k], RASTER_MM) for k in (0, 1))
    on_plane = plane.origin_mm + across[None, :, None] * plane.across + up[:, None, None] * plane.up
    spots = on_plane.reshape(-1, 3)
    target, subject = sample(prepared.target_grid, spots), sample(prepared.subject_grid, spots)
    band = np.maximum(np.abs(target) - limit_mm, 0.06 - (target - subject)).reshape(len(up), len(across))
    band[[0, -1]], band[:, [0, -1]] = 1.0, 1.0
    inside = -target.reshape(band.shape)
    inside[[0, -1]], inside[:, [0, -1]] = -1.0, -1.0
    rings = [contour_chains(field.astype(np.float32), 0.0, tolerance=0.15) for field in (-band, inside)]
    return tuple(low + RASTER_MM * c for c in rings[0]), tuple(low + RASTER_MM * c for c in rings[1])


def _departures(
    plane: SectionPlane, curves: tuple[FloatArray, ...], prepared: Prepared, *, limit_mm: float
) -> tuple[Departure, ...]:
    if prepared.target_grid is None:
        return ()
    found: list[Departure] = []
    for curve in curves:
        spots = plane.origin_mm + curve[:, :1] * plane.across + curve[:, 1:] * plane.up
        distance, before = sample(prepared.target_grid, spots), sample(prepared.subject_grid, spots)
        touched = (before < -0.05) | (distance - before > 0.05)
        smooth = np.where(touched, _softened(distance), 0.0)
        normal = _normals(curve)
        for side, beyond in (("left", smooth > limit_mm), ("over", smooth < -limit_mm)):
            found += [_departure(side, curve[run], normal[run], smooth[run]) for run in _runs(beyond)]
    return tuple(found)


def _departure(side: str, own: FloatArray, normal: FloatArray, distance: FloatArray) -> Departure:
    worst = int(np.argmax(np.abs(distance)))
    strip = np.vstack([own + STRIP_MM * normal, (own - STRIP_MM * normal)[::-1]])
    return Departure(side, strip, float(distance[worst]), own[worst])


def _normals(curve: FloatArray) -> FloatArray:
    """Unit normals of a polyline, over five points each way so that noise does not turn them."""
    reach = min(5, (len(curve) - 1) // 2)
    ahead, behind = np.roll(curve, -reach, axis=0), np.roll(curve, reach, axis=0)
    ahead[len(curve) - reach :], behind[:reach] = curve[-1], curve[0]
    run = ahead - behind
    return np.asarray(
        np.column_stack([-run[:, 1], run[:, 0]]) / np.maximum(np.linalg.norm(run, axis=1, keepdims=True), 1e-9)
    )


def _softened(values: FloatArray) -> FloatArray:
    """A running mean of five, so that noise does not break a stretch in pieces."""
    padded = np.pad(values, 2, mode="edge")
    return np.asarray(np.convolve(padded, np.full(5, 0.2), mode="valid"))


def _runs(flags: np.ndarray) -> list[slice]:
    """Unbroken stretches of at least four true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 4]
