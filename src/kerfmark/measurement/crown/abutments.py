"""All abutments of a bridge together: the best single path, and what it still hides."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.kernels.visibility import overhang_depths
from kerfmark.measurement.budget import effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.bridge import Bridge
from kerfmark.measurement.crown.insertion import (
    TIE_MM3,
    WIDEST_TILT_DEG,
    HiddenVolume,
    RadiusMap,
    RimNoise,
    hidden_volume,
    least_lean,
    map_of,
)
from kerfmark.measurement.crown.path import FINE_STEP_MM, depth_u, lacking, path_u_deg
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.sections import STEP_MM
from kerfmark.measurement.crown.stump import Round, Stump
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["CommonPath", "common_path", "undercut_volume"]

PATH, HIDDEN = "crown.abutments.common_path_deg", "crown.abutments.undercut_volume_mm3"
SEARCH_STEP_MM = 0.05
NOTHING_MM3 = 0.02
RIM_MM = 0.004
"""How far a mean over 0.05 mm of height at a sharp rim, and the largest of some noisy ones, may lie from it: bur and mesh round it."""
LINE_NOISE = 0.7
"""Noise of a point between a mesh's corners over that of a corner."""
FLOOR_STEPS = 20
WALL_WITHIN_MM = 0.15
DEPTH_NOISE, LARGEST_OF_FEW = 0.6, 1.16
"""Noise of a cell's depth under its rim over that of a point of the surface, most of it the rim's and so alike all down a wall;
and by how many times it the deepest of five places stands out, each with a rim of its own: so many, 25° of wall, a path just frees.
Source of 1.16: the mean of the largest of five normal values, tables of order statistics, from memory."""
SMALLEST_MM3 = 0.005
"""What a patch of hidden surface as large as a few cells comes to: less is not told from nothing."""


def common_path(bridge: Bridge) -> tuple[Reading, ...]:
    """How far the best single path leans from the middle of the abutments' long axes."""
    if not bridge.abutments:
        return ()
    common = _common(bridge)
    if common.trouble is not None:
        return (unmeasured(PATH, common.trouble, unit="deg"),)
    budget: tuple[Component, ...] = (Component("search step", 0.01),)
    if common.lean_deg > 0.0:
        budget = max((path_u_deg(s, leans=True) for s in bridge.stumps), key=_size)
    budget = (*budget, Component("paths that hide as little", common.spread_deg))
    witness = Witness("direction", segments_mm=common.lines_mm[:1], curves_mm=tuple(common.lines_mm[1:]))
    return (measured(PATH, common.lean_deg, unit="deg", budget=budget, witness=witness),)


def undercut_volume(bridge: Bridge) -> tuple[Reading, ...]:
    """The volume of air that all abutments together hide along the best single path, above their finish lines."""
    if not bridge.abutments:
        return ()
    common = _common(bridge)
    if common.trouble is not None:
        return (unmeasured(HIDDEN, common.trouble, unit="mm3"),)
    turn = max(_size(path_u_deg(s, leans=common.lean_deg > 0.0)) for s in bridge.stumps)
    found = [_hidden(stump, common.own_path(n), turn_deg=turn) for n, stump in enumerate(bridge.stumps)]
    # Along a path that surely hides nothing, what noise brings over the threshold is no undercut.
    value = common.least_mm3 if common.least_mm3 <= TIE_MM3 else sum(h.volume_mm3 for h in found)
    points = [transform_points(rigid_inverse(bridge.into_own(n)), h.points_mm) for n, h in enumerate(found)]
    budget = tuple(
        Component(source, math.hypot(*(h.budget.get(source, 0.0) for h in found)))
        for source in (
            "surface noise",
            "trueness",
            "where hiding begins",
            "turn of the path",
            "place of the rim",
            "sections every 5°",
        )
    )
    budget = (*budget, Component("smallest patch seen", SMALLEST_MM3))
    witness = Witness("region", points_mm=np.concatenate(points))
    return (measured(HIDDEN, value, unit="mm3", budget=budget, witness=witness),)


def _common(bridge: Bridge) -> CommonPath:
    """Found once a piece: both readings share it."""
    if "common path" not in bridge.shared:
        bridge.shared["common path"] = CommonPath(bridge)
    found: CommonPath = bridge.shared["common path"]
    return found


def _size(budget: tuple[Component, ...]) -> float:
    return math.hypot(*(c.u for c in budget))


class CommonPath:
    """Of all directions within 15° of every abutment's long axis the one along which they hide least together.

    Of those within 0.001 mm³ of the least, the one nearest the middle of the long axes. `trouble` says why
    where there is none.
    """

    def __init__(self, bridge: Bridge) -> None:
        self._bridge = bridge

    @cached_property
    def trouble(self) -> str | None:
        """Why there is no common path; None where there is one."""
        for stump, own in zip(self._bridge.stumps, self._bridge.abutments, strict=True):
            reason = lacking(stump.about_long_axis)
            if reason is not None:
                return f"abutment {own.exercise.tooth}: {reason}"
        if not self._within_reach(self._middle):
            apart = max(self._apart_deg(self._middle))
            return (
                f"the long axes stand up to {apart:.0f}° off their middle, and no direction lies within "
                f"{WIDEST_TILT_DEG:g}° of all of them"
            )
        return None

    @cached_property
    def path(self) -> FloatArray:
        """The path, a unit vector in the tooth frame of the exercise."""
        return self._direction(*self._lean)

    @cached_property
    def _lean(self) -> tuple[float, float]:
        return least_lean(self._together(thin=False), self._together(thin=True))

    @cached_property
    def least_mm3(self) -> float:
        """What lies hidden along it deeper than noise alone would bring it."""
        return self._together(thin=False)(*self._lean)

    @property
    def lean_deg(self) -> float:
        """From the middle of the long axes."""
        return math.degrees(math.acos(min(1.0, float(self.path @ self._middle))))

    @cached_property
    def spread_deg(self) -> float:
        """How far a path may turn without hiding more than a hundredth more: 0 where one hides nothing.

        Along the least of a flat valley any path is as good, and only chance says which is found; taken as evenly spread.
        """
        hides, (facial, mesial) = self._together(thin=True), self._lean
        least = hides(facial, mesial)
        if least <= NOTHING_MM3:
            return 0.0
        reached = []
        for turn in np.radians(np.arange(0.0, 360.0, 45.0)):
            steps = [math.radians(s) for s in range(1, 16)]
            along = [hides(facial + s * math.cos(turn), mesial + s * math.sin(turn)) for s in steps]
            reached.append(next((n for n, v in enumerate(along) if v > 1.01 * least + TIE_MM3), len(steps)))
        return max(a + b for a, b in zip(reached[:4], reached[4:], strict=True)) / math.sqrt(12.0)

    def own_path(self, number: int) -> FloatArray:
        """The path in an abutment's own tooth frame."""
        return np.asarray(self._bridge.into_own(number)[:3, :3] @ self.path)

    @property
    def lines_mm(self) -> FloatArray:
        """(abutments, 2, 3) the path through the middle of each margin, 8 mm long, tooth frame."""
        starts = [
            transform_points(rigid_inverse(self._bridge.into_own(n)), s.about_long_axis.turning.origin_mm[None])[0]
            for n, s in enumerate(self._bridge.stumps)
        ]
        return np.array([[start, start + 8.0 * self.path] for start in starts])

    @cached_property
    def _axes(self) -> FloatArray:
        """(abutments, 3) long axes, tooth frame of the exercise."""
        return np.array([self._bridge.into_own(n)[2, :3] for n in range(len(self._bridge.abutments))])

    @cached_property
    def _middle(self) -> FloatArray:
        total = self._axes.sum(axis=0)
        return np.asarray(total / np.linalg.norm(total))

    def _apart_deg(self, direction: FloatArray) -> FloatArray:
        return np.degrees(np.arccos(np.clip(self._axes @ direction, -1.0, 1.0)))

    def _within_reach(self, direction: FloatArray) -> bool:
        return bool((self._apart_deg(direction) <= WIDEST_TILT_DEG).all())

    def _direction(self, facial: float, mesial: float) -> FloatArray:
        """The direction that leans from the middle by these tangents towards the exercise's facial and mesial."""
        out = np.array([0.0, 1.0, 0.0]) - self._middle[1] * self._middle
        out /= np.linalg.norm(out)
        along = self._bridge.prepared.mesial_sign * np.cross(out, self._middle)
        leaning = self._middle + facial * out + mesial * along
        return np.asarray(leaning / np.linalg.norm(leaning))

    def _together(self, *, thin: bool) -> HiddenVolume:
        """Volume hidden by all stumps, by the lean from the middle; endless out of reach."""
        own = []
        for stump in self._bridge.stumps:
            found = _map(stump, _walls(stump, stump.about_long_axis), step_mm=SEARCH_STEP_MM)
            assert found is not None  # `trouble` has looked
            own.append(hidden_volume(found.thinned() if thin else found, _surely_hidden_mm(stump)))

        def volume(facial: float, mesial: float) -> float:
            direction = self._direction(facial, mesial)
            if not self._within_reach(direction):
                return math.inf
            leans = [self._bridge.into_own(n)[:3, :3] @ direction for n in range(len(own))]
            signs = [stump.prepared.mesial_sign for stump in self._bridge.stumps]
            return sum(
                hides(float(d[1] / d[2]), float(sign * d[0] / d[2]))
                for hides, d, sign in zip(own, leans, signs, strict=True)
            )

        return volume


@dataclass(frozen=True, slots=True, eq=False)
class _Hidden:
    """What one stump hides along a path: its volume, points of it in the stump's frame, and its budget by source."""

    volume_mm3: float
    points_mm: FloatArray
    budget: dict[str, float]


def _hidden(stump: Stump, path: FloatArray, *, turn_deg: float) -> _Hidden:
    """Between each hidden point and the widest ring above it, all round, in sections that hold the path.

    A path that is unsure by an angle brings the foot of a wall as much deeper into hiding as the wall is high: along a path
    chosen because next to nothing is hidden, that is what decides whether a sliver counts.
    """
    around = stump.about(path)
    profiles = _walls(stump, around)
    found = _map(stump, profiles, step_mm=FINE_STEP_MM)
    if found is None:
        return _Hidden(0.0, np.empty((0, 3)), {})
    depths = np.zeros_like(found.radius_mm)
    overhang_depths(found.radius_mm, depths)
    threshold = stump.hidden_threshold_mm
    hidden = depths > threshold
    if not hidden.any():
        return _Hidden(0.0, np.empty((0, 3)), {})
    cell = FINE_STEP_MM * 2.0 * math.pi / len(depths)
    u_mm = _size(depth_u(stump, around, found, depths, turned=False))
    area = float(found.radius_mm[hidden].sum()) * cell
    below = _levels_below(profiles, found)
    floor = _under_feet(around.profiles, profiles, depths)
    volume, less, more = (_volume(found, depths, below, threshold + by) * cell for by in (0.0, u_mm, -u_mm))
    volume = max(volume + floor, 0.0)
    rim = _rim(around, found, depths)
    deeper = float(np.ptp(rim @ path)) * math.radians(turn_deg)
    turned = [_volume(found, depths, below, threshold + by) * cell for by in (deeper, -deeper)]
    budget = {
        "surface noise": stump.noise_mm * area * math.sqrt(2.0 / effective_count(edge_mm=stump.edge_mm, area_mm2=area)),
        "trueness": area * shared_u_mm(stump.shared_mm, rim, [-1.0, 1.0]),
        "where hiding begins": 0.5 * abs(more - less),
        "turn of the path": 0.5 * abs(turned[1] - turned[0]),
        "place of the rim": RIM_MM * area,
        "sections every 5°": 0.02 * volume,
    }
    rows, levels = np.nonzero(hidden)
    thin = slice(None, None, max(1, len(rows) // 400))
    points = around.turning.to_space(
        np.column_stack([found.radius_mm[hidden], found.heights_mm[levels]])[thin], 5.0 * rows[thin].astype(float)
    )
    return _Hidden(volume, points, budget)


def _surely_hidden_mm(stump: Stump) -> float:
    """What counts as hidden where the deepest of a few noisy places decides: by so much does noise alone bring it deeper."""
    return stump.hidden_threshold_mm + DEPTH_NOISE * stump.noise_mm * LARGEST_OF_FEW


def _walls(stump: Stump, around: Round) -> tuple[Profile, ...]:
    return tuple(_down_the_wall(p, stump.stands_off_mm) for p in around.profiles)


def _map(stump: Stump, profiles: tuple[Profile, ...], *, step_mm: float) -> RadiusMap | None:
    """The map of these sections, rims and all."""
    rims = RimNoise(LINE_NOISE * stump.noise_mm, max(1.0, 2.0 * stump.along_mm / STEP_MM))
    return map_of(profiles, step_mm=step_mm, clear_mm=stump.clear_mm, mean_mm=FINE_STEP_MM, rims=rims)


def _down_the_wall(profile: Profile, stands_off_mm: float) -> Profile:
    """A profile from its foot upwards, the foot where the section leaves the wall's line: in a corner sharper than a right
    angle, which an arc does not fit, that is lower, and most is hidden there. A floor that rises outwards hides nothing.
    """  # noqa: D205
    if profile.wall is None or profile.foot is None:
        return profile
    points = profile.section.points
    run = profile.wall.high - profile.wall.low
    normal = np.array([run[1], -run[0]]) / np.linalg.norm(run)
    off = np.abs((points - profile.wall.low) @ normal) > stands_off_mm
    last = profile.section.near(profile.wall.low)
    first = last - int(np.argmax(off[last::-1])) + 1 if off[: last + 1].any() else 0
    first = max(first, profile.first_cut)
    if points[first, 1] < profile.foot[1]:
        return replace(profile, foot=points[first], first_cut=first)
    return replace(profile, first_cut=profile.section.near(profile.foot))


def _levels_below(profiles: tuple[Profile, ...], found: RadiusMap) -> FloatArray:
    """(azimuths,) how many levels lie between each foot and the lowest level that is known, which keeps clear of the floor."""
    known = np.isfinite(found.radius_mm)
    lowest = found.heights_mm[np.argmax(known, axis=1)]
    feet = np.array([math.nan if p.foot is None else p.foot[1] for p in profiles])
    return np.where(known.any(axis=1) & np.isfinite(feet), np.maximum(lowest - feet, 0.0) / found.step_mm, 0.0)


def _under_feet(whole: tuple[Profile, ...], walls: tuple[Profile, ...], depths: FloatArray) -> float:
    """Air (mm³) between the levels of the feet and a floor that falls outwards from them, as far out as the rims over them;
    of one that rises, what the strip over it holds too much.
    """  # noqa: D205
    total = 0.0
    for profile, wall, row in zip(whole, walls, depths, strict=True):
        if wall.foot is None or not row.any() or wall.first_cut <= profile.first_cut + 1:
            continue
        floor = profile.section.points[profile.first_cut : wall.first_cut + 1][::-1]
        radius = np.linspace(wall.foot[0], min(wall.foot[0] + float(row.max()), float(floor[-1, 0])), FLOOR_STEPS)
        below = wall.foot[1] - np.interp(radius, *floor[np.argsort(floor[:, 0], kind="stable")].T)
        total += float(np.trapezoid(below * radius, radius))
    return total * 2.0 * math.pi / len(walls)


def _volume(found: RadiusMap, depths: FloatArray, below: FloatArray, threshold_mm: float) -> float:
    """Sum over hidden cells of half the difference of squared radii: rings of air about the path, per radian and height.

    The strip below the lowest known level counts as deep as that level.
    """
    counted = depths > max(threshold_mm, 0.0)
    inner = np.where(counted, found.radius_mm, 0.0)
    rings = np.where(counted, 0.5 * ((inner + depths) ** 2 - inner**2), 0.0)
    lowest = np.argmax(np.isfinite(found.radius_mm), axis=1)
    return float(rings.sum() + (below * rings[np.arange(len(rings)), lowest]).sum())


def _rim(around: Round, found: RadiusMap, depths: FloatArray) -> FloatArray:
    """The deepest hidden point and the point of the rim over it (2, 3)."""
    row, low = (int(i) for i in np.unravel_index(int(np.argmax(depths)), depths.shape))
    high = low + int(np.nanargmax(found.radius_mm[row, low:]))
    ends = np.array([[found.radius_mm[row, k], found.heights_mm[k]] for k in (low, high)])
    return around.turning.to_space(ends, 5.0 * row)
