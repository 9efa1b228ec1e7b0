"""How rough the axial walls are once their form is taken out."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.kernels.neighbourhoods import over_local_planes
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.crown.finish_line import LEAST_SHARE
from kerfmark.measurement.crown.stump import Stump
from kerfmark.records import Component, FloatArray, IntArray, Reading, Witness

__all__ = ["wall_roughness"]

CUTOFF_MM = 0.8
GAUSS = math.sqrt(math.log(2.0) / math.pi)
MOST_POINTS = 3000
SA_OF_RMS = math.sqrt(2.0 / math.pi)


def wall_roughness(stump: Stump) -> tuple[Reading, ...]:
    """Sa of the axial walls over a Gaussian regression of 0.8 mm, the source's own noise taken off.

    Notes
    -----
    Source: ISO 25178-2 (Sa), ISO 16610-21 and -31 (Gaussian weights of a cutoff, first-order regression). Sa of normal
    noise is sqrt(2/π) of its standard deviation.
    """
    name = "crown.wall_roughness_um"
    walls = [p for p in stump.about_path.profiles if p.wall is not None]
    if len(walls) < LEAST_SHARE * len(stump.about_path.profiles):
        sections = len(stump.about_path.profiles)
        least = math.ceil(LEAST_SHARE * sections)
        reason = f"walls in {len(walls)} of {sections} sections, {least} needed"
        return (unmeasured(name, reason, unit="um"),)
    flat, off, vertices = _unrolled(stump)
    if len(off) < 500:
        return (unmeasured(name, "the walls have fewer than 500 points", unit="um"),)
    chosen = np.arange(0, len(off), max(1, len(off) // MOST_POINTS), dtype=np.int64)
    over, through = over_local_planes(chosen, flat, off, GAUSS * CUTOFF_MM)
    known = np.isfinite(over)
    rough = 1000.0 * float(np.abs(over[known]).mean())
    noise = SA_OF_RMS * 1000.0 * stump.noise_mm * float(np.sqrt((through[known] ** 2).mean()))
    value = math.sqrt(max(rough**2 - noise**2, 0.0))
    # Noise is seldom known better than to a twentieth; Sa of n points is known to 0.76 / sqrt(n) of itself.
    square = math.hypot(0.25 * noise**2, 1.5 * rough**2 / math.sqrt(max(len(chosen) / 4.0, 1.0)))
    budget = (
        Component("surface noise", square / (2.0 * max(value, noise, 0.5))),
        Component("mesh spacing", 0.2),
    )
    witness = Witness("patch", points_mm=stump.surface.vertices_mm[vertices[chosen]])
    return (measured(name, value, unit="um", budget=budget, witness=witness),)


def _unrolled(stump: Stump) -> tuple[FloatArray, FloatArray, IntArray]:
    """The wall's vertices laid flat (n, 3), their height over the fitted wall lines (mm), and which vertices they are."""
    around = stump.about_path
    walls = [p for p in around.profiles if p.wall is not None]
    azimuth, radius, height = around.turning.cylindrical(stump.surface.vertices_mm)
    known = np.array([p.azimuth_deg for p in walls])
    lines = [p.wall for p in walls if p.wall is not None]
    low, high, base, slope, lean = (
        np.interp(azimuth, known, values, period=360.0)
        for values in (
            [line.low[1] for line in lines],
            [line.high[1] for line in lines],
            [line.radius_at(0.0) for line in lines],
            [line.radius_at(1.0) - line.radius_at(0.0) for line in lines],
            [math.cos(math.radians(line.lean_deg)) for line in lines],
        )
    )
    off = (radius - base - slope * height) * lean
    on_wall = np.flatnonzero((height > low) & (height < high) & (np.abs(off) < 0.4))
    around_mm = np.radians(azimuth[on_wall]) * float(np.mean(radius[on_wall]) if len(on_wall) else 1.0)
    flat = np.column_stack([around_mm, height[on_wall] / lean[on_wall], np.zeros(len(on_wall))])
    return flat, np.ascontiguousarray(off[on_wall]), on_wall.astype(np.int32)
