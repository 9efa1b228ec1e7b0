"""Simulated pieces: an exercise's subject cut by a simulated hand, scanned with noise in a random pose, with the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from kerfmark.anatomy.preparations import CutCrown, nick
from kerfmark.anatomy.preparations.plan import WALLS
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.demo.hands import Hand, hand, strayed_plan
from kerfmark.errors import InputError, printable
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.blocks import BlockSpec
from kerfmark.exercise.builtin.crowns import CrownSpec, cut_tooth, ideal_plan
from kerfmark.geometry.mesh import submesh, transformed
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, box, intersection
from kerfmark.pipeline import open_exercise
from kerfmark.records import FloatArray, Site, Surface
from kerfmark.settings import Settings

__all__ = ["SimulatedPiece", "simulated_piece"]

Key = tuple[str, str | None, str | None]

NOISE_UM = 10.0
EDGE_MM = 0.15
SCAN_BELOW_CERVICAL_MM = 3.5


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
        write_surface(path, self.surface)
        beside = {side: path.with_name(f"{path.stem}-{side}{path.suffix}") for side in self.neighbours}
        for side, file in beside.items():
            write_surface(file, self.neighbours[side])
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
    from kerfmark.demo.flat_work import block_piece, line_piece

    return block_piece(spec, level, rng) if isinstance(spec, BlockSpec) else line_piece(spec, level, rng)


def _crown(spec: CrownSpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    made, of = tooth(spec.fdi, cache_dir=settings.cache_dir), hand(level)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    sites = {site.name: site.point_mm for site in prepared.sites}
    cut, faults = _cut(spec, made, sites, of, rng)
    neighbours, truth, nicks = _nicked(prepared.neighbours, made, of, rng)
    pose = random_pose(rng)
    beside = {side: _scan_beside(surface, pose, rng) for side, surface in neighbours.items()}
    truth |= _truth(cut) | _true_reductions(cut, prepared.sites)
    return SimulatedPiece(_scan(cut.surface, pose, rng), level, (*faults, *nicks), truth, beside, pose)


def _cut(
    spec: CrownSpec, made: Tooth, sites: Mapping[str, FloatArray], of: Hand, rng: np.random.Generator
) -> tuple[CutCrown, tuple[str, ...]]:
    """Cut by this hand; a plan that leaves no wall somewhere is drawn again."""
    ideal = ideal_plan(spec, made, sites)
    for _ in range(20):
        plan, faults = strayed_plan(ideal, of, rng)
        try:
            return cut_tooth(made, plan, sites), faults
        except InputError:
            continue
    raise AssertionError(f"no plan of twenty could be cut into {spec.name}")


def _nicked(
    whole: Mapping[str, Surface], made: Tooth, of: Hand, rng: np.random.Generator
) -> tuple[dict[str, Surface], dict[Key, float], tuple[str, ...]]:
    """The neighbours after the cut, what was truly taken from each, and the nicks in words."""
    surfaces, words = dict(whole), []
    truth: dict[Key, float] = {}
    for side in surfaces:
        depth = float(rng.uniform(*of.nick_mm)) if rng.random() < of.nick_chance else 0.0
        truth["crown.neighbour.damage_depth_mm", side, None] = depth
        if depth > 0.0:
            nicked = nick(surfaces[side], towards_mm=np.asarray(made.sites[f"{side} contact"].point_mm), depth_mm=depth)
            surfaces[side] = nicked.surface
            truth["crown.neighbour.damage_volume_mm3", side, None] = nicked.volume_mm3
            words.append(f"{side} neighbour nicked")
    return surfaces, truth, tuple(words)


def _scan(surface: Surface, pose: FloatArray, rng: np.random.Generator) -> Surface:
    """The crown and a few millimetres of root, as a scanner would see them: no underside."""
    window = box([-30.0, -30.0, -SCAN_BELOW_CERVICAL_MM], [30.0, 30.0, 40.0])
    seen = intersection(Solid.from_surface(surface), window).surface()
    return _open_below(scanned(seen, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng), 0.1 - SCAN_BELOW_CERVICAL_MM, pose)


def _scan_beside(surface: Surface, pose: FloatArray, rng: np.random.Generator) -> Surface:
    """A neighbour as a scanner would see it; its triangles are even already."""
    return _open_below(
        scanned(surface, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, even=False), -SCAN_BELOW_CERVICAL_MM, pose
    )


def _open_below(surface: Surface, height_mm: float, pose: FloatArray) -> Surface:
    heights = surface.vertices_mm[surface.faces][:, :, 2].min(axis=1)
    return transformed(submesh(surface, heights > height_mm), pose)


def _truth(cut: CutCrown) -> dict[Key, float]:
    """What the construction fixes: convergence and widths."""
    truth: dict[Key, float] = {}
    for plane, azimuth in {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}.items():
        truth["crown.total_occlusal_convergence_deg", plane, None] = cut.convergence_deg(azimuth)
    sections = np.arange(0.0, 360.0, 5.0)
    for wall, middle in WALLS.items():
        within = np.abs((sections - middle + 180.0) % 360.0 - 180.0) <= 45.0
        truth["crown.finish_line_width_mm", wall, "median"] = float(np.median(cut.width_mm(sections[within])))
    return truth


def _true_reductions(cut: CutCrown, sites: Sequence[Site]) -> dict[Key, float]:
    """Median way along the inward normals of each site to the cut itself, before any scan."""
    caster = RayCaster(cut.surface)
    truth: dict[Key, float] = {}
    for site in sites:
        distance, _face = caster.first_hit(site.points_mm, site.inward, max_mm=8.0)
        if np.isfinite(distance).mean() > 0.95:
            truth["crown.occlusal_reduction_mm", site.name, "median"] = float(np.nanmedian(distance))
    return truth
