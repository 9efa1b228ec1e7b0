"""Simulated pieces: an exercise's subject cut by a simulated hand, scanned with noise in a random pose, with the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from kerfmark.anatomy.notation import mesial_sign
from kerfmark.anatomy.preparations import CrownPlan, CutCrown, nick
from kerfmark.anatomy.preparations.plan import WALLS
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.demo.hands import Hand, hand, strayed_plan
from kerfmark.errors import InputError, printable
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.accesses import AccessSpec
from kerfmark.exercise.builtin.blocks import BlockSpec
from kerfmark.exercise.builtin.bridges import BridgeSpec
from kerfmark.exercise.builtin.cavities import CavitySpec
from kerfmark.exercise.builtin.crowns import CrownSpec, cut_tooth, ideal_plan
from kerfmark.exercise.builtin.implants import ImplantSpec
from kerfmark.geometry.mesh import submesh, transformed
from kerfmark.geometry.mesh_files import SIMULATED, write_surface
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.sections import radial_profiles
from kerfmark.geometry.solids import Solid, box, intersection
from kerfmark.pipeline import open_exercise
from kerfmark.records import FloatArray, Site, Surface
from kerfmark.settings import Settings

__all__ = ["Key", "SimulatedPiece", "cut_by", "nicked", "scan", "scan_beside", "simulated_piece", "truth_of"]

Key = tuple[str, str | None, str | None]

NOISE_UM = 10.0
EDGE_MM = 0.15
SCAN_BELOW_CERVICAL_MM = 3.5
OCCLUSAL_LINE_MM = 1.2
ONE_LINE_MM = 0.02
"""A top whose drawn-out line moves by more when three quarters of it are taken is round: no one height is true there."""
MEAN_OVER_NICK_MM = 0.15**2 / 4.0 / 0.8
"""By how much the mean over 0.3 mm about the deepest point of a ball's nick, 0.8 mm in radius, is less deep than it."""


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedPiece:
    """A simulated scan in its own random pose, the neighbours' scans in the same pose, and what was truly cut.

    `truth` holds, by reading key, what is true by construction; `pose` (4, 4) carried the piece from the exercise's
    coordinates into those of its scan.
    """

    surface: Surface
    level: str
    faults: tuple[str, ...]
    truth: Mapping[Key, float]
    neighbours: Mapping[str, Surface] = field(default_factory=dict)
    pose: FloatArray | None = None

    def write(self, path: Path) -> dict[str, Path]:
        """Write the piece to `path` and each neighbour beside it as `<stem>-<side><suffix>`; returns the neighbours' paths."""
        write_surface(path, self.surface, note=SIMULATED)
        beside = {side: path.with_name(f"{path.stem}-{side}{path.suffix}") for side in self.neighbours}
        for side, file in beside.items():
            write_surface(file, self.neighbours[side], note=SIMULATED)
        return beside


def simulated_piece(exercise: str, *, level: str, seed: int, settings: Settings) -> SimulatedPiece:
    """A piece of a built-in exercise as a learner of a level might cut it.

    Parameters
    ----------
    exercise : str
        Name of a built-in exercise.
    level : str
        `novice`, `middle` or `able`.
    seed : int
        The same seed gives the same piece, bit for bit.
    settings : Settings

    Raises
    ------
    InputError
        If there is no such built-in exercise or level.
    """
    if exercise not in builtin.names():
        raise InputError(
            f"'{printable(exercise, limit=60)}' is not a built-in exercise, expected one of {', '.join(builtin.names())}. Choose one of them."
        )
    rng = np.random.default_rng([seed, list(builtin.names()).index(exercise)])
    spec = builtin.spec_of(exercise)
    if isinstance(spec, CrownSpec):
        return _crown(spec, level, rng, settings)
    if isinstance(spec, BridgeSpec):
        from kerfmark.demo.bridge_work import bridge_piece

        return bridge_piece(spec, level, rng, settings)
    if isinstance(spec, CavitySpec):
        from kerfmark.demo.cavity_work import cavity_piece

        return cavity_piece(spec, level, rng, settings)
    if isinstance(spec, ImplantSpec):
        from kerfmark.demo.implant_work import implant_piece

        return implant_piece(spec, level, rng, settings)
    if isinstance(spec, AccessSpec):
        from kerfmark.demo.access_work import access_piece

        return access_piece(spec, level, rng, settings)
    from kerfmark.demo.flat_work import block_piece, line_piece

    return block_piece(spec, level, rng) if isinstance(spec, BlockSpec) else line_piece(spec, level, rng)


def _crown(spec: CrownSpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    made, of = tooth(spec.fdi, cache_dir=settings.cache_dir), hand(level)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    sites = {site.name: site.point_mm for site in prepared.sites}
    cut, faults = cut_by(ideal_plan(spec, made, sites), made, sites, of, rng)
    neighbours, truth, nicks = nicked(prepared.neighbours, made, of, rng)
    pose = random_pose(rng)
    beside = {side: scan_beside(surface, pose, rng) for side, surface in neighbours.items()}
    truth |= truth_of(cut, prepared.sites, mesial_sign=mesial_sign(spec.fdi))
    return SimulatedPiece(scan(cut.surface, pose, rng), level, (*faults, *nicks), truth, beside, pose)


def cut_by(
    ideal: CrownPlan, made: Tooth, sites: Mapping[str, FloatArray], of: Hand, rng: np.random.Generator
) -> tuple[CutCrown, tuple[str, ...]]:
    """A plan cut by this hand, and its faults in words; one that leaves no wall somewhere is drawn again."""
    for _ in range(20):
        plan, faults = strayed_plan(ideal, of, rng)
        try:
            return cut_tooth(made, plan, sites), faults
        except InputError:
            continue
    raise AssertionError(f"no plan of twenty could be cut into tooth {made.fdi}")


def nicked(
    whole: Mapping[str, Surface], made: Tooth, of: Hand, rng: np.random.Generator, *, family: str = "crown"
) -> tuple[dict[str, Surface], dict[Key, float], tuple[str, ...]]:
    """The neighbours after the cut, what was truly taken from each, and the nicks in words."""
    surfaces, words = dict(whole), []
    truth: dict[Key, float] = {}
    for side in surfaces:
        depth = float(rng.uniform(*of.nick_mm)) if rng.random() < of.nick_chance else 0.0
        truth[f"{family}.neighbour.damage_depth_mm", side, None] = max(depth - MEAN_OVER_NICK_MM, 0.0)
        if depth > 0.0:
            nicked = nick(surfaces[side], towards_mm=np.asarray(made.sites[f"{side} contact"].point_mm), depth_mm=depth)
            surfaces[side] = nicked.surface
            truth[f"{family}.neighbour.damage_volume_mm3", side, None] = nicked.volume_mm3
            words.append(f"{side} neighbour nicked")
    return surfaces, truth, tuple(words)


def scan(surface: Surface, pose: FloatArray, rng: np.random.Generator) -> Surface:
    """The crown and a few millimetres of root, as a scanner would see them: no underside."""
    window = box([-30.0, -30.0, -SCAN_BELOW_CERVICAL_MM], [30.0, 30.0, 40.0])
    seen = intersection(Solid.from_surface(surface), window).surface()
    return _open_below(scanned(seen, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng), 0.1 - SCAN_BELOW_CERVICAL_MM, pose)


def scan_beside(surface: Surface, pose: FloatArray, rng: np.random.Generator) -> Surface:
    """A neighbour as a scanner would see it; its triangles are even already."""
    return _open_below(
        scanned(surface, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, even=False), -SCAN_BELOW_CERVICAL_MM, pose
    )


def _open_below(surface: Surface, height_mm: float, pose: FloatArray) -> Surface:
    heights = surface.vertices_mm[surface.faces][:, :, 2].min(axis=1)
    return transformed(submesh(surface, heights > height_mm), pose)


def truth_of(cut: CutCrown, sites: Sequence[Site], *, mesial_sign: int) -> dict[Key, float]:
    """What is true of a cut crown by construction, by reading key."""
    return _truth(cut) | _true_heights(cut, mesial_sign=mesial_sign) | _true_reductions(cut, sites)


def _truth(cut: CutCrown) -> dict[Key, float]:
    """What the construction fixes: convergence where both walls are one plane to their ends, and widths at right angles to the readings' path."""
    truth: dict[Key, float] = {}
    for plane, azimuth in {"BL": 0, "MD": 90, "MF-DL": 45, "ML-DF": 135}.items():
        bent = plane != "MD" and cut.plan.second_plane_deg != 0.0
        if not bent and not cut.over_axis[[azimuth // 2, azimuth // 2 + 90]].any():
            truth["crown.total_occlusal_convergence_deg", plane, None] = cut.convergence_deg(azimuth)
    sections, widths = np.arange(0.0, 360.0, 5.0), cut.width_mm(np.arange(0.0, 360.0, 2.0))
    if _hides_nothing(cut):
        away = [(points - _middle(cut))[:, :2] for points in (cut.margin_mm, _feet(cut))]
        widths = np.linalg.norm(away[0], axis=1) - np.linalg.norm(away[1], axis=1)
    for wall, middle in WALLS.items():
        within = np.abs((sections - middle + 180.0) % 360.0 - 180.0) <= 45.0
        here = np.interp(sections[within], np.arange(0.0, 360.0, 2.0), widths, period=360.0)
        truth["crown.finish_line_width_mm", wall, "median"] = float(np.median(here))
    return truth


def _hides_nothing(cut: CutCrown) -> bool:
    """Whether no wall leans out along the long axis, so that this is the readings' path."""
    return cut.plan.tilt_deg <= min(cut.plan.taper_deg.values())


def _middle(cut: CutCrown) -> FloatArray:
    """Centroid of the margin, by length."""
    ahead = np.roll(cut.margin_mm, -1, axis=0)
    lengths = np.linalg.norm(ahead - cut.margin_mm, axis=1)
    return np.asarray((0.5 * (cut.margin_mm + ahead) * lengths[:, None]).sum(axis=0) / lengths.sum())


def _outward(cut: CutCrown) -> FloatArray:
    """Unit directions (180, 3) square to the preparation's path, towards each margin point."""
    away = cut.margin_mm - cut.axis_mm
    square = away - (away @ cut.path)[:, None] * cut.path
    return np.asarray(square / np.linalg.norm(square, axis=1, keepdims=True))


def _feet(cut: CutCrown) -> FloatArray:
    """Where each wall begins (180, 3), tooth frame."""
    return np.asarray(cut.axis_mm + cut.foot_mm[:, :1] * _outward(cut) + cut.foot_mm[:, 1:] * cut.path)


def _true_heights(cut: CutCrown, *, mesial_sign: int) -> dict[Key, float]:
    """Along the long axis, from the margin to where the wall's line and the occlusal surface's, both drawn out, meet.

    The occlusal line is fitted to the cut itself, before any scan, from where the rounding ends to 1.2 mm inside the
    corner. Where a wall leans out by more than it tapers the readings' path is not the long axis, and where a wall has two
    planes its one fitted line meets the top elsewhere; on a rounded ridge the height is what is made of the line. Heights of
    those are not known beforehand.
    """
    plan, truth = cut.plan, dict[Key, float]()
    if not _hides_nothing(cut):
        return truth
    middle = _middle(cut)
    outlines = radial_profiles(
        cut.surface, origin_mm=middle, path=[0, 0, 1], azimuths_deg=list(WALLS.values()), mesial_sign=mesial_sign
    )
    for (wall, azimuth), outline in zip(WALLS.items(), outlines, strict=True):
        i = round(azimuth / 2.0)
        if cut.over_axis[i] or (wall == "buccal" and plan.second_plane_deg):
            continue
        rise = cut.top_height_mm[i] - cut.foot_mm[i, 1]
        inner = cut.foot_mm[i, 0] - rise * np.tan(np.radians(plan.taper_deg[wall]))
        top = cut.axis_mm + inner * _outward(cut)[i] + cut.top_height_mm[i] * cut.path
        ends = [
            np.array([np.linalg.norm((p - middle)[:2]), (p - middle)[2]])
            for p in (_feet(cut)[i], top, cut.margin_mm[i])
        ]
        corner, nearer = (
            _drawn_out(outline[0], ends[0], ends[1], rounding_mm=plan.edge_radius_mm, length_mm=length)
            for length in (OCCLUSAL_LINE_MM, 0.75 * OCCLUSAL_LINE_MM)
        )
        if corner is not None and nearer is not None and abs(corner - nearer) < ONE_LINE_MM:
            truth["crown.height_mm", wall, None] = corner - float(ends[2][1])
    return truth


def _drawn_out(
    outline: FloatArray, foot: FloatArray, top: FloatArray, *, rounding_mm: float, length_mm: float
) -> float | None:
    """Height at which a wall's line through two points of a section meets the line of what lies inside its upper end."""
    steps = np.hypot(*np.diff(outline, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    wanted = np.arange(0.0, along[-1], 0.02)
    even = np.column_stack([np.interp(wanted, along, outline[:, k]) for k in (0, 1)])
    nearest = int(np.argmin(((even - top) ** 2).sum(axis=1)))
    inside = even[nearest + int(rounding_mm / 0.02) : nearest + int(length_mm / 0.02)]
    if len(inside) < 10:
        return None
    slope, level = np.polyfit(inside[:, 0], inside[:, 1], 1)
    lean = (top[0] - foot[0]) / (top[1] - foot[1])
    return float((level + slope * (foot[0] - lean * foot[1])) / (1.0 - slope * lean))


def _true_reductions(cut: CutCrown, sites: Sequence[Site]) -> dict[Key, float]:
    """Median way along the inward normals of each site to the cut itself, before any scan."""
    caster = RayCaster(cut.surface)
    truth: dict[Key, float] = {}
    for site in sites:
        distance, _face = caster.first_hit(site.points_mm, site.inward, max_mm=8.0)
        if np.isfinite(distance).mean() > 0.95:
            truth["crown.occlusal_reduction_mm", site.name, "median"] = float(np.nanmedian(distance))
    return truth
