"""Simulated pieces of the block and the line exercises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kerfmark.anatomy.blocks import Pocket, block
from kerfmark.anatomy.plates import plate
from kerfmark.exercise.builtin.blocks import CORNER_MM, BlockSpec, LineSpec, groove, keyed
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.solids import Solid, difference, intersection, loft
from kerfmark.records import FloatArray

if TYPE_CHECKING:
    from kerfmark.demo.learners import SimulatedPiece

__all__ = ["block_piece", "line_piece"]

UNSTEADINESS = {"able": 0.3, "middle": 1.0, "novice": 2.2}
"""How much of each spread below a level shows; practice."""

NOISE_UM = 10.0
EDGE_MM = 0.12


def block_piece(spec: BlockSpec, level: str, rng: np.random.Generator) -> SimulatedPiece:
    """A box cleared with a drafted, tilted, misplaced tool path."""
    from kerfmark.demo.hands import hand
    from kerfmark.demo.learners import Key, SimulatedPiece

    hand(level)
    made = block(
        pockets=[Pocket("box", spec.box_mm, spec.depth_mm, centre_mm=spec.centre_mm, corner_mm=CORNER_MM)], edge_mm=5.0
    )
    rings, depth = _cut_rings(spec, UNSTEADINESS[level], rng)
    tool = loft(rings)
    body, pocket = (Solid.from_surface(made.layers[name]) for name in ("body", "box"))
    whole = Solid.from_surface(keyed(made.surface, made.size_mm))
    left = difference(pocket, tool).volume_mm3
    truth: dict[Key, float] = {
        ("block.target_cleared", None, None): 1.0 - left / pocket.volume_mm3,
        ("block.left_mm3", "box", None): left,
        ("block.overcut_mm3", "body", None): intersection(body, tool).volume_mm3,
        ("block.floor_depth_mm", None, None): depth,
    }
    cut = difference(whole, tool).surface()
    return SimulatedPiece(
        scanned(cut, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, pose=random_pose(rng)), level, (), truth
    )


def line_piece(spec: LineSpec, level: str, rng: np.random.Generator) -> SimulatedPiece:
    """A groove that wanders from the line, in depth and sideways, and starts and stops a little off."""
    from kerfmark.demo.hands import hand
    from kerfmark.demo.learners import Key, SimulatedPiece

    hand(level)
    unsteady = UNSTEADINESS[level]
    made = plate(spec.line, length_mm=spec.length_mm, width_mm=spec.width_mm, depth_mm=spec.depth_mm, edge_mm=5.0)
    line = made.line_mm[::2]
    sideways = _wander(len(line), 0.07 * unsteady, rng)
    depths = np.clip(
        spec.depth_mm + 0.05 * unsteady * rng.normal() + _wander(len(line), 0.04 * unsteady, rng), 0.15, 2.0
    )
    radius = 0.5 * spec.width_mm
    centres = line + sideways[:, None] * _left_of(line) - np.array([0.0, 0.0, 1.0]) * (depths - radius)[:, None]
    cut = difference(Solid.from_surface(keyed(made.surface, made.size_mm)), groove(centres, radius)).surface()
    truth: dict[Key, float] = {
        ("line.lateral_rms_mm", None, None): float(np.sqrt(np.mean(sideways**2))),
        ("line.lateral_max_mm", None, None): float(np.abs(sideways).max()),
        ("line.depth_mean_mm", None, None): float(depths.mean()),
        ("line.depth_sd_mm", None, None): float(depths.std()),
    }
    return SimulatedPiece(
        scanned(cut, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, pose=random_pose(rng)), level, (), truth
    )


def _cut_rings(spec: BlockSpec, unsteady: float, rng: np.random.Generator) -> tuple[FloatArray, float]:
    """Bottom and top ring of the cut, counter-clockwise from above, and the floor's depth at its middle."""
    shift = 0.08 * unsteady * rng.normal(size=2)
    grow = 0.06 * unsteady * rng.normal(size=2)
    draft = np.tan(np.radians(1.0 + 2.0 * unsteady * abs(rng.normal())))
    tilt = 0.012 * unsteady * rng.normal(size=2)
    depth = float(np.clip(spec.depth_mm + 0.07 * unsteady * rng.normal(), 0.8, 3.5))
    corner = np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]])
    half = 0.5 * np.asarray(spec.box_mm) + grow
    middle = np.asarray(spec.centre_mm) + shift
    low = corner * (half - 0.5 * draft * depth)
    high = corner * (half + draft * (0.5 * depth + 1.0))
    floor = np.column_stack([middle + low, -depth + low @ tilt])
    return np.stack([floor, np.column_stack([middle + high, np.full(4, 1.0)])]), depth


def _wander(count: int, sd: float, rng: np.random.Generator) -> FloatArray:
    """A smooth random course of a given standard deviation (waves of 12 points and longer)."""
    from scipy.ndimage import gaussian_filter1d

    course = gaussian_filter1d(rng.normal(size=count), 6.0, mode="wrap")
    return np.asarray(sd * course / course.std())


def _left_of(line: FloatArray) -> FloatArray:
    """Unit directions to the left of travel, in the plate's plane."""
    along = np.gradient(line, axis=0)
    left = np.column_stack([-along[:, 1], along[:, 0], np.zeros(len(line))])
    return np.asarray(left / np.linalg.norm(left, axis=1, keepdims=True))
