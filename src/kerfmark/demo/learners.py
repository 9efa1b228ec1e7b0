"""Simulated pieces: an exercise's subject cut by a simulated hand, scanned with noise in a random pose, with the truth beside it."""

from __future__ import annotations

from collections.abc import Mapping
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
from kerfmark.geometry.solids import Solid, box, intersection
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Settings

__all__ = ["SimulatedPiece", "simulated_piece"]

Key = tuple[str, str | None, str | None]

NOISE_UM = 10.0
EDGE_MM = 0.12
LEAST_EDGE_MM = 0.002
SCAN_BELOW_CERVICAL_MM = 3.5


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedPiece:
    """A simulated scan in its own random pose, the neighbours' scans in the same pose, and what was truly cut.

    `truth` holds, by reading key, what is true by construction.
    """

    surface: Surface
    level: str
    faults: tuple[str, ...]
    truth: Mapping[Key, float]
    neighbours: Mapping[str, Surface] = field(default_factory=dict)

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
    cut, faults = _cut(spec, made, of, rng)
    neighbours, truth, faults = _nicked(spec, made, of, rng, faults, settings)
    pose = random_pose(rng)
    beside = {side: _scan(surface, pose, rng) for side, surface in neighbours.items()}
    return SimulatedPiece(_scan(cut.surface, pose, rng), level, faults, {**_truth(cut), **truth}, beside)


def _cut(spec: CrownSpec, made: Tooth, of: Hand, rng: np.random.Generator) -> tuple[CutCrown, tuple[str, ...]]:
    """Cut by this hand; a plan that leaves no wall somewhere is drawn again."""
    ideal = ideal_plan(spec, made)
    for _ in range(20):
        plan, faults = strayed_plan(ideal, of, rng)
        try:
            return cut_tooth(made, plan), faults
        except InputError:
            continue
    raise AssertionError(f"no plan of twenty could be cut into {spec.name}")


def _nicked(
    spec: CrownSpec, made: Tooth, of: Hand, rng: np.random.Generator, faults: tuple[str, ...], settings: Settings
) -> tuple[dict[str, Surface], dict[Key, float], tuple[str, ...]]:
    from kerfmark.anatomy.arch import neighbours

    surfaces, truth = dict(neighbours(spec.fdi, cache_dir=settings.cache_dir)), {}
    for side in surfaces:
        depth = float(rng.uniform(*of.nick_mm)) if rng.random() < of.nick_chance else 0.0
        if depth > 0.0:
            towards = np.asarray(made.sites[f"{side} contact"].point_mm)
            nicked = nick(surfaces[side], towards_mm=towards, depth_mm=depth)
            surfaces[side] = nicked.surface
            truth["crown.neighbour.damage_volume_mm3", side, None] = nicked.volume_mm3
            faults = (*faults, f"{side} neighbour nicked")
        truth["crown.neighbour.damage_depth_mm", side, None] = depth
    return surfaces, truth, faults


def _scan(surface: Surface, pose: FloatArray, rng: np.random.Generator) -> Surface:
    """The crown and a few millimetres of root, as a scanner would see them: no underside."""
    window = box([-30.0, -30.0, -SCAN_BELOW_CERVICAL_MM], [30.0, 30.0, 40.0])
    seen = intersection(Solid.from_surface(surface), window).simplified(LEAST_EDGE_MM).surface()
    noisy = scanned(seen, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng)
    heights = noisy.vertices_mm[noisy.faces][:, :, 2].min(axis=1)
    return transformed(submesh(noisy, heights > 0.1 - SCAN_BELOW_CERVICAL_MM), pose)


def _truth(cut: CutCrown) -> dict[Key, float]:
    """What the construction fixes: convergence, widths, reductions, heights."""
    truth: dict[Key, float] = {}
    for plane, azimuth in {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}.items():
        truth["crown.total_occlusal_convergence_deg", plane, None] = cut.convergence_deg(azimuth)
    for wall, middle in WALLS.items():
        within = np.abs((np.arange(0.0, 360.0, 5.0) - middle + 180.0) % 360.0 - 180.0) <= 45.0
        truth["crown.finish_line_width_mm", wall, "median"] = float(np.median(cut.width_mm()[::5][within]))
        i = int(middle)
        truth["crown.height_mm", wall, None] = float(cut.top_height_mm[i] - _margin_height(cut)[i])
    for site, depth in cut.reduction_mm.items():
        truth["crown.occlusal_reduction_mm", site, "median"] = depth
    return truth


def _margin_height(cut: CutCrown) -> FloatArray:
    """Height of the margin along the cut's own path."""
    return np.asarray(cut.margin_mm @ cut.path)
