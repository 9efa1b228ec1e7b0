"""What one section shows: outer margin, foot of the wall, the wall's fitted line, occluso-axial line angle.

Heights run along the path, radii at right angles to it. Going up the outline the margin is where the cut begins, the
foot where the straight wall begins, the corner where the wall's line meets the occlusal surface's line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from kerfmark.kernels.fitting import total_least_squares
from kerfmark.measurement.crown.fillet import SHARP_MM, WIDEST_SWEEP, Fillet, best_fillet, gain, is_no_better
from kerfmark.measurement.crown.sections import STEP_MM, Section, drawn_on
from kerfmark.records import FloatArray

__all__ = [
    "CLEAR_OF_ENDS_MM",
    "DRAWN_OUT_MM",
    "LEAST_TOGETHER",
    "Profile",
    "WallLine",
    "cut_run",
    "landmarks",
    "meeting",
    "of_one_shape",
    "past_the_axis",
    "steadied",
]

CLEAR_OF_ENDS_MM = 0.5
LEAST_WALL_MM = 0.3
PLACES = ("buccal wall", "mesiobuccal corner", "mesial wall", "mesiolingual corner", "lingual wall", "distolingual corner",
          "distal wall", "distobuccal corner")  # fmt: skip
LOWEST_RISE_MM = 2 * CLEAR_OF_ENDS_MM + LEAST_WALL_MM
BEND_DEG = 27.0
SMALL_ARC_MM, SHORT_FLOOR_MM = 0.25, 0.2
LEAST_TOGETHER, SEEN_TOGETHER = 12, 3.1
"""So many sections are asked together, and find an arc where noise would so seldom: 99.9 % of normal values."""
DRAWN_OUT_MM = 0.15
"""How far the margin stands beyond the last point that a mesh does not round off."""


@dataclass(frozen=True, slots=True, eq=False)
class WallLine:
    """The fitted straight wall: its lean towards the axis, its two ends, how far points lie off it."""

    lean_deg: float
    low: FloatArray
    high: FloatArray
    rms_mm: float

    @property
    def length_mm(self) -> float:
        """Fitted length."""
        return float(np.linalg.norm(self.high - self.low))

    def radius_at(self, height_mm: float) -> float:
        """Radius of the line, produced if need be, at a height."""
        part = (height_mm - self.low[1]) / (self.high[1] - self.low[1])
        return float(self.low[0] + part * (self.high[0] - self.low[0]))


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """The landmarks of one section; what was not found is None and `trouble` says why.

    Attributes
    ----------
    section : Section
    first_cut : int
        Index of the first point that is clearly cut, −1 where none is.
    margin : (2,) float array or None
        Set by `margin.refined`; until then the first clearly cut point.
    internal : Fillet or None
        Wall, arc and finish-line floor. None at a knife edge.
    edge : Fillet or None
        Wall, rounding and occlusal surface, in coordinates turned by 180° (the rounding bends the other way).
    """

    section: Section
    first_cut: int = -1
    margin: FloatArray | None = None
    foot: FloatArray | None = None
    internal: Fillet | None = None
    wall: WallLine | None = None
    corner: FloatArray | None = None
    edge: Fillet | None = None
    trouble: str | None = None
    removal: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def azimuth_deg(self) -> float:
        """Azimuth of its half-plane."""
        return self.section.azimuth_deg

    @property
    def place(self) -> str:
        """In words where it stands: on a wall, or at a corner between two."""
        return PLACES[round(self.azimuth_deg / 45.0) % 8]

    @property
    def ends_at_an_edge(self) -> bool:
        """Whether the wall ends where the section turns away from it, not at a mere bend on its way up."""
        return self.corner is not None and self.edge is not None and math.degrees(self.edge.sweep) >= BEND_DEG


def cut_run(removal: FloatArray, threshold_mm: float) -> tuple[int, int] | None:
    """First and last index of the stretch that lost most, gaps under 0.3 mm closed; None where nothing is cut."""
    cut = np.flatnonzero(removal > threshold_mm)
    if not len(cut):
        return None
    breaks = np.flatnonzero(np.diff(cut) > 0.3 / STEP_MM) + 1
    runs = np.split(cut, breaks)
    lost = [float(removal[r].sum()) for r in runs]
    best = runs[int(np.argmax(lost))]
    return (int(best[0]), int(best[-1])) if len(best) * STEP_MM >= 0.2 else None


def landmarks(section: Section, first_cut: int, removal: FloatArray, *, stands_off_mm: float = 0.04) -> Profile:
    """Foot, wall and corner of a section whose cut begins at index `first_cut`; the margin is left where it begins.

    `stands_off_mm` is what a foot or a corner must stand off the chord past it to be more than noise.
    """
    top = _farthest(section.points, (first_cut, len(section.points) - 1), stands_off_mm, outward=True)
    return _under(Profile(section, first_cut, section.points[first_cut], removal=removal), top, stands_off_mm)


def past_the_axis(profile: Profile, opposite: Profile, *, stands_off_mm: float = 0.04) -> Profile:
    """A profile with its landmarks sought beyond the axis too, up to where the opposite wall begins.

    Half-planes end at the axis. A wall that leans in over it, as on a thin or leaning stump, has its occlusal end on the far
    side: where it meets what is left of the occlusal surface, or the opposite wall in a ridge. The profile as it was comes
    back where no more is found so.
    """
    section, other = profile.section, opposite.section
    if min(profile.first_cut, opposite.first_cut) < 0 or not (section.reaches_axis and other.reaches_axis):
        return profile
    whole = drawn_on(section, other, opposite.first_cut)
    far = _farthest(other.points, (opposite.first_cut, len(other.points) - 1), stands_off_mm, outward=True)
    ridge = len(whole.points) - 1 - (0 if far is None else far - opposite.first_cut)
    top = _farthest(whole.points, (profile.first_cut, ridge), stands_off_mm, outward=True)
    found = Profile(whole, profile.first_cut, whole.points[profile.first_cut], removal=profile.removal)
    found = _under(found, top if top is not None or far is None else ridge, stands_off_mm)
    return found if found.wall is not None and found.corner is not None else profile


def _under(found: Profile, top: int | None, stands_off_mm: float) -> Profile:
    """A profile with the landmarks below a point of it taken for the occlusal end of its wall."""
    points, first_cut = found.section.points, found.first_cut
    rise = float(points[first_cut if top is None else top][1] - points[first_cut][1])
    if top is None or rise < LOWEST_RISE_MM:
        return replace(found, trouble=f"no wall {LOWEST_RISE_MM:g} mm high above the margin")
    foot = _lowest_hollow(points, first_cut, top, stands_off_mm)
    return _fitted(found, foot, _lowest_bend(points, foot, top))


def _fitted(found: Profile, foot: int, top: int) -> Profile:
    points, first_cut = found.section.points, found.first_cut
    if any(foot < seam <= top for seam in found.section.seams):
        return replace(found, trouble="the scan has a hole in the wall")
    rise = points[top][1] - points[foot][1]
    low, high = points[foot][1] + 0.3 * rise, points[foot][1] + 0.75 * rise
    middle = _between(points, foot, top, low, high)
    if len(middle) < 6:
        return replace(found, trouble="the wall is too short to fit a line to")
    lean, offset = _lean_and_offset(middle)
    edge = _edge_fillet(found.section, (foot, top), lean, offset)
    highest = points[top][1] if edge is None else min(-edge.apex[1] - CLEAR_OF_ENDS_MM, -edge.tangent[1] - 0.05)
    internal = _internal_fillet(found.section, (first_cut, foot, top), lean, offset, highest)
    foot_point = found.margin if internal is None else internal.tangent
    assert foot_point is not None
    wall = _wall_line(points, foot, top, foot_point[1] + CLEAR_OF_ENDS_MM, highest)
    corner = None if wall is None or edge is None else meeting(wall, edge)
    if internal is None and wall is not None and found.margin is not None:
        foot_point = np.array([wall.radius_at(found.margin[1]), found.margin[1]])
    short = "the wall is too low to leave anything between 0.5 mm above its foot and 0.5 mm below its occlusal end"
    return replace(
        found,
        foot=foot_point,
        internal=internal,
        wall=wall,
        corner=corner,
        edge=edge,
        trouble=short if wall is None else None,
    )


def _farthest(points: FloatArray, ends: tuple[int, int], stands_off_mm: float, *, outward: bool) -> int | None:
    """Index of the point farthest to one side of the chord between two points; None where none stands off it."""
    start, stop = ends
    if stop - start < 4:
        return None
    chord = points[stop] - points[start]
    offsets = points[start : stop + 1] - points[start]
    right = (offsets[:, 0] * chord[1] - offsets[:, 1] * chord[0]) / max(float(np.hypot(*chord)), 1e-9)
    off = right if outward else -right
    best = int(np.argmax(off))
    return start + best if off[best] > stands_off_mm else None


def _lowest_hollow(points: FloatArray, start: int, top: int, stands_off_mm: float) -> int:
    """The first hollow on the way up, not the deepest: a groove in the wall may lie deeper than the foot."""
    hollow = _farthest(points, (start, top), stands_off_mm, outward=False)
    for _ in range(3):
        bulge = None if hollow is None else _farthest(points, (start, hollow), max(stands_off_mm, 0.08), outward=True)
        lower = None if bulge is None else _farthest(points, (start, bulge), stands_off_mm, outward=False)
        if lower is None:
            break
        hollow = lower
    return start if hollow is None else hollow


def _lowest_bend(points: FloatArray, foot: int, top: int) -> int:
    """The first convex corner on the way up, where a bevel lies between wall and occlusal surface."""
    for _ in range(3):
        bend = _farthest(points, (foot, top), 0.04, outward=True)
        if bend is None or min(bend - foot, top - bend) * STEP_MM < 0.3:
            return top
        below, above = points[bend] - points[foot], points[top] - points[bend]
        turn = math.degrees(math.atan2(above[1], above[0]) - math.atan2(below[1], below[0]))
        if turn < BEND_DEG or points[bend][1] - points[foot][1] < LOWEST_RISE_MM:
            return top
        top = bend
    return top


def _between(points: FloatArray, start: int, stop: int, low: float, high: float) -> FloatArray:
    part = points[start : stop + 1]
    return np.ascontiguousarray(part[(part[:, 1] >= low) & (part[:, 1] <= high)])


def _lean_and_offset(points: FloatArray) -> tuple[float, float]:
    lean_deg, middle, _, _ = _lean_deg(points)
    lean = math.radians(lean_deg)
    return lean, float(middle @ [math.cos(lean), math.sin(lean)])


def _edge_fillet(section: Section, marks: tuple[int, int], lean: float, offset: float) -> Fillet | None:
    """Wall, rounding and occlusal surface about the corner, in coordinates turned by 180°."""
    points, (foot, top) = section.points, marks
    stop = min(top + int(1.2 / STEP_MM), len(points))
    start = max(top - int(1.6 / STEP_MM), foot + (top - foot) // 3)
    if stop - top < int(0.25 / STEP_MM):
        return None
    part = points[start:stop]
    direction = points[stop - 1] - points[top]
    sweep = math.atan2(-direction[1], -direction[0]) - (lean - math.pi / 2)
    along = -math.sin(lean) * points[top][0] + math.cos(lean) * points[top][1]
    along_mm = section.along_mm(start, stop - 1)
    return best_fillet(-part, (lean, -offset, -along, sweep), (0.05, 0.4), along_mm=along_mm)


def _internal_fillet(
    section: Section, marks: tuple[int, int, int], lean: float, offset: float, highest: float
) -> Fillet | None:
    """Finish-line floor, internal arc and the wall up to 1.5 mm above it; None where no floor stands off the wall."""
    points, (first_cut, foot, top) = section.points, marks
    width = points[first_cut][0] - points[foot][0]
    if foot - first_cut < 3 or width < 0.1:
        return None
    guard = min(int(0.1 / STEP_MM), (foot - first_cut) // 3)
    part = points[first_cut + guard : top + 1]
    part = part[part[:, 1] <= min(points[foot][1] + 1.5, highest)]
    floor = points[first_cut] - points[foot]
    sweep = math.atan2(floor[1], floor[0]) - (lean - math.pi / 2)
    along = -math.sin(lean) * points[foot][0] + math.cos(lean) * points[foot][1]
    if len(part) <= 12:
        return None
    guess = (lean, offset, along, sweep)
    along_mm = section.along_mm(first_cut, first_cut + guard + len(part))
    free = best_fillet(part, guess, (0.1, 0.8 * width), along_mm=along_mm)
    if free.radius < SMALL_ARC_MM:
        # Noise makes arcs out of sharp corners, and an arc moves the foot up a leaning wall: sharp if that fits as well.
        sharp = best_fillet(part, guess, (SHARP_MM,), along_mm=along_mm, fixed=("radius",))
        return replace(sharp, rounder=free) if is_no_better(free, sharp, more=1) else free
    end = part[0] - free.curve(np.array([free.radius * free.sweep]))[0][0]
    if float(np.hypot(*end)) > SHORT_FLOOR_MM and end[0] > 0.0:
        return free
    # Next to no floor beyond the arc: its direction is anyone's guess, so the arc alone is taken if it fits as well, and
    # beyond the points half way between going on as an arc and going straight on.
    alone = best_fillet(part, (*guess[:3], WIDEST_SWEEP), (0.8 * width,), along_mm=along_mm, fixed=("sweep",))
    if not is_no_better(free, alone, more=1):
        return free
    return replace(alone, sweep=alone.swept_to(part[0]) + 0.29 * DRAWN_OUT_MM / alone.radius)


def of_one_shape(profiles: Sequence[Profile]) -> list[Profile]:
    """Profiles whose finish line has the usual radius and slope of its neighbours', wherever that fits as well.

    One instrument cuts one radius, and noise of the radius moves the foot, noise of a short floor's slope the margin:
    what can be held is held. Sections are in order round the stump; each looks at three on either side. An arc too small
    for one section to show is looked for in all of them together.
    """
    profiles, small = _with_small_arcs(profiles)
    fillets = [p.internal for p in profiles]
    radii, sweeps = (
        _running_median(np.array([math.nan if f is None else getattr(f, what) for f in fillets]), reach=3)
        for what in ("radius", "sweep")
    )
    known = SHARP_MM if small is None else small
    radii = np.where(radii < SMALL_ARC_MM, known, radii) if small is not None else radii
    return [_of_shape(p, float(r), float(s), known) for p, r, s in zip(profiles, radii, sweeps, strict=True)]


def _with_small_arcs(profiles: Sequence[Profile]) -> tuple[Sequence[Profile], float | None]:
    """Profiles with the arcs that no section shows alone but all do together, and the usual radius of those.

    Noise alone betters a fit with a radius that cannot be negative by 0.5 of χ² on average, and scatters by √1.25.
    """
    corners = [p.internal for p in profiles if p.internal is not None and p.internal.rounder is not None]
    pairs = [(f.rounder, f) for f in corners if f.rounder is not None]
    together = sum(gain(rounder, sharp) for rounder, sharp in pairs)
    if len(pairs) < LEAST_TOGETHER or together <= 0.5 * len(pairs) + SEEN_TOGETHER * math.sqrt(1.25 * len(pairs)):
        return profiles, None
    return [_rounded(p) for p in profiles], float(np.median([rounder.radius for rounder, _ in pairs]))


def _rounded(profile: Profile) -> Profile:
    rounder = None if profile.internal is None else profile.internal.rounder
    return profile if rounder is None else replace(profile, internal=rounder, foot=rounder.tangent)


def _running_median(values: FloatArray, *, reach: int) -> FloatArray:
    """Medians over what is known within `reach` on either side of each value of a ring; NaN where fewer than 4 are."""
    beside = np.array([np.roll(values, k) for k in range(-reach, reach + 1)])
    enough = np.isfinite(beside).sum(axis=0) >= 4
    found = np.full(len(values), np.nan)
    found[enough] = np.nanmedian(beside[:, enough], axis=0)
    return found


def _of_shape(profile: Profile, radius: float, sweep: float, known: float) -> Profile:
    """A radius up to `known` was found in all sections together: noise of one section has no share in it."""
    free = profile.internal
    if free is None or profile.wall is None or not math.isfinite(radius):
        return profile
    guess = (free.lean, free.offset, free.start - free.radius * math.tan(free.sweep / 2.0), sweep)
    held = best_fillet(free.points, guess, (radius,), along_mm=free.along_mm, fixed=("radius", "sweep"))
    if not is_no_better(free, held, more=2) or held.tangent[1] > profile.wall.high[1]:
        return profile
    given = {*free.fixed, *(("radius",) if radius <= known else ())}
    held = replace(held, fixed=tuple(given), shared=True)
    return replace(profile, internal=held, foot=held.tangent)


def _wall_line(points: FloatArray, foot: int, top: int, low: float, high: float) -> WallLine | None:
    part = _between(points, foot, top, low, high)
    if high - low < LEAST_WALL_MM or len(part) < 6:
        return None
    lean, middle, up, rms = _lean_deg(part)
    along = (part - middle) @ up
    return WallLine(lean, middle + up * float(along.min()), middle + up * float(along.max()), rms)


def steadied(profile: Profile, beside: Sequence[FloatArray]) -> tuple[WallLine, FloatArray]:
    """The profile's wall line turned about its middle to the mean lean of itself and of sections close beside it.

    With it the leans, the profile's own first, in degrees; NaN where a section shows too little of the wall.
    """
    wall = profile.wall
    assert wall is not None
    leans = [wall.lean_deg]
    for points in beside:
        near = (points[:, 1] >= wall.low[1]) & (points[:, 1] <= wall.high[1])
        near &= np.abs(points[:, 0] - wall.radius_at(0.0) - _slope(wall) * points[:, 1]) < 0.5
        enough = near.sum() * STEP_MM > 0.7 * wall.length_mm
        leans.append(_lean_deg(points[near])[0] if enough else math.nan)
    lean = float(np.nanmean(leans))
    middle, half = 0.5 * (wall.low + wall.high), 0.5 * wall.length_mm
    up = np.array([-math.sin(math.radians(lean)), math.cos(math.radians(lean))])
    return WallLine(lean, middle - half * up, middle + half * up, wall.rms_mm), np.array(leans)


def _slope(wall: WallLine) -> float:
    return float((wall.high[0] - wall.low[0]) / (wall.high[1] - wall.low[1]))


def _lean_deg(points: FloatArray) -> tuple[float, FloatArray, FloatArray, float]:
    """Lean towards the axis, a point on the line, its upward direction, root mean square off it."""
    x, y, dx, dy, rms = total_least_squares(np.ascontiguousarray(points))
    up = np.array([dx, dy]) * (1.0 if dy >= 0 else -1.0)
    return math.degrees(math.atan2(-up[0], up[1])), np.array([x, y]), up, float(rms)


def meeting(wall: WallLine, edge: Fillet) -> FloatArray | None:
    """Where the wall's line meets the occlusal surface's line, the rounding ignored."""
    normal, offset = edge.second_line()
    along = wall.high - wall.low
    slope = float(normal @ along)
    if abs(slope) < 1e-6:
        return None
    return wall.low + along * float((-offset - normal @ wall.low) / slope)
