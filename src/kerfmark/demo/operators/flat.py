"""How a simulated operator means to go over a block and along a line."""

from __future__ import annotations

import numpy as np

from kerfmark.anatomy.plates import plate
from kerfmark.demo.flat_work import UNSTEADINESS
from kerfmark.demo.operators.hand import Stroke
from kerfmark.exercise.builtin.blocks import CORNER_MM, BlockSpec, LineSpec
from kerfmark.records import FloatArray

__all__ = ["block_strokes", "line_strokes"]

FISSURE, FISSURE_MM = "straight fissure 1.0", 1.0
BALL = "round 1.0"
LAYER_MM, STEP_OVER_MM = 0.5, 0.6
CLEARING_MM_S, WALL_MM_S, LINE_MM_S = 8.0, 4.0, 3.0
WALL_STOCK_MM = 0.12


def block_strokes(spec: BlockSpec, level: str, rng: np.random.Generator, *, side: float) -> list[Stroke]:
    """Layer by layer: back and forth inside the box, the tool's radius from its walls, then once round along the walls.

    Parameters
    ----------
    spec : BlockSpec
    level : str
    rng : numpy Generator
        Draws what this operator misjudges: place, size, depth, and how the handpiece leans.
    side : float
        +1 right-handed, −1 left-handed: which way it leans, and which way round it goes.
    """
    unsteady = UNSTEADINESS[level]
    middle = np.asarray(spec.centre_mm) + 0.05 * unsteady * rng.normal(size=2)
    half = 0.5 * np.asarray(spec.box_mm) - 0.5 * FISSURE_MM + 0.04 * unsteady * rng.normal(size=2) - 0.02 * unsteady
    depth = float(np.clip(spec.depth_mm + 0.05 * unsteady * rng.normal(), 0.8, 3.5))
    lean = np.radians(unsteady * (np.array([0.5 * side, 0.0]) + 0.6 * rng.normal(size=2)))
    axis = np.array([lean[0], lean[1], 1.0]) / np.linalg.norm([lean[0], lean[1], 1.0])
    levels = np.linspace(0.0, depth, int(np.ceil(depth / LAYER_MM)) + 1)[1:]
    strokes = []
    for n, z in enumerate(levels.tolist()):
        rows = _back_and_forth(half - WALL_STOCK_MM, across=n % 2 == 1, side=side)
        strokes.append(_flat_stroke(np.column_stack([middle + rows, np.full(len(rows), -z)]), axis, CLEARING_MM_S))
        ring = _round_corners(half, CORNER_MM - 0.5 * FISSURE_MM)[:: int(side)]
        strokes.append(_flat_stroke(np.column_stack([middle + ring, np.full(len(ring), -z)]), axis, WALL_MM_S))
    return strokes


def line_strokes(spec: LineSpec, level: str, rng: np.random.Generator, *, side: float) -> list[Stroke]:
    """Along the line from end to end with the ball's tip at the depth asked for, wandering; left-handed from the other end.

    Depth, ends and course are misjudged as the level goes. Where it lifts by chance, it sets down again nearby.
    """
    unsteady = UNSTEADINESS[level]
    made = plate(spec.line, length_mm=spec.length_mm, width_mm=spec.width_mm, depth_mm=spec.depth_mm, edge_mm=5.0)
    top = float(made.line_mm[:, 2].mean())
    line = made.line_mm[:: int(side)].copy()
    line[:, 2] = top - max(spec.depth_mm + 0.04 * unsteady * rng.normal(), 0.15)
    first, last = (max(0.0, 0.12 * unsteady * float(rng.normal())) for _ in range(2))
    line = np.vstack([line[0] + _way(line[0] - line[1]) * first, line, line[-1] + _way(line[-1] - line[-2]) * last])
    lean = np.radians(unsteady * 2.0) * np.array([side, 0.3])
    axis = np.array([lean[0], lean[1], 1.0]) / np.linalg.norm([lean[0], lean[1], 1.0])
    above = line[0] + [0.0, 0.0, 2.0]
    axes = np.tile(axis, (len(line) + 2, 1))
    tips = np.vstack([above, line, line[-1] + [0.0, 0.0, 2.0]])
    if rng.random() > 0.25 * unsteady:
        return [Stroke(tips, axes, LINE_MM_S, BALL)]
    cut = int(rng.uniform(0.3, 0.7) * len(tips))
    return [
        Stroke(tips[: cut + 1], axes[: cut + 1], LINE_MM_S, BALL),
        Stroke(tips[cut - 4 :], axes[cut - 4 :], LINE_MM_S, BALL),
    ]


def _way(vector: FloatArray) -> FloatArray:
    return np.asarray(vector / np.linalg.norm(vector))


def _flat_stroke(tips: FloatArray, axis: FloatArray, speed: float) -> Stroke:
    return Stroke(tips, np.tile(axis, (len(tips), 1)), speed, FISSURE)


def _back_and_forth(half: FloatArray, *, across: bool, side: float) -> FloatArray:
    """(n, 2) rows over a rectangle, `STEP_OVER_MM` apart at most."""
    long, short = (1, 0) if across else (0, 1)
    count = max(2, int(np.ceil(2.0 * half[short] / STEP_OVER_MM)) + 1)
    rows = np.repeat(np.linspace(-half[short], half[short], count), 2)
    ends = half[long] * np.resize([-1.0, 1.0, 1.0, -1.0], len(rows)) * side
    places = np.empty((len(rows), 2))
    places[:, long], places[:, short] = ends, rows
    return places


def _round_corners(half: FloatArray, radius: float) -> FloatArray:
    """(n, 2) a closed rectangle with round corners, counter-clockwise."""
    turn = np.radians(np.linspace(0.0, 90.0, 7))
    corners = []
    for n, (sx, sy) in enumerate(((1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0))):
        centre = np.array([sx * (half[0] - radius), sy * (half[1] - radius)])
        corners.append(centre + radius * np.column_stack([np.cos(turn + n * np.pi / 2), np.sin(turn + n * np.pi / 2)]))
    ring = np.concatenate(corners)
    return np.vstack([ring, ring[:1]])
