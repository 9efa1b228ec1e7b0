"""Simulated pieces of the endodontic accesses: the outline off its place, a ledge of roof, a cut floor, a gouge, a hole."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kerfmark.anatomy.preparations.access import AccessPlan, AccessSite, CutAccess, cut_access
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.errors import InputError
from kerfmark.exercise.builtin.accesses import AccessSpec, has_floor, site_of
from kerfmark.exercise.preparing.sampling import visible
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.mesh import face_areas_mm2, face_normals, submesh, transformed
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, box, intersection
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Settings

if TYPE_CHECKING:
    from kerfmark.demo.learners import Key, SimulatedPiece

__all__ = ["AccessHand", "access_piece", "opened_by_hand", "strayed_access"]


SCAN_BELOW_CERVICAL_MM = 6.0
"""A tooth to be opened is scanned in the hand: a hole in its root lies well below the cervical line."""
BELOW_CERVICAL_MM, GONE_MM, LEAST_HOLE_MM2 = 0.5, 0.05, 0.05


@dataclass(frozen=True, slots=True)
class AccessHand:
    """How one level strays: standard deviations in mm, how often each fault comes and how large it is. All practice."""

    grow_sd_mm: float
    shift_sd_mm: float
    ledge_chance: float
    ledge_mm: tuple[float, float]
    floor_chance: float
    floor_mm: tuple[float, float]
    gouge_chance: float
    gouge_mm: tuple[float, float]
    perforation_chance: float


HANDS: Mapping[str, AccessHand] = {
    "able": AccessHand(0.05, 0.06, 0.0, (0.3, 0.5), 0.05, (0.05, 0.1), 0.1, (0.1, 0.3), 0.0),
    "middle": AccessHand(0.12, 0.15, 0.4, (0.5, 0.9), 0.3, (0.1, 0.3), 0.5, (0.3, 0.7), 0.0),
    "novice": AccessHand(0.25, 0.3, 0.6, (0.7, 1.3), 0.6, (0.2, 0.7), 0.8, (0.5, 1.3), 0.25),
}


def strayed_access(level: str, rng: np.random.Generator, *, floored: bool) -> tuple[AccessPlan, tuple[str, ...]]:
    """An access as a level's hand would cut it, and its faults in words."""
    if level not in HANDS:
        from kerfmark.demo.hands import hand

        hand(level)  # says which levels there are
    of = HANDS[level]

    def fault(chance: float, size: tuple[float, float]) -> float:
        drawn, amount = rng.random() < chance, float(rng.uniform(*size))
        return amount if drawn else 0.0

    grow, shift = float(rng.normal(0.08, of.grow_sd_mm)), rng.normal(0.0, of.shift_sd_mm, 2)
    ledge, floor = fault(of.ledge_chance, of.ledge_mm), fault(of.floor_chance, of.floor_mm)
    gouge, turns = fault(of.gouge_chance, of.gouge_mm), rng.uniform(0.0, 360.0, 3)
    hole = rng.random() < of.perforation_chance
    plan = AccessPlan(
        grow_mm=grow,
        shift_mm=(float(shift[0]), float(shift[1])),
        ledge_mm=ledge,
        ledge_azimuth_deg=float(turns[0]),
        floor_mm=floor if floored else 0.0,
        gouge_mm=gouge,
        gouge_azimuth_deg=float(turns[1]),
        perforation_azimuth_deg=float(turns[2]) if hole else None,
    )
    words = {
        "roof left": ledge > 0.4,
        "floor cut": plan.floor_mm > 0.15,
        "wall gouged": gouge > 0.4,
        "off centre": float(np.hypot(*shift)) > 0.4,
        "perforated": hole,
    }
    return plan, tuple(word for word, said in words.items() if said)


def opened_by_hand(
    made: Tooth, site: AccessSite, level: str, rng: np.random.Generator
) -> tuple[AccessPlan, tuple[str, ...], CutAccess]:
    """A plan as this hand strays, its faults in words, and the tooth opened: the first that can be cut."""
    for _ in range(20):
        plan, faults = strayed_access(level, rng, floored=has_floor(made))
        try:
            return plan, faults, cut_access(made, site, plan)
        except InputError:
            continue
    raise AssertionError(f"no plan of twenty could be cut into tooth {made.fdi}")


def access_piece(spec: AccessSpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    """An opened tooth, scanned in a random pose as a scanner that looks in from above would see it."""
    from kerfmark.demo import learners

    made = tooth(spec.fdi, cache_dir=settings.cache_dir)
    site = site_of(spec, made)
    plan, faults, cut = opened_by_hand(made, site, level, rng)
    pose = random_pose(rng)
    surface = transformed(_seen(cut.surface, site, rng), pose)
    return learners.SimulatedPiece(surface, level, faults, _truth(made, cut, plan), {}, pose)


def _truth(made: Tooth, cut: CutAccess, plan: AccessPlan) -> dict[Key, float]:
    """What the construction fixes; depths of faults where nothing else reaches as deep."""
    truth: dict[Key, float] = {("access.crown_lost_mm3", None, None): cut.truth["crown_lost_mm3"]}
    truth["access.outline_area_mm2", None, None] = cut.truth["outline_area_mm2"]
    truth["access.outline_overlap", None, None] = cut.truth["outline_overlap"]
    holed = _root_gone_mm2(made, cut) > LEAST_HOLE_MM2
    truth["access.perforation", None, None] = float(holed)
    if holed:
        truth["access.wall_left_mm", None, None] = 0.0
    if has_floor(made) and plan.floor_mm == 0.0:
        truth["access.floor_cut_mm", None, None] = 0.0
    return truth


def _root_gone_mm2(made: Tooth, cut: CutAccess) -> float:
    """How much of the root's old outer surface is not there any more: a bur meant to go through may not have come out."""
    middles = made.outer.vertices_mm[made.outer.faces].mean(axis=1)
    root = middles[:, 2] < -BELOW_CERVICAL_MM
    away = ClosestPoint(cut.surface).query(middles[root], max_distance_mm=1.0)[1]
    return float(face_areas_mm2(made.outer)[root][away > GONE_MM].sum())


def _seen(surface: Surface, site: AccessSite, rng: np.random.Generator) -> Surface:
    """The crown, six millimetres of root, and of the cavity what lies in sight; noise on all of it."""
    from kerfmark.demo.learners import EDGE_MM, NOISE_UM

    window = box([-30.0, -30.0, -SCAN_BELOW_CERVICAL_MM], [30.0, 30.0, 40.0])
    kept = intersection(Solid.from_surface(surface), window).surface()
    exact = scanned(kept, noise_um=0.0, edge_mm=EDGE_MM, rng=rng)
    middles = exact.vertices_mm[exact.faces].mean(axis=1)
    in_sight = visible(middles, face_normals(exact), RayCaster(exact)) | _looked_into(exact, middles, site)
    low = exact.vertices_mm[exact.faces][:, :, 2].min(axis=1) <= 0.1 - SCAN_BELOW_CERVICAL_MM
    shown = submesh(exact, in_sight & ~low)
    return scanned(shown, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, even=False)


def _looked_into(surface: Surface, middles: FloatArray, site: AccessSite) -> np.ndarray:
    """Which faces are seen along the access axis or within about 25° of it."""
    caster, normals = RayCaster(surface), face_normals(surface)
    up = rigid_inverse(site.into)[:3, :3]
    seen = np.zeros(len(middles), bool)
    for lean in (0.0, 12.0, 25.0):
        for turn in np.radians(np.arange(0.0, 360.0, 45.0)) if lean else (0.0,):
            tilt = np.radians(lean)
            way = up @ np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])
            todo = np.flatnonzero(~seen & (normals @ way > 0.03))
            distance, _face = caster.first_hit(middles[todo] + 0.02 * normals[todo], way, max_mm=40.0)
            seen[todo] = np.isnan(distance)
    return seen
