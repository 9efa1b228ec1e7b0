"""The edge between wall and occlusal surface: how round it is."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import measured, shared_u_mm, unmeasured
from kerfmark.measurement.crown.fillet import Fillet
from kerfmark.measurement.crown.finish_line import LEAST_SHARE
from kerfmark.measurement.crown.profile import Profile
from kerfmark.measurement.crown.stump import Stump
from kerfmark.records import Component, Reading, Witness

__all__ = ["occluso_axial_radius"]

ALIKE_MM = 8.0


def occluso_axial_radius(stump: Stump) -> tuple[Reading, ...]:
    """Radius of the arc fitted between wall and occlusal surface, median over the sections every 5°."""
    name, around = "crown.occluso_axial_radius_mm", stump.about_path
    found = [p for p in around.profiles if p.edge is not None and p.wall is not None]
    if len(found) < LEAST_SHARE * len(around.profiles):
        reason = f"{len(around.profiles) - len(found)} of {len(around.profiles)} sections show no edge above a wall"
        return (unmeasured(name, reason, unit="mm"),)
    radii = np.array([p.edge.radius for p in found if p.edge is not None])
    value = float(np.median(radii))
    spread = float(np.percentile(radii, 75) - np.percentile(radii, 25)) / 1.35
    # A mesh rounds a sharp edge off by about a third of its triangles' side, and noise alone makes arcs out of corners.
    sharp = stump.edge_mm / 3.0 if value < stump.edge_mm else 0.0
    middle = min(found, key=lambda p: abs((p.edge.radius if p.edge is not None else 0.0) - value))
    assert middle.edge is not None
    budget = (
        Component("trueness", _smooth_u_mm(stump, middle, middle.edge)),
        Component("spread of the sections", 1.25 * spread / math.sqrt(len(radii))),
        Component("mesh spacing", sharp / math.sqrt(3.0)),
        Component("triangles folded by noise", 2.0 * stump.folded_mm),
        Component("fit", 0.0005),
    )
    arc, _ = middle.edge.curve(np.linspace(0.0, middle.edge.radius * middle.edge.sweep, 24))
    tops = np.array([around.place(p, -p.edge.apex) for p in found if p.edge is not None])
    plane = around.turning.plane(f"{middle.azimuth_deg:.0f}°", middle.azimuth_deg)
    witness = Witness("curve", curves_mm=(around.place(middle, -arc), tops), plane=plane)
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def _smooth_u_mm(stump: Stump, profile: Profile, edge: Fillet) -> float:
    """What a smooth error of the source does to the median radius: to one section's, over as many as it differs between.

    It stays alike over about 8 mm of the way round.
    """
    if stump.shared_mm == 0.0 or "radius" in edge.fixed:
        return 0.0
    one = shared_u_mm(stump.shared_mm, stump.about_path.place(profile, -edge.points), edge.radius_by_point())
    way_round_mm = 2.0 * math.pi * float(np.abs(edge.apex[0]))
    return one / math.sqrt(max(way_round_mm / ALIKE_MM, 1.0))
