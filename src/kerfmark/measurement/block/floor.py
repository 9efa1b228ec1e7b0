"""The floor of what was cut in a block: its depth and its flatness."""

from __future__ import annotations

import numpy as np

from kerfmark.measurement.budget import alignment_u_mm, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.floors import Floor, find_floor
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["floor_depth_mm", "floor_flatness_um"]

EXTENT_PART = 0.5
COLUMN_VARIANCE = 0.5
"""Noise variance of a point inside a triangle over that of its corners: mean of a² + b² + c² over a triangle."""

SQUARES_SCATTER = 1.35
"""Scatter of the mean square of a floor's columns over that of as many normal values as its mean counts: found on phantoms."""


def floor_depth_mm(bench: Bench) -> tuple[Reading, ...]:
    """`block.floor_depth_mm`: mean depth of the floor below the top face, at right angles to it."""
    floor = find_floor(bench)
    if isinstance(floor, str):
        return (unmeasured("block.floor_depth_mm", floor, unit="mm"),)
    noise = 1e-3 * bench.piece.noise_um
    up = np.array([0.0, 0.0, 1.0])
    budget = (
        Component("surface noise", noise / np.sqrt(effective_count(edge_mm=bench.edge_mm, area_mm2=floor.area_mm2))),
        Component("trueness", _shared_mm(bench, floor)),
        Component("alignment", alignment_u_mm(bench.piece.alignment, floor.middle_mm, up)),
        Component("extent of the floor", EXTENT_PART * abs(floor.change(floor.depths_mm, np.mean))),
    )
    depth = float(floor.depths_mm.mean())
    segment = np.array([[floor.middle_mm, floor.middle_mm + depth * up]])
    witness = Witness("length", points_mm=_thinned(floor.points_mm), segments_mm=segment)
    return (measured("block.floor_depth_mm", depth, unit="mm", budget=budget, witness=witness),)


def _shared_mm(bench: Bench, floor: Floor) -> float:
    """A source's smooth error over the floor."""
    some = floor.points_mm[:: max(1, len(floor.points_mm) // 100)]
    return shared_u_mm(1e-3 * bench.piece.trueness_um, some, np.full(len(some), 1.0 / len(some)))


def floor_flatness_um(bench: Bench) -> tuple[Reading, ...]:
    """`block.floor_flatness_um`: RMS height of the floor off its best plane, the source's noise variance taken off."""
    floor = find_floor(bench)
    if isinstance(floor, str):
        return (unmeasured("block.floor_flatness_um", floor, unit="um"),)
    off_um = 1e3 * floor.off_plane_mm()
    count = effective_count(edge_mm=bench.edge_mm, area_mm2=floor.area_mm2)
    noise = COLUMN_VARIANCE * bench.piece.noise_um**2
    square = float((off_um**2).mean()) - noise * (1.0 - 3.0 / count)
    flatness = float(np.sqrt(max(square, 0.0)))
    slack = SQUARES_SCATTER * noise * float(np.sqrt(2.0 / count))
    budget = (
        Component("surface noise", bench.piece.noise_um / np.sqrt(count)),
        Component("extent of the floor", EXTENT_PART * abs(floor.change(off_um, np.std))),
        Component("noise taken off", slack / float(np.sqrt(flatness**2 + slack)) if slack else 0.0),
    )
    witness = Witness("patch", points_mm=_thinned(floor.points_mm))
    return (measured("block.floor_flatness_um", flatness, unit="um", budget=budget, witness=witness),)


def _thinned(points: FloatArray, most: int = 400) -> FloatArray:
    return points[:: max(1, len(points) // most)]
