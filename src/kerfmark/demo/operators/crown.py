"""How a simulated operator means to prepare a crown: the top with a ball, then round the walls with a tapered bur."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from kerfmark.anatomy.preparations import CutCrown
from kerfmark.anatomy.preparations.plan import by_azimuth
from kerfmark.demo.operators.hand import Stroke
from kerfmark.geometry.frames import azimuth_direction, rotation_about, transform_directions, transform_points
from kerfmark.geometry.grids import sample
from kerfmark.geometry.rays import RayCaster
from kerfmark.instruments import Instrument, instrument
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["crown_strokes"]

BALL = "round 2.3"
AZIMUTHS = np.arange(0.0, 360.0, 2.0)
LATTICE_MM, ROW_MM = 0.1, 0.35
TOP_MM_S, WALL_MM_S, ROUGH_MM_S = 10.0, 4.0, 6.0
ROUGH_MM = 1.0
OUTER_MM = (1.1, 0.55, 0.0)
CLEAR_MM, BALL_CLEAR_MM = 0.06, 0.12
ROUND_TIMES = 2
LEAST_PLANE_DEG = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Wall:
    """Round the tooth, every 2°, in the preparation's own frame: foot (n, 3), outward normal (n, 2), lean and floor height."""

    foot: FloatArray
    outward: FloatArray
    lean_deg: FloatArray
    floor_mm: FloatArray


def crown_strokes(
    cut: CutCrown,
    bur: Instrument,
    neighbours: Mapping[str, Grid],
    *,
    mesial_sign: int,
    side: float,
    overcut_deg: float = 0.0,
) -> list[Stroke]:
    """The strokes that leave a preparation, nearly.

    Parameters
    ----------
    cut : CutCrown
        What the operator is after.
    bur : Instrument
        For the walls.
    neighbours : side → Grid
        Kept clear of by roughing strokes; the last stroke goes where the wall wants it.
    mesial_sign : int
    side : float
        +1 right-handed, −1 left-handed: which way round the tooth, and from which side the rows over the top begin.
    overcut_deg : float
        How much steeper than meant the hand leaves a wall: the last rounds lean that much less.
    """
    walls = _walls(cut, bur, neighbours, mesial_sign=mesial_sign, side=side, overcut_deg=overcut_deg)
    return [*_top(cut, neighbours, side=side), *walls]


def _top(cut: CutCrown, neighbours: Mapping[str, Grid], *, side: float) -> list[Stroke]:
    """Rows of a ball over the top, clear of the neighbours: once a millimetre high, once down to what shall stay."""
    ball = instrument(BALL)
    radius = 0.5 * ball.diameter_mm
    heights, x, y = _heights(cut.surface)
    lowest = float(cut.top_height_mm.min()) - 0.3
    filled = np.where(np.isfinite(heights), heights, -np.inf)
    centre = _resting(filled, radius)
    reach = float(np.median(np.linalg.norm(cut.margin_mm[:, :2] - cut.axis_mm[:2], axis=1))) + 0.3
    strokes = []
    for raised in (ROUGH_MM, 0.0):
        rows = []
        for n, across in enumerate(np.arange(y[0], y[-1], ROW_MM)):
            j = round((across - y[0]) / LATTICE_MM)
            near = np.hypot(x - cut.axis_mm[0], y[j] - cut.axis_mm[1]) < reach
            if near.sum() < 3:
                continue
            tip = np.maximum(centre[near, j] - radius, lowest) + raised
            row = np.column_stack([x[near], np.full(near.sum(), y[j]), tip])
            row = row[_is_clear_of(neighbours, row + np.array([0.0, 0.0, radius]), radius)]
            rows.append(row[:: (1 if n % 2 == 0 else -1) * int(side)])
        tips = np.concatenate(rows)
        strokes.append(Stroke(tips, np.tile([0.0, 0.0, 1.0], (len(tips), 1)), TOP_MM_S, BALL))
    return strokes


def _is_clear_of(neighbours: Mapping[str, Grid], middles: FloatArray, radius: float) -> NDArray[np.bool_]:
    """For each ball, whether points of it keep `BALL_CLEAR_MM` away from every neighbour."""
    turn = np.radians(np.arange(0.0, 360.0, 30.0))
    lean = np.radians([-60.0, -30.0, 0.0, 30.0, 60.0])[:, None]
    parts = [np.cos(lean) * np.cos(turn), np.cos(lean) * np.sin(turn), np.sin(lean) + 0.0 * turn]
    points = middles[:, None] + radius * np.stack(parts, axis=-1).reshape(1, -1, 3)
    clear = np.ones(len(middles), dtype=bool)
    if not len(middles):
        return clear
    for grid in neighbours.values():
        clear &= sample(grid, points.reshape(-1, 3)).reshape(len(middles), -1).min(axis=1) > BALL_CLEAR_MM
    return clear


def _heights(surface: Surface) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Height of the surface seen from above on a lattice; nan beside it."""
    low, high = surface.vertices_mm.min(axis=0) - 1.5, surface.vertices_mm.max(axis=0) + 1.5
    x, y = (np.arange(low[k], high[k], LATTICE_MM) for k in (0, 1))
    places = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    origins = np.column_stack([places, np.full(len(places), high[2])])
    distance, _ = RayCaster(surface).first_hit(origins, np.tile([0.0, 0.0, -1.0], (len(origins), 1)), max_mm=60.0)
    return (high[2] - distance).reshape(len(x), len(y)), x, y


def _resting(heights: FloatArray, radius: float) -> FloatArray:
    """Height of a ball's middle that rests on a surface, at each place of its lattice: the surface's hull by balls."""
    reach = int(radius / LATTICE_MM)
    steps = LATTICE_MM * np.arange(-reach, reach + 1)
    square = radius**2 - steps[:, None] ** 2 - steps[None, :] ** 2
    rests = np.full(heights.shape, -np.inf)
    for i, j in np.argwhere(square >= 0.0):
        lifted = np.roll(heights, (i - reach, j - reach), axis=(0, 1)) + np.sqrt(square[i, j])
        np.maximum(rests, lifted, out=rests)
    return np.where(np.isfinite(rests), rests, maximum_filter(heights, 3))


def _walls(
    cut: CutCrown, bur: Instrument, neighbours: Mapping[str, Grid], *, mesial_sign: int, side: float, overcut_deg: float
) -> list[Stroke]:
    """Round the tooth from outside in: roughing clear of the neighbours, then along the wall itself."""
    wall, lean = _wall(cut, mesial_sign), _lean(cut, mesial_sign)
    allowed = replace(wall, lean_deg=wall.lean_deg - overcut_deg)
    strokes = []
    for outer in OUTER_MM:
        tips, axes = _against(wall if outer > 0.0 else allowed, bur, outer_mm=outer)
        tips, axes = transform_points(lean, tips), transform_directions(lean, axes)
        if outer > 0.0:
            tips = _kept_clear(tips, axes, wall, bur, neighbours, most_mm=outer)
        rounds = ROUND_TIMES if outer == 0.0 else 1
        order = np.r_[np.tile(np.arange(len(tips)), rounds), 0][:: int(side)]
        speed = WALL_MM_S if outer == 0.0 else ROUGH_MM_S
        strokes.append(Stroke(tips[order], axes[order], speed, bur.name))
    return [*strokes, *_second_plane(cut, allowed, bur, lean, side=side)]


def _second_plane(cut: CutCrown, wall: _Wall, bur: Instrument, lean: FloatArray, *, side: float) -> list[Stroke]:
    """Front teeth: along the upper part of the facial wall, which leans in further from where it bends."""
    extra = cut.plan.second_plane_deg * np.minimum(2.0 * np.maximum(np.cos(np.radians(AZIMUTHS)), 0.0) ** 2, 1.0)
    facial = np.flatnonzero(extra > LEAST_PLANE_DEG)
    if not len(facial):
        return []
    facial = facial[np.argsort((AZIMUTHS[facial] + 180.0) % 360.0)][:: int(side)]
    rise = cut.plan.second_plane_at * (cut.top_height_mm - cut.foot_mm[:, 1])
    out = np.column_stack([wall.outward, np.zeros(len(wall.foot))])
    inwards = (np.tan(np.radians(wall.lean_deg)) * rise)[:, None]
    bend = wall.foot - inwards * out + rise[:, None] * np.array([0.0, 0.0, 1.0])
    upper = _Wall(bend, wall.outward, wall.lean_deg + extra, wall.floor_mm)
    tips, axes = _against(upper, bur, outer_mm=0.0)
    tips, axes = transform_points(lean, tips)[facial], transform_directions(lean, axes)[facial]
    return [Stroke(tips, axes, WALL_MM_S, bur.name)] * ROUND_TIMES


def _lean(cut: CutCrown, mesial_sign: int) -> FloatArray:
    towards = azimuth_direction(cut.plan.tilt_azimuth_deg, mesial_sign=mesial_sign)
    return rotation_about(np.cross([0.0, 0.0, 1.0], towards), cut.plan.tilt_deg)


def _wall(cut: CutCrown, mesial_sign: int) -> _Wall:
    """Foot, normal, lean and floor of the wall in the preparation's frame."""
    back = np.linalg.inv(_lean(cut, mesial_sign))
    axis, margin = transform_points(back, cut.axis_mm[None])[0], transform_points(back, cut.margin_mm)
    spokes = azimuth_direction(AZIMUTHS, mesial_sign=mesial_sign)
    foot = np.append(axis[:2], 0.0) + cut.foot_mm[:, :1] * spokes + cut.foot_mm[:, 1:] * np.array([0.0, 0.0, 1.0])
    along = np.roll(foot, -1, axis=0)[:, :2] - np.roll(foot, 1, axis=0)[:, :2]
    outward = np.column_stack([along[:, 1], -along[:, 0]])
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    outward *= np.sign((outward * spokes[:, :2]).sum(axis=1, keepdims=True))
    skew = (outward * spokes[:, :2]).sum(axis=1)
    taper = np.radians(by_azimuth(cut.plan.taper_deg, AZIMUTHS))
    return _Wall(foot, outward, np.degrees(np.arctan(np.tan(taper) * skew)), margin[:, 2])


def _against(wall: _Wall, bur: Instrument, *, outer_mm: float) -> tuple[FloatArray, FloatArray]:
    """Tips and axes with the bur's side along the wall and its end on the floor, moved outwards by some length.

    The bur's side is the straight line of its profile: from (a, r) it widens by `half` towards the handle. Held at
    wall lean − half, that line lies in the wall.
    """
    (a, r), (b, s) = _side_of(bur)
    half = np.arctan2(s - r, b - a)
    lean = np.radians(wall.lean_deg) - half
    up = np.array([0.0, 0.0, 1.0])
    out = np.column_stack([wall.outward, np.zeros(len(wall.foot))])
    axes = np.cos(lean)[:, None] * up - np.sin(lean)[:, None] * out
    inward = -np.cos(lean)[:, None] * out - np.sin(lean)[:, None] * up
    touching = a * axes + r * inward
    height = wall.floor_mm + touching[:, 2] - wall.foot[:, 2]
    wanted = -np.tan(np.radians(wall.lean_deg)) * height
    offset = wanted - (touching * out).sum(axis=1) + outer_mm
    tips = wall.foot + offset[:, None] * out
    tips[:, 2] = wall.floor_mm
    return tips, axes


def _side_of(bur: Instrument) -> tuple[FloatArray, FloatArray]:
    """The two ends of the longest straight piece of the profile."""
    pieces = np.diff(bur.profile_mm, axis=0)
    longest = int(np.argmax(pieces[:, 0]))
    return bur.profile_mm[longest], bur.profile_mm[longest + 1]


def _kept_clear(
    tips: FloatArray, axes: FloatArray, wall: _Wall, bur: Instrument, neighbours: Mapping[str, Grid], *, most_mm: float
) -> FloatArray:
    """The same moved back inwards, by as much as was added at most, where the bur would touch a neighbour."""
    (a, r), (b, s) = _side_of(bur)
    along = np.linspace(0.0, bur.length_mm, 12)
    radius = np.interp(along, [a, b], [r, s])
    out = np.column_stack([wall.outward, np.zeros(len(tips))])
    back = np.zeros(len(tips))
    for _ in range(round(most_mm / 0.05)):
        at = tips - back[:, None] * out
        points = at[:, None] + along[:, None] * axes[:, None] + radius[:, None] * out[:, None]
        near = np.full(len(tips), np.inf)
        for grid in neighbours.values():
            near = np.minimum(near, sample(grid, points.reshape(-1, 3)).reshape(len(tips), -1).min(axis=1))
        back = np.where(near < CLEAR_MM, np.minimum(back + 0.05, most_mm), back)
    return np.asarray(tips - back[:, None] * out)
