"""How a simulated operator means to cut a cavity or an access: down layer by layer with the bur upright, round the walls, over the floor.

Everything is found from heights: seen along the cavity's axis, each place has a lowest height at which the bur's tip may stand so that
no part of it goes below what shall be left. Any way at or above those heights is safe; what they sweep is the cavity as far as this bur
reaches, so what is wider below than above stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.demo.operators.hand import Steadiness, Stroke
from kerfmark.geometry.frames import rigid_inverse, transform_directions, transform_points
from kerfmark.geometry.mesh import transformed
from kerfmark.geometry.rays import RayCaster
from kerfmark.instruments import Instrument
from kerfmark.records import FloatArray, Surface
from kerfmark.reports.contours import contour_chains

__all__ = ["milled_strokes"]

LATTICE_MM, BESIDE_MM = 0.04, 1.2
STEEP_MM = 0.1
"""Heights farther from a level than this count as this far, or a wall would lean by a cell of the lattice from foot to rim."""
LEAST_CUT_MM = 0.03
LAYER_MM, ROW_MM, LAST_ROW_MM, ROUND_MM = 0.45, 0.3, 0.15, 0.15
LAYER_MM_S, WALL_MM_S, FLOOR_MM_S = 8.0, 4.0, 5.0
MOST_LINK_MM = 2.5
UNSTEADY_TIMES = 1.8
"""A hand knows how far it strays, as what the farthest of many ways takes is gone: it keeps so many standard deviations back."""


@dataclass(frozen=True, slots=True, eq=False)
class _Heights:
    """On a lattice seen along the axis: lowest height of the tip (nx, ny), where something is to be taken, and from how high."""

    x: FloatArray
    y: FloatArray
    rest: FloatArray
    wanted: NDArray[np.bool_]
    top: FloatArray


def milled_strokes(
    cut: Surface,
    whole: Surface,
    neighbours: Mapping[str, Surface],
    bur: Instrument,
    *,
    into: FloatArray,
    of: Steadiness,
    side: float,
    lowest_mm: float = -np.inf,
) -> list[Stroke]:
    """The strokes that leave a cut, nearly.

    Parameters
    ----------
    cut, whole : Surface
        What the operator is after, and the tooth before; tooth frame.
    neighbours : side → Surface
        Not to be touched.
    bur : Instrument
    into : (4, 4) float array
        From the tooth frame into one whose +z comes out along the cavity's axis.
    of : Steadiness
        The hand: it keeps back by as much as it strays.
    side : float
        +1 right-handed, −1 left-handed: from which end the rows begin.
    lowest_mm : float
        Along the axis: deeper than this the tip never goes, as into a canal.
    """
    back = UNSTEADY_TIMES * 1e-3 * float(np.hypot(of.wander_um + of.wander_um_s_mm * WALL_MM_S, of.tremor_um / 3**0.5))
    here = _heights(cut, whole, neighbours, bur, into=into, back_mm=back, lowest_mm=lowest_mm)
    strokes = [*_layers(here, side), *_rounds(here), *_floor(here, side)]
    out = rigid_inverse(into)
    return [
        Stroke(transform_points(out, tips), transform_directions(out, np.tile([0.0, 0.0, 1.0], (len(tips), 1))), speed, bur.name)
        for tips, speed in strokes
    ]  # fmt: skip


def _heights(
    cut: Surface,
    whole: Surface,
    neighbours: Mapping[str, Surface],
    bur: Instrument,
    *,
    into: FloatArray,
    back_mm: float,
    lowest_mm: float,
) -> _Heights:
    after, before, *beside = (transformed(s, into) for s in (cut, whole, *neighbours.values()))
    low, high = after.vertices_mm.min(axis=0) - BESIDE_MM, after.vertices_mm.max(axis=0) + BESIDE_MM
    x, y = (np.arange(low[k], high[k], LATTICE_MM) for k in (0, 1))
    top, left = (_seen(surface, x, y, high[2]) for surface in (before, after))
    wanted = np.isfinite(top) & (left < top - LEAST_CUT_MM)
    columns, rows = (np.flatnonzero(wanted.any(axis=k)) for k in (1, 0))
    reach = round(BESIDE_MM / LATTICE_MM)
    i, j = (slice(max(found[0] - reach, 0), found[-1] + reach + 1) for found in (columns, rows))
    x, y, top, left, wanted = x[i], y[j], top[i, j], left[i, j], wanted[i, j]
    kept = np.maximum(left, max(lowest_mm, _lowest(before, x, y, left, wanted)))
    for surface in beside:
        kept = np.fmax(kept, _seen(surface, x, y, high[2]))
    return _Heights(x, y, _resting(kept, bur, back_mm), wanted, top)


def _lowest(before: Surface, x: FloatArray, y: FloatArray, left: FloatArray, wanted: NDArray[np.bool_]) -> float:
    """As deep as the tip ever has to go: the deepest of what is left, or just out on the far side where nothing is."""
    through = wanted & ~np.isfinite(left)
    found = float(np.min(left[wanted & ~through], initial=np.inf))
    if not through.any():
        return found
    turned = before.vertices_mm * [1.0, -1.0, -1.0]
    under = -_seen(Surface(turned, before.faces), x, -y, float(turned[:, 2].max()) + BESIDE_MM)
    return min(found, float(np.min(under[through & np.isfinite(under)], initial=np.inf)) - LAYER_MM / 2)


def _seen(surface: Surface, x: FloatArray, y: FloatArray, from_mm: float) -> FloatArray:
    """Height of a surface seen along the axis (nx, ny); −inf beside it."""
    places = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    origins = np.column_stack([places, np.full(len(places), from_mm)])
    distance, _face = RayCaster(surface).first_hit(origins, np.tile([0.0, 0.0, -1.0], (len(origins), 1)), max_mm=60.0)
    heights = from_mm - distance
    return np.where(np.isfinite(heights), heights, -np.inf).reshape(len(x), len(y))


def _resting(kept: FloatArray, bur: Instrument, back_mm: float) -> FloatArray:
    """Lowest height of the tip at each place at which the bur, made larger by `back_mm` all round, is nowhere below what is kept."""
    along, radius = bur.profile_mm[:, 0], bur.profile_mm[:, 1]
    widest = int(np.argmax(radius))
    grown = radius[: widest + 1] + back_mm
    reach = int(np.ceil(float(grown.max()) / LATTICE_MM))
    steps = LATTICE_MM * np.arange(-reach, reach + 1)
    away = np.hypot(*np.meshgrid(steps, steps, indexing="ij"))
    rests = np.full(kept.shape, -np.inf)
    padded = np.pad(kept, reach, constant_values=-np.inf)
    for i, j in np.argwhere(away <= grown.max() + 0.5 * LATTICE_MM):
        lift = float(np.interp(max(away[i, j] - 0.5 * LATTICE_MM, 0.0), grown, along[: widest + 1]))
        shifted = padded[i : i + kept.shape[0], j : j + kept.shape[1]]
        np.maximum(rests, shifted - lift + back_mm, out=rests)
    return rests


def _layers(here: _Heights, side: float) -> list[tuple[FloatArray, float]]:
    """Back and forth, each layer a little deeper, never below the lowest height."""
    cuts = here.wanted & (here.rest < here.top - LEAST_CUT_MM)
    if not cuts.any():
        return []
    first, last = float(here.top[cuts].max()), float(here.rest[cuts].min())
    strokes = []
    for level in np.arange(first - LAYER_MM, last - LAYER_MM, -LAYER_MM):
        left = cuts & (here.rest < level + LAYER_MM) & (here.top > level)
        strokes += _rows(here, left, float(level), ROW_MM, side=side, speed=LAYER_MM_S)
    return strokes


def _floor(here: _Heights, side: float) -> list[tuple[FloatArray, float]]:
    """Over floor and walls at the lowest height, one way and across it."""
    cuts = here.wanted & (here.rest < here.top - LEAST_CUT_MM)
    turned = _Heights(here.y, here.x, here.rest.T, here.wanted.T, here.top.T)
    along = _rows(here, cuts, -np.inf, LAST_ROW_MM, side=side, speed=FLOOR_MM_S)
    across = _rows(turned, cuts.T, -np.inf, LAST_ROW_MM, side=side, speed=FLOOR_MM_S)
    return [*along, *((tips[:, [1, 0, 2]], speed) for tips, speed in across)]


def _rows(
    here: _Heights, places: NDArray[np.bool_], level: float, apart: float, *, side: float, speed: float
) -> list[tuple[FloatArray, float]]:
    """Rows along x over some places, joined at a safe height where one ends near the next."""
    strokes: list[list[FloatArray]] = []
    last: FloatArray | None = None
    for n, j in enumerate(range(0, len(here.y), max(1, round(apart / LATTICE_MM)))):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], places[:, j].astype(np.int8), [0]])))
        runs = [np.arange(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
        back = (n % 2 == 1) == (side > 0.0)
        for run in (r[::-1] for r in reversed(runs)) if back else runs:
            tips = np.column_stack([here.x[run], np.full(len(run), here.y[j]), np.maximum(here.rest[run, j], level)])
            if last is not None and float(np.linalg.norm((tips[0] - last)[:2])) < MOST_LINK_MM:
                strokes[-1] += [_linked(here, last, tips[0], level), tips]
            else:
                strokes.append([tips])
            last = tips[-1]
    return [(np.concatenate(parts), speed) for parts in strokes]


def _linked(here: _Heights, start: FloatArray, end: FloatArray, level: float) -> FloatArray:
    """Straight from one place to another, at the lowest height or the layer's."""
    count = max(2, int(np.ceil(float(np.linalg.norm((end - start)[:2])) / LATTICE_MM)) + 1)
    share = np.linspace(0.0, 1.0, count)[1:-1, None]
    places = start[:2] + share * (end - start)[:2]
    i = np.clip(np.rint((places[:, 0] - here.x[0]) / LATTICE_MM).astype(int), 0, len(here.x) - 1)
    j = np.clip(np.rint((places[:, 1] - here.y[0]) / LATTICE_MM).astype(int), 0, len(here.y) - 1)
    near = [
        here.rest[np.clip(i + a, 0, len(here.x) - 1), np.clip(j + b, 0, len(here.y) - 1)]
        for a in (0, 1)
        for b in (0, 1)
    ]
    return np.column_stack([places, np.maximum(np.max(near, axis=0), level)])


def _rounds(here: _Heights) -> list[tuple[FloatArray, float]]:
    """Round the walls, level by level: where the tip's lowest height passes the level."""
    cuts = here.wanted & (here.rest < here.top - LEAST_CUT_MM)
    if not cuts.any():
        return []
    first, last = float(here.top[cuts].max()), float(here.rest[cuts].min())
    field = np.where(np.isfinite(here.rest), here.rest, last - 5.0)
    strokes = []
    for level in np.arange(first - 0.5 * ROUND_MM, last, -max(ROUND_MM, (first - last) / 25.0)):
        near_level = np.clip(field.T, level - STEEP_MM, level + STEEP_MM).astype(np.float32)
        for chain in contour_chains(near_level, float(level), tolerance=0.2):
            i, j = (np.rint(chain[:, k]).astype(int) for k in (0, 1))
            near = cuts[np.clip(i, 0, len(here.x) - 1), np.clip(j, 0, len(here.y) - 1)]
            places = np.column_stack([here.x[0] + LATTICE_MM * chain[:, 0], here.y[0] + LATTICE_MM * chain[:, 1]])
            edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(np.int8), [0]])))
            for a, b in zip(edges[::2], edges[1::2], strict=True):
                if b - a > 2:
                    strokes.append((np.column_stack([places[a:b], np.full(b - a, float(level))]), WALL_MM_S))
    return strokes
