"""Grooves with answers known beforehand: a tool swept along a chosen path through a plate, by booleans of solids."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
from block_phantoms import Blank, Key, prepared
from manifold3d import Manifold, OpType

from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import FloatArray

PLATE = Solid.box([-9, -4, -3], [9, 4, 0])
LENGTH_MM, WIDTH_MM, DEPTH_MM = 12.0, 1.0, 0.8
TOOL_SEGMENTS = 96
Curve = Callable[[FloatArray], FloatArray]


def constant(value: float) -> Curve:
    return lambda t: np.full(np.shape(t), value)


ON_THE_LINE, AS_DEEP, AS_WIDE = constant(0.0), constant(DEPTH_MM), constant(0.5 * WIDTH_MM)


def wave(mean: float, amplitude: float, period_mm: float) -> Curve:
    return lambda t: mean + amplitude * np.sin(2.0 * np.pi * np.asarray(t) / period_mm)


@dataclass(frozen=True)
class Cut:
    """Where the tool went: stretches along the line, how far left of it, how deep, its radius, round or flat."""

    stretches_mm: tuple[tuple[float, float], ...] = ((0.0, LENGTH_MM),)
    left_mm: Curve = ON_THE_LINE
    depth_mm: Curve = AS_DEEP
    radius_mm: Curve = AS_WIDE
    round_ended: bool = False
    curved: bool = False

    def solid(self) -> Solid:
        parts = [self._stretch(a, b) for a, b in self.stretches_mm]
        return Solid(Manifold.batch_boolean(parts, OpType.Add))

    def _stretch(self, start: float, end: float) -> Manifold:
        t = np.linspace(start, end, max(2, math.ceil((end - start) / 0.1) + 1))
        places = beside(t, self.left_mm(t), curved=self.curved)
        tools = [
            self._tool(float(r)).translate((float(x), float(y), -float(d)))
            for (x, y), d, r in zip(places, self.depth_mm(t), self.radius_mm(t), strict=True)
        ]
        hulls = [Manifold.batch_hull([a, b]) for a, b in pairwise(tools)]
        return Manifold.batch_boolean(hulls, OpType.Add)

    def _tool(self, radius: float) -> Manifold:
        shank = Manifold.cylinder(3.0, radius, radius, TOOL_SEGMENTS)
        if not self.round_ended:
            return shank
        return Manifold.sphere(radius, TOOL_SEGMENTS).translate((0, 0, radius)) + shank.translate((0, 0, radius))


RADIUS_MM = 8.0
"""Of the curved line: an arc."""


def beside(along: FloatArray, left: FloatArray, *, curved: bool) -> FloatArray:
    """(n, 2) places along the line (straight along x, or an arc) and to its left; straight on beyond its ends."""
    along, left = np.asarray(along, float), np.asarray(left, float)
    if not curved:
        return np.column_stack([along - 0.5 * LENGTH_MM, left])
    kept = np.clip(along, 0.0, LENGTH_MM)
    angle = (kept - 0.5 * LENGTH_MM) / RADIUS_MM
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    arc = RADIUS_MM * np.column_stack([np.sin(angle), 1.0 - np.cos(angle)]) - [0.0, 1.5]
    return arc + (along - kept)[:, None] * way + left[:, None] * np.column_stack([-way[:, 1], way[:, 0]])


def prepared_line(*, curved: bool) -> SimpleNamespace:
    """What preparing the line exercise gives, as far as its readings look at it."""
    t = np.linspace(0.0, LENGTH_MM, 241)
    line = np.column_stack([beside(t, np.zeros_like(t), curved=curved), np.zeros_like(t)])
    made = prepared(layers={}, layer_grids={}, target=None, target_grid=None, outline=None, line=line)
    made.subject = PLATE.surface()
    made.subject_grid = distance_grid(made.subject, spacing_mm=0.1, band_mm=0.6)
    made.exercise = SimpleNamespace(
        family="line",
        source=SimpleNamespace(kind="scan"),
        target=SimpleNamespace(clear=None, depth_mm=DEPTH_MM, width_mm=WIDTH_MM),
    )
    return made


CUTS = {
    "as planned": Cut(),
    "wandering": Cut(left_mm=wave(0.0, 0.2, 6.0), stretches_mm=((-0.6, 12.4),)),
    "beside it": Cut(left_mm=constant(0.12), stretches_mm=((0.5, 12.8),)),
    "with a gap": Cut(stretches_mm=((0.0, 5.0), (7.5, 12.0))),
    "round-ended": Cut(round_ended=True, left_mm=wave(0.05, 0.1, 4.0)),
    "widening": Cut(radius_mm=wave(0.5, 0.04, 6.0)),
    "rising and falling": Cut(round_ended=True, radius_mm=constant(0.4), depth_mm=wave(0.7, 0.08, 6.0)),
    "on a curve": Cut(curved=True, left_mm=wave(0.0, 0.15, 6.0), stretches_mm=((0.0, 12.5),)),
}


def truths(cut: Cut) -> dict[Key, float]:
    """Answers by construction, from the tool's own path."""
    within = [(max(a, 0.0), min(b, LENGTH_MM)) for a, b in cut.stretches_mm]
    t = np.concatenate([np.arange(a, b, 0.001) for a, b in within])
    left, width = cut.left_mm(t), 2.0 * cut.radius_mm(t)
    depth = _envelope(cut, t)
    found: dict[Key, float] = {
        ("line.lateral_rms_mm", None, None): float(np.sqrt((left**2).mean())),
        ("line.lateral_95_mm", None, None): float(np.quantile(np.abs(left), 0.95)),
        ("line.lateral_max_mm", None, None): float(np.abs(left).max()),
        ("line.completeness", None, None): sum(b - a for a, b in within) / LENGTH_MM,
        ("line.overrun_mm", "start", None): max(0.0, -cut.stretches_mm[0][0]),
        ("line.overrun_mm", "end", None): max(0.0, cut.stretches_mm[-1][1] - LENGTH_MM),
        ("line.depth_mean_mm", None, None): float(depth.mean()),
        ("line.depth_sd_mm", None, None): float(depth.std()),
    }
    if not cut.round_ended and np.ptp(left) == 0.0:
        found["line.width_sd_mm", None, None] = float(width.std())
    return found


def _envelope(cut: Cut, t: FloatArray) -> FloatArray:
    """Depth left under the tool's centre by the whole sweep: of a round end its sphere passing near, else the path's."""
    if not cut.round_ended:
        return cut.depth_mm(t)
    radius = float(cut.radius_mm(np.zeros(1))[0])
    shifts = np.linspace(-0.6 * radius, 0.6 * radius, 121)
    near = cut.depth_mm(t[:, None] + shifts) - radius + np.sqrt(radius**2 - shifts**2)
    return np.asarray(near.max(axis=1))


def blanks(edge_mm: float = 0.15) -> dict[str, Blank]:
    """Every cut as the accuracy table takes it."""
    made = {curved: prepared_line(curved=curved) for curved in (False, True)}
    return {
        name: Blank(made[cut.curved], difference(PLATE, cut.solid()), truths(cut), edge_mm)
        for name, cut in CUTS.items()
    }
