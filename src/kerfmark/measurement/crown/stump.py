"""What the crown readings share: the sections round the stump, its path of insertion, the level of its noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import even_edge_mm, face_normals
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.sections import radial_profiles
from kerfmark.measurement.budget import folded_u_mm
from kerfmark.measurement.crown.insertion import best_lean, map_of
from kerfmark.measurement.crown.outer_margin import first_cuts_by_shape, refined
from kerfmark.measurement.crown.profile import (
    Profile,
    WallLine,
    cut_run,
    landmarks,
    of_one_shape,
    past_the_axis,
    steadied,
)
from kerfmark.measurement.crown.sections import Section, Turning, drawn_on, even_section
from kerfmark.records import FloatArray, Piece, Surface

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["BESIDE_DEG", "PLANES", "WALLS", "Round", "SteadyWall", "Stump"]

WALLS = {"buccal": 0.0, "mesial": 90.0, "lingual": 180.0, "distal": 270.0}
PLANES = {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}
EVERY_DEG = 5.0
COMPLETE_SHARE = 0.95
BELOW_MARGIN_MM = 1.6
FINE_DEG = 2.5
BESIDE_DEG = (-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0)
TILTED_PART = 2.5
LEAST_HIDDEN_MM = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class SteadyWall:
    """A wall's line with its mean lean, and the leans (degrees) of the sections at 0° and at `BESIDE_DEG` from it.

    `along_mm` and `across_mm` are the sides of even triangles with as many points along the sections and across them.
    """

    line: WallLine
    leans_deg: FloatArray
    along_mm: float
    across_mm: float


@dataclass(frozen=True, eq=False)
class Round:
    """The sections of a stump all round, every 5°, with the line they turn about."""

    turning: Turning
    profiles: tuple[Profile, ...]

    def at(self, azimuth_deg: float) -> Profile:
        """The section nearest an azimuth."""
        return self.profiles[round(azimuth_deg / EVERY_DEG) % len(self.profiles)]

    def wall(self, name: str) -> tuple[Profile, ...]:
        """The sections of a wall, ± 45° about its middle, both ends included."""
        return tuple(self.at(WALLS[name] + d) for d in np.arange(-45.0, 45.1, EVERY_DEG))

    def place(self, profile: Profile, points: FloatArray) -> FloatArray:
        """Points (..., 2) of a section in the tooth frame."""
        return self.turning.to_space(points, profile.azimuth_deg)

    @cached_property
    def margin_mm(self) -> FloatArray:
        """The margin's points (k, 3) in order round the stump."""
        found = [self.place(p, p.margin) for p in self.profiles if p.margin is not None]
        return np.array(found).reshape(-1, 3)


class Stump:
    """One piece as the crown readings see it. Everything is found on first asking and kept.

    Attributes
    ----------
    noise_mm, shared_mm : float
        Standard uncertainty of one surface point, random and shared.
    cut_threshold_mm : float
        Depth of removal from which a point counts as cut: 3 u of the surface, at least 0.03 mm.
    hidden_threshold_mm : float
        Depth from which a hidden point counts.
    """

    def __init__(self, piece: Piece, prepared: Prepared) -> None:
        self.piece = piece
        self.prepared = prepared
        self._part = piece.surface  # what is cut into sections: the whole piece until its margin is known
        self.noise_mm = piece.noise_um / 1000.0
        self.shared_mm = piece.trueness_um / 1000.0
        self.cut_threshold_mm = max(3.0 * float(np.hypot(self.noise_mm, self.shared_mm)), 0.03)
        self.hidden_threshold_mm = max(3.0 * self.noise_mm, LEAST_HIDDEN_MM)

    @property
    def noise_of_fits_mm(self) -> float:
        """Noise as fits to a section feel it: where it tilts triangles, a section through them wavers by more.

        Found by sweeping noise over phantoms (`docs/accuracy.md`): a part of 2.5 (noise / side of a triangle)² more, 2 % at
        10 µm in triangles of 0.1 mm and 60 % at 50 µm.
        """
        return self.noise_mm * (1.0 + TILTED_PART * (self.noise_mm / self.edge_mm) ** 2)

    @property
    def folded_mm(self) -> float:
        """How far noise that folds triangles over draws the surface to one side, mm."""
        return folded_u_mm(self.noise_mm, edge_mm=self.edge_mm)

    @property
    def surface(self) -> Surface:
        """The piece's surface, tooth frame."""
        return self.piece.surface

    @property
    def has_subject(self) -> bool:
        """Whether there is a state before cutting to compare with."""
        return self.prepared.subject_grid is not None

    @property
    def stands_off_mm(self) -> float:
        """What a foot or a corner must stand off the straight line past it to be more than noise."""
        return max(0.04, 4.0 * self.noise_mm)

    @property
    def clear_mm(self) -> float:
        """How far above the foot of a wall nothing of the floor's noise is met."""
        return max(0.05, 4.0 * self.noise_mm)

    @cached_property
    def edge_mm(self) -> float:
        """Side of even triangles as large as the surface's median one, from a sample of them."""
        return even_edge_mm(self.surface)

    @cached_property
    def along_mm(self) -> float:
        """Side of even triangles whose edges the sections would cross as often as they cross the surface's own."""
        seen = [p.section.along_mm(max(p.first_cut, 0)) for p in self.about_path.profiles if len(p.section.points)]
        return float(np.median(seen)) if seen else self.edge_mm

    def depth_at(self, points_mm: FloatArray) -> FloatArray:
        """Depth below the old surface, mm."""
        return -sample(self.prepared.subject_grid, points_mm)

    @cached_property
    def about_long_axis(self) -> Round:
        """Sections about the long axis through the margin's centroid."""
        up = np.array([0.0, 0.0, 1.0])
        first = self._round(Turning(self._first_centre(), up, self.prepared.mesial_sign), every_deg=15.0, coarse=True)
        if len(first.margin_mm):
            self._part = faces_above(self.surface, float(first.margin_mm[:, 2].min()) - BELOW_MARGIN_MM)
        return self._round(Turning(_centre(first, first.turning.origin_mm), up, self.prepared.mesial_sign))

    @cached_property
    def about_path(self) -> Round:
        """Sections about the path of insertion through the margin's centroid: what nearly all readings are taken in."""
        return self.about_long_axis if self.path_is_long_axis else self.about(self.path)

    def about(self, direction: FloatArray) -> Round:
        """Sections about any direction through the margin's centroid."""
        along = self.about_long_axis
        return self._round(Turning(_centre(along, along.turning.origin_mm), direction, self.prepared.mesial_sign))

    @cached_property
    def path(self) -> FloatArray:
        """The path of insertion, a unit vector."""
        stump = map_of(self.about_long_axis.profiles, step_mm=0.1, clear_mm=self.clear_mm)
        if stump is None:
            return np.array([0.0, 0.0, 1.0])
        facial, mesial = best_lean(stump, least_depth_mm=self.hidden_threshold_mm)
        lean = np.array([self.prepared.mesial_sign * mesial, facial, 1.0])
        return np.asarray(lean / np.linalg.norm(lean))

    @property
    def path_is_long_axis(self) -> bool:
        """Whether the long axis itself is the path, as wherever it hides nothing."""
        return bool(self.path[2] > 1.0 - 1e-12)

    @cached_property
    def steady_walls(self) -> dict[float, SteadyWall]:
        """The wall's line at the eight azimuths of the planes, as the mean of nine sections within 4°.

        Every section is a true one through the path; on a wall they lie 0.3 mm and less from the middle one, and
        together they take the noise of one section alone down to 0.4 of it.
        """
        around = self.about_path
        middles = [p for p in (around.at(a) for a in np.arange(0.0, 360.0, 45.0)) if p.wall is not None]
        lines: dict[float, SteadyWall] = {}
        for profile, beside in zip(middles, self._beside(around.turning, middles), strict=True):
            line, leans = steadied(profile, beside)
            section = profile.section
            along = section.along_mm(section.near(line.low), section.near(line.high))
            across = float(np.clip(self.edge_mm**2 / along, 0.3 * self.edge_mm, 3.0 * self.edge_mm))
            lines[profile.azimuth_deg] = SteadyWall(line, leans, along, across)
        return lines

    def _beside(self, turning: Turning, middles: Sequence[Profile]) -> list[list[FloatArray]]:
        """Points of the sections beside each of some, carried past the axis where its wall goes on there."""
        past = [p.section.beyond is not None for p in middles]
        starts = [
            p.azimuth_deg + turn
            for p, goes_on in zip(middles, past, strict=True)
            for turn in (0.0, 180.0)[: 1 + goes_on]
        ]
        if not starts:
            return []
        chains = self._chains(turning, np.add.outer(starts, BESIDE_DEG).ravel())
        runs = iter([even_section(c, 0.0) for c in chains])
        found = []
        for goes_on in past:
            own = [next(runs) for _ in BESIDE_DEG]
            far = [next(runs) for _ in BESIDE_DEG] if goes_on else own
            found.append([_up_to_the_top(o, f) if goes_on else o.points for o, f in zip(own, far, strict=True)])
        return found

    @cached_property
    def caster(self) -> RayCaster:
        """Rays against the part of the piece that stands above the margin."""
        return RayCaster(self._above_margin)

    @cached_property
    def caster_normals(self) -> FloatArray:
        """Unit normals of the faces that `caster` numbers."""
        return face_normals(self._above_margin)

    @cached_property
    def _above_margin(self) -> Surface:
        around = self.about_path
        levels = [p.margin[1] for p in around.profiles if p.margin is not None]
        if not levels:
            return self.surface
        return faces_above(self._part, min(levels) - 0.5, along=around.turning)

    @cached_property
    def heights(self) -> dict[float, Any]:
        """What `heights` found in the section at each azimuth: heights, ratios and limits share it."""
        return {}

    @cached_property
    def fine_margin(self) -> Round:
        """The margin alone in sections every 2.5°, for what is smaller than 5° shows."""
        around = self.about_path
        azimuths = np.arange(0.0, 360.0, FINE_DEG)
        band = _margin_band(self._part, around)
        chains = self._chains(around.turning, azimuths, band)
        cut = [even_section(c, float(a)) for c, a in zip(chains, azimuths, strict=True)]
        profiles = self._profiles(cut, around.turning, coarse=True)
        depth_at = self.depth_at if self.has_subject else None
        return Round(
            around.turning, refined(profiles, around.turning, depth_at=depth_at, edge_mm=self.edge_mm, reach_mm=0.35)
        )

    def _chains(
        self, turning: Turning, azimuths_deg: FloatArray, surface: Surface | None = None
    ) -> list[tuple[FloatArray, ...]]:
        return radial_profiles(
            self._part if surface is None else surface,
            origin_mm=turning.origin_mm,
            path=turning.path,
            azimuths_deg=azimuths_deg,
            mesial_sign=turning.mesial_sign,
        )

    def _round(self, turning: Turning, *, every_deg: float = EVERY_DEG, coarse: bool = False) -> Round:
        azimuths = np.arange(0.0, 360.0, every_deg)
        chains = self._chains(turning, azimuths)
        cut = [even_section(c, float(a)) for c, a in zip(chains, azimuths, strict=True)]
        return Round(turning, self._profiles(cut, turning, coarse=coarse))

    def _profiles(self, cut: list[Section], turning: Turning, *, coarse: bool) -> tuple[Profile, ...]:
        removals = self._removals(cut, turning)
        starts = self._first_cuts(cut, removals)
        found = []
        for section, removal, start in zip(cut, removals, starts, strict=True):
            if start < 0:
                found.append(Profile(section, trouble=_no_margin(section, self.has_subject), removal=removal))
            elif coarse:
                found.append(Profile(section, start, section.points[start], removal=removal))
            else:
                found.append(landmarks(section, start, removal, stands_off_mm=self.stands_off_mm))
        if coarse:
            return tuple(found)
        found = self._past_the_axis(found)
        return refined(
            of_one_shape(found), turning, depth_at=self.depth_at if self.has_subject else None, edge_mm=self.edge_mm
        )

    def _past_the_axis(self, profiles: list[Profile]) -> list[Profile]:
        """The profiles, those that end at the axis before their wall does carried on past it."""
        half = len(profiles) // 2
        return [
            p if p.ends_at_an_edge else past_the_axis(p, opposite, stands_off_mm=self.stands_off_mm)
            for p, opposite in zip(profiles, profiles[half:] + profiles[:half], strict=True)
        ]

    def _removals(self, cut: list[Section], turning: Turning) -> list[FloatArray]:
        if not self.has_subject:
            return [np.full(len(s.points), np.nan) for s in cut]
        placed = np.concatenate([turning.to_space(s.points, s.azimuth_deg) for s in cut])
        return np.split(self.depth_at(placed), np.cumsum([len(s.points) for s in cut])[:-1])

    def _first_cuts(self, cut: list[Section], removals: list[FloatArray]) -> list[int]:
        if not self.has_subject:
            return first_cuts_by_shape(cut)
        runs = [cut_run(r, self.cut_threshold_mm) for r in removals]
        return [-1 if run is None or run[0] < 4 else run[0] for run in runs]

    def _first_centre(self) -> FloatArray:
        """Somewhere inside the stump: the middle of what was cut, or of everything."""
        points = self.surface.vertices_mm
        if self.has_subject and len(points):
            points = points[:: max(1, len(points) // 20_000)]
            deep = points[self.depth_at(points) > 2.0 * self.cut_threshold_mm]
            points = deep if len(deep) > 100 else points
        middle = points.mean(axis=0) if len(points) else np.zeros(3)
        return np.array([middle[0], middle[1], 0.0])


def _up_to_the_top(section: Section, opposite: Section) -> FloatArray:
    """A section's points and, past the axis, those up to the highest of the opposite one."""
    if not (section.reaches_axis and opposite.reaches_axis):
        return section.points
    return drawn_on(section, opposite, int(np.argmax(opposite.points[:, 1]))).points


def _margin_band(surface: Surface, around: Round) -> Surface:
    """The faces within 1.2 mm of the margin, measured in height and radius at each azimuth."""
    found = [p for p in around.profiles if p.margin is not None]
    if len(found) < 6:
        return Surface(surface.vertices_mm, surface.faces[:0])
    azimuth, radius, height = around.turning.cylindrical(surface.vertices_mm)
    known = np.array([p.azimuth_deg for p in found])
    margins = np.array([p.margin for p in found])
    off = [np.interp(azimuth, known, margins[:, i], period=360.0) for i in range(2)]
    near = (np.abs(radius - off[0]) < 1.2) & (np.abs(height - off[1]) < 1.2)
    return compacted(surface, near[surface.faces].all(axis=1))


def faces_above(surface: Surface, height_mm: float, *, along: Turning | None = None) -> Surface:
    """The faces with a corner above a height along z, or along a turning line."""
    points = surface.vertices_mm
    height = points[:, 2] if along is None else (points - along.origin_mm) @ along.path
    return compacted(surface, (height > height_mm)[surface.faces].any(axis=1))


def compacted(surface: Surface, kept: ArrayLike) -> Surface:
    """Some faces (a mask) and the vertices they need, no others."""
    faces = surface.faces[np.asarray(kept, bool)]
    used = np.zeros(len(surface.vertices_mm), bool)
    used[faces.ravel()] = True
    number = np.cumsum(used, dtype=np.int32) - np.int32(1)
    return Surface(np.ascontiguousarray(surface.vertices_mm[used]), np.ascontiguousarray(number[faces]))


def _no_margin(section: Section, has_subject: bool) -> str:
    if not len(section.points):
        return "the scan has no surface there"
    return (
        "nothing is cut there, or the cut runs off the scan"
        if has_subject
        else "no edge of a finish line can be seen there"
    )


def _centre(around: Round, fallback: FloatArray) -> FloatArray:
    """Centroid of the margin as a closed curve, weighted by length.

    Where part of the margin is missing its centroid would lie off to one side, and sections through it would cut the
    walls aslant: the middle of the circle that fits what is there best is taken then.
    """
    points = around.margin_mm
    if len(points) < 6:
        return fallback
    if len(points) < COMPLETE_SHARE * len(around.profiles):
        return _circle_centre(points)
    ahead = np.roll(points, -1, axis=0)
    lengths = np.linalg.norm(ahead - points, axis=1)
    return np.asarray((0.5 * (points + ahead) * lengths[:, None]).sum(axis=0) / lengths.sum())


def _circle_centre(points: FloatArray) -> FloatArray:
    """Middle of the least-squares circle through points seen from above (Kåsa 1976), at their mean height."""
    middle = points.mean(axis=0)
    x, y = (points - middle)[:, :2].T
    solution, *_ = np.linalg.lstsq(np.column_stack([x, y, np.ones(len(x))]), x * x + y * y, rcond=None)
    return np.asarray(middle + np.array([solution[0] / 2.0, solution[1] / 2.0, 0.0]))
