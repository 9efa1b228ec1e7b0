"""Endodontic access cavities made from numbers: the planned outline from the chamber, and cuts with known faults.

The outline follows the laws of the chamber floor (Krasner & Rankow 2004), `docs/decisions/0018-access-outline.md`. What unroofs
the chamber is the chamber itself, seen along the access; how far the opening may run out beside it says the cervical section: the
chamber lies in its middle (centrality), its walls as far from the outside all round at that level (concentricity).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.anatomy.layered import Layered
from kerfmark.geometry.columns import crossings, lattice_over
from kerfmark.geometry.frames import as_direction, rigid_inverse, transform_points
from kerfmark.geometry.mesh import bounds_mm, transformed
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.sections import section_curves
from kerfmark.geometry.solids import Solid, box, cylinder, difference, intersection, loft, sphere, union
from kerfmark.records import FloatArray, SectionPlane, Surface

__all__ = [
    "AccessPlan",
    "AccessSite",
    "CervicalSection",
    "CutAccess",
    "access_site",
    "cut_access",
    "outline_on",
    "planned_ring",
]

AZIMUTHS = np.arange(0.0, 360.0, 4.0)
OVER_ORIFICES_MM, CHAMBER_SHARE = 0.3, 1.0 / 3.0
"""The chamber is where the pulp rises so far above the lowest orifice and by a third of its own height."""
CLEAR_MM = 0.4
MOUTH_MM = 0.35
"""How much of a canal's mouth, about its middle, the opening shows at the least."""
OPENED_MM = 0.2
"""How far outside the chamber the planned outline runs: a bur's corner more than nothing."""
HARMONICS, STEP_MM = 5, 0.05
LEAST_OVER_FLOOR_MM = 0.5
BELOW_CEILING_MM = 0.05
"""How far below where the ceiling comes down to the walls the planned cavity goes: its rounded edge is roof, too."""
SEEN_BELOW_ORIFICES_MM = 0.3
"""How far into the canals' mouths a scan of the opened chamber looks."""
HIGH_MM = 16.0


@dataclass(frozen=True, slots=True, eq=False)
class CervicalSection:
    """Tooth and chamber cut across the access at the cervical line.

    Attributes
    ----------
    level_mm : float
        Along the axis: the cervical line's median, or the nearest level between floor and eaves, where the section is all chamber.
    outer_mm, chamber_mm : (k, 2) float array
        Points every 0.05 mm along the tooth's outer border and the chamber's wall.
    wall_mm : float
        The chamber's wall: the median distance from it to the outer border; by the law of concentricity the same all round.
    """

    level_mm: float
    outer_mm: FloatArray
    chamber_mm: FloatArray
    wall_mm: float

    def inside_mm(self, points_mm: FloatArray) -> FloatArray:
        """(n,) distance of points (n, 2) from the outer border, negative outside it."""
        from scipy.spatial import cKDTree

        distance = cKDTree(self.outer_mm).query(points_mm)[0]
        return np.where(_within(self.outer_mm, points_mm), distance, -distance)


@dataclass(frozen=True, slots=True, eq=False)
class AccessSite:
    """Where a tooth is opened.

    Attributes
    ----------
    into : (4, 4) float array
        From the tooth frame into that of the access: origin in the middle of the orifices, +z out along the axis.
    ring_mm : (90, 2) float array
        The planned outline about `middle_mm`, one point every 4°, seen along the axis.
    middle_mm : (2,) float array
    ceiling_mm, eaves_mm, floor_mm : float
        Along the axis: median height of the chamber's ceiling, where it comes down to the walls, the lowest orifice.
    chamber_mm2 : float
        Area of the chamber seen along the axis.
    mouths_mm : (n, 3) float array
        The orifices in the frame of the access.
    neck : CervicalSection
        What bounds the outline.
    """

    into: FloatArray
    ring_mm: FloatArray
    middle_mm: FloatArray
    ceiling_mm: float
    eaves_mm: float
    floor_mm: float
    chamber_mm2: float
    mouths_mm: FloatArray
    neck: CervicalSection


@dataclass(frozen=True, slots=True)
class AccessPlan:
    """An access as numbers; lengths in mm, azimuths in degrees from the access's own +y (facial) towards its +x.

    Attributes
    ----------
    grow_mm : float
        How far the whole outline runs outside the planned one.
    shift_mm : (x, y)
        How far the cut is off to one side.
    ledge_mm, ledge_azimuth_deg : float
        How far the outline stays inside over 70° about an azimuth: a ledge of roof where that is more than the plan's own room.
    floor_mm : float
        Depth of a flat-ended bur's cut into the floor's middle, 0.8 mm in radius.
    gouge_mm, gouge_azimuth_deg : float
        How far a ball of 0.8 mm radius goes into the wall beyond the cut, half way down the cavity.
    perforation_azimuth_deg : float or None
        Towards where a bur of 0.5 mm radius went through the wall below the crown.
    """

    grow_mm: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    ledge_mm: float = 0.0
    ledge_azimuth_deg: float = 0.0
    floor_mm: float = 0.0
    gouge_mm: float = 0.0
    gouge_azimuth_deg: float = 0.0
    perforation_azimuth_deg: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class CutAccess:
    """The opened tooth, closed, tooth frame; its outline seen along the axis (k, 2); what was lost, and the faults' true sizes.

    `truth` holds volumes, areas and depths by construction: `crown_lost_mm3`, `outline_area_mm2`, `outline_overlap`.
    """

    surface: Surface
    ring_mm: FloatArray
    truth: Mapping[str, float] = field(default_factory=dict)


def access_site(made: Layered, *, axis: FloatArray) -> AccessSite:
    """Where a tooth is opened when looked at along an axis.

    Parameters
    ----------
    made : Layered
    axis : (3,) float array
        Out of the tooth, tooth frame.
    """
    orifices = np.array(list(made.orifices.values()))
    middle = orifices.mean(axis=0)
    into = _frame(middle, as_direction(axis, name="access axis"))
    pulp = transformed(made.layers["pulp"], into)
    lattice = lattice_over(bounds_mm(pulp))
    found = crossings(pulp, lattice)
    mouths = transform_points(into, orifices)
    floor = float(mouths[:, 2].min())
    top = np.nan_to_num(found.top, nan=-np.inf) - floor
    rises = float(np.median(top[top > OVER_ORIFICES_MM]))
    chamber = top > max(OVER_ORIFICES_MM, CHAMBER_SHARE * rises)
    feet = lattice.feet[chamber]
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    round_mouths = mouths[:, None, :2] + MOUTH_MM * np.column_stack([np.cos(turn), np.sin(turn)])
    heights = found.top[chamber]
    eaves = max(float(np.percentile(heights, 1.0)), floor + LEAST_OVER_FLOOR_MM)
    level = float(np.median(transform_points(into, made.cervical_line_mm)[:, 2]))
    neck = _cervical_section(transformed(made.outer, into), pulp, max(floor + OVER_ORIFICES_MM, min(level, eaves)))
    ring, centre = planned_ring(np.vstack([feet, round_mouths.reshape(-1, 2)]), middle=feet.mean(axis=0), neck=neck)
    return AccessSite(
        into, ring, centre, float(np.median(heights)), eaves, floor, len(feet) * lattice.cell_mm2, mouths, neck
    )


def _frame(origin: FloatArray, up: FloatArray) -> FloatArray:
    out = np.array([0.0, 1.0, 0.0]) - up[1] * up
    out /= np.linalg.norm(out)
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([np.cross(out, up), out, up])
    matrix[:3, 3] = -matrix[:3, :3] @ origin
    return matrix


def _cervical_section(outer: Surface, pulp: Surface, level_mm: float) -> CervicalSection:
    """Tooth and chamber cut level, frame of the access."""
    plane = SectionPlane(
        "cervical", np.array([0.0, 0.0, level_mm]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    )
    border, wall = (_stepped(section_curves(surface, plane)[0][:, :2]) for surface in (outer, pulp))
    cut = CervicalSection(level_mm, border, wall, 0.0)
    return replace(cut, wall_mm=float(np.median(cut.inside_mm(wall))))


def _stepped(curve: FloatArray) -> FloatArray:
    """Points about every 0.05 mm along a closed curve (k, 2)."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    at = np.linspace(0.0, along[-1], max(8, round(along[-1] / STEP_MM)), endpoint=False)
    return np.column_stack([np.interp(at, along, curve[:, axis]) for axis in (0, 1)])


def _within(polygon: FloatArray, points: FloatArray) -> NDArray[np.bool_]:
    """Which points (n, 2) lie inside a closed polygon (k, 2): an odd number of its sides to their right."""
    ahead = np.roll(polygon, -1, axis=0)
    inside = np.zeros(len(points), bool)
    for (x0, y0), (x1, y1) in zip(polygon.tolist(), ahead.tolist(), strict=True):
        between = (y0 > points[:, 1]) != (y1 > points[:, 1])
        inside[between] ^= points[between, 0] < x0 + (points[between, 1] - y0) * (x1 - x0) / (y1 - y0)
    return inside


def _reach_within(neck: CervicalSection, middle: FloatArray, keep_mm: float) -> FloatArray:
    """Radius (90,) about a middle up to where the outer border is no nearer than `keep_mm`."""
    turn = np.radians(AZIMUTHS)
    ways = np.column_stack([np.sin(turn), np.cos(turn)])
    steps = np.arange(0.0, np.ptp(neck.outer_mm, axis=0).max(), STEP_MM)
    points = middle + steps[:, None, None] * ways
    over = neck.inside_mm(points.reshape(-1, 2)).reshape(points.shape[:2]) - keep_mm
    last = np.maximum(np.argmax(over < 0.0, axis=0) - 1, 0)
    before, after = (np.take_along_axis(over, (last + k)[None], axis=0)[0] for k in (0, 1))
    share = np.clip(before / np.maximum(before - after, 1e-9), 0.0, 1.0)
    return np.asarray(steps[last] + STEP_MM * share)


def planned_ring(feet: FloatArray, *, middle: FloatArray, neck: CervicalSection) -> tuple[FloatArray, FloatArray]:
    """The outline (90, 2) about a middle (2,) of what is to be opened (n, 2): its convex hull, rounded, a little wider.

    Rounding carries it no farther out than the wall that the cervical section gives, save where the chamber itself does.
    """
    from scipy.spatial import ConvexHull

    hull = feet[ConvexHull(feet).vertices] - middle
    radius = _radius_of(hull) + OPENED_MM
    turn = np.radians(AZIMUTHS)
    ways = np.column_stack([np.sin(turn), np.cos(turn)])
    about = (hull[:, None] + OPENED_MM * ways).reshape(-1, 2)
    least = _radius_of(about[ConvexHull(about).vertices])
    waves = np.fft.rfft(radius)
    waves[HARMONICS + 1 :] = 0.0
    smooth = np.fft.irfft(waves, len(radius))
    smooth += max(0.0, float((radius - OPENED_MM + 0.05 - smooth).max()))
    smooth = np.minimum(smooth, np.maximum(least, _reach_within(neck, middle, neck.wall_mm - OPENED_MM)))
    return middle + smooth[:, None] * ways, middle


def _radius_of(polygon: FloatArray) -> FloatArray:
    """Radius (90,) of a convex polygon about the origin at each azimuth."""
    ahead = np.roll(polygon, -1, axis=0)
    turn = np.radians(AZIMUTHS)
    ways = np.column_stack([np.sin(turn), np.cos(turn)])
    run = ahead - polygon
    across = polygon[:, 0] * run[:, 1] - polygon[:, 1] * run[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = across / (ways[:, :1] * run[:, 1] - ways[:, 1:] * run[:, 0])
        part = (reach * ways[:, :1] - polygon[:, 0]) * run[:, 0] + (reach * ways[:, 1:] - polygon[:, 1]) * run[:, 1]
        part /= (run**2).sum(axis=1)
    hit = (reach > 0.0) & (part >= -1e-9) & (part <= 1.0 + 1e-9)
    return np.asarray(np.where(hit, reach, -np.inf).max(axis=1))


def _ring(site: AccessSite, plan: AccessPlan) -> FloatArray:
    """The cut's outline: the planned one grown, held back at its ledge, shifted."""
    away = site.ring_mm - site.middle_mm
    radius = np.linalg.norm(away, axis=1)
    off = np.abs((AZIMUTHS - plan.ledge_azimuth_deg + 180.0) % 360.0 - 180.0)
    held = plan.ledge_mm * np.where(off < 50.0, np.clip((50.0 - off) / 15.0, 0.0, 1.0), 0.0)
    return np.asarray(site.middle_mm + plan.shift_mm + away * ((radius + plan.grow_mm - held) / radius)[:, None])


def _prism(ring: FloatArray, low_mm: float, high_mm: float) -> Solid:
    return loft(np.stack([np.column_stack([ring, np.full(len(ring), z)]) for z in (low_mm, high_mm)]))


def cut_access(made: Layered, site: AccessSite, plan: AccessPlan) -> CutAccess:
    """Open a tooth: a prism over the outline down into the chamber, the chamber emptied, faults added.

    Parameters
    ----------
    made : Layered
    site : AccessSite
    plan : AccessPlan

    Notes
    -----
    Worked in the frame of the access by booleans of solids; the canals stay closed a little below their orifices, as a scan
    sees no farther into them.
    """
    whole = Solid.from_surface(transformed(made.outer, site.into), name="tooth")
    pulp = Solid.from_surface(transformed(made.layers["pulp"], site.into), name="pulp")
    bottom = site.floor_mm - SEEN_BELOW_ORIFICES_MM
    chamber = intersection(pulp, box([-20.0, -20.0, bottom], [20.0, 20.0, HIGH_MM]))
    ring = _ring(site, plan)
    prism = _prism(ring, site.eaves_mm - BELOW_CEILING_MM, HIGH_MM)
    cut = union(prism, *_ways_in(site), *_faults(site, plan))
    opened = difference(whole, cut, chamber).parts()[0]
    lost = intersection(whole, cut)
    planned = _prism(site.ring_mm, 0.0, 1.0)
    own = _prism(ring, 0.0, 1.0)
    shared = intersection(planned, own).volume_mm3
    truth = {
        "crown_lost_mm3": lost.volume_mm3 - intersection(lost, pulp).volume_mm3,
        "outline_area_mm2": own.volume_mm3,
        "outline_overlap": 2.0 * shared / (planned.volume_mm3 + own.volume_mm3),
    }
    return CutAccess(transformed(opened.surface(), rigid_inverse(site.into)), ring, truth)


def _ways_in(site: AccessSite) -> list[Solid]:
    """A straight shaft over every orifice: walls that lean over a canal's mouth are taken away, as straight-line access asks."""
    return [
        cylinder(MOUTH_MM, HIGH_MM - z - CLEAR_MM, segments=48).moved([x, y, z + CLEAR_MM])
        for x, y, z in site.mouths_mm
    ]


def _faults(site: AccessSite, plan: AccessPlan) -> list[Solid]:
    found: list[Solid] = []
    x, y = site.middle_mm
    if plan.floor_mm > 0.0:
        found.append(
            cylinder(0.8, site.ceiling_mm - site.floor_mm + plan.floor_mm).moved([x, y, site.floor_mm - plan.floor_mm])
        )
    if plan.gouge_mm > 0.0:
        at = round(plan.gouge_azimuth_deg / 4.0) % len(AZIMUTHS)
        edge = _ring(site, plan)[at]
        out = (edge - site.middle_mm) / np.linalg.norm(edge - site.middle_mm)
        middle = edge + (plan.gouge_mm - 0.8) * out
        found.append(sphere(0.8).moved([*middle, site.ceiling_mm + 1.2]))
    if plan.perforation_azimuth_deg is not None:
        turn = np.radians(plan.perforation_azimuth_deg)
        way = np.array([np.sin(turn), np.cos(turn), -0.35])
        found.append(_bur([x, y, site.floor_mm + 0.8], way))
    return found


def _bur(start: list[float], way: FloatArray) -> Solid:
    """A round bur of 0.5 mm radius run 9 mm along a way."""
    up = way / np.linalg.norm(way)
    side = np.cross(up, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([side, np.cross(up, side), up])
    matrix[:3, 3] = start
    return cylinder(0.5, 9.0).transformed(matrix)


def outline_on(made: Layered, site: AccessSite, ring: FloatArray) -> FloatArray:
    """An outline seen along the axis laid on the tooth's outer surface (k, 3), tooth frame."""
    caster = RayCaster(transformed(made.outer, site.into))
    above = np.column_stack([ring, np.full(len(ring), HIGH_MM)])
    distance, _face = caster.first_hit(above, [0.0, 0.0, -1.0], max_mm=2.0 * HIGH_MM)
    laid = above - np.nan_to_num(distance, nan=HIGH_MM)[:, None] * [0.0, 0.0, 1.0]
    return transform_points(rigid_inverse(site.into), laid)
