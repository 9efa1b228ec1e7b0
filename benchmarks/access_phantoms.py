"""Opened teeth with answers known beforehand: solids cut out of solids, lenses and cones worked out on paper.

The tooth is a cylinder 10 mm across, its top at 7 mm and its crown's border at 0; the chamber another, 4 mm across, from −1 to
+1 mm, with two straight canals that leave its floor 1.2 mm to either side and lean apart downwards. The axis of the access is z.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import SimpleNamespace

import numpy as np
from placed_scans import placed_scan

from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import FloatArray, Piece, Surface

Key = tuple[str, str | None, str | None]
SEGMENTS = 200
TOOTH_MM, CHAMBER_MM, TOP_MM, CEILING_MM, FLOOR_MM, DEEP_MM = 5.0, 2.0, 7.0, 1.0, -1.0, -8.0
CANAL_MM, CANAL_AT_MM, CANAL_DEG = 0.4, 1.2, 30.0
PLAN_MM = 2.2
GROOVE_MM = 0.6
GRID = {"spacing_mm": 0.1, "band_mm": 0.6}
ROD_MM = 0.21


def _pillar(radius: float, low: float, high: float, *, x: float = 0.0) -> Solid:
    turned = rotation_about([0.0, 0.0, 1.0], 0.37)  # no column of triangles stands in a plane of the readings
    return Solid.cylinder(radius, high - low, segments=SEGMENTS).transformed(turned).moved([x, 0.0, low])


def _canal(side: float) -> Solid:
    """A canal from the chamber's floor down, leaning outwards."""
    lean = rotation_about([0.0, 1.0, 0.0], side * (180.0 - CANAL_DEG))
    body = Solid.cylinder(CANAL_MM, 6.5, segments=96).moved([0.0, 0.0, -0.4]).transformed(lean)
    return body.moved([side * CANAL_AT_MM, 0.0, FLOOR_MM])


@dataclass(frozen=True)
class Access:
    """What is cut: the opening's radius and how far it is off to +x, a hole in the floor, how deep a slot goes into a wall, a bore."""

    radius_mm: float = PLAN_MM
    off_mm: float = 0.0
    floor_mm: float = 0.0
    gouge_mm: float = 0.0
    bored: bool = False


def tooth() -> Solid:
    return _pillar(TOOTH_MM, DEEP_MM, TOP_MM)


def pulp() -> Solid:
    body = union(_pillar(CHAMBER_MM, FLOOR_MM, CEILING_MM), _canal(1.0), _canal(-1.0))
    return intersection(body, Solid.box([-9.0, -9.0, DEEP_MM + 0.5], [9.0, 9.0, CEILING_MM]))


def cut(access: Access) -> Solid:
    """What the bur took, the chamber's own room included where it went through it."""
    parts = [_pillar(access.radius_mm, CEILING_MM - 0.2, TOP_MM + 2.0, x=access.off_mm)]
    if access.floor_mm > 0.0:
        parts.append(_pillar(0.5, FLOOR_MM - access.floor_mm, TOP_MM + 2.0))
    if access.gouge_mm > 0.0:
        reach = access.radius_mm + access.off_mm + access.gouge_mm
        parts.append(_pillar(GROOVE_MM, 2.0, 4.0, x=reach - GROOVE_MM))
    if access.bored:
        bore = Solid.cylinder(0.5, 9.0, segments=96).transformed(rotation_about([0.0, 1.0, 0.0], 90.0))
        parts.append(bore.moved([0.0, 0.0, -0.4]))
    return union(*parts)


def opened(access: Access) -> Solid:
    """The tooth after cutting, its chamber emptied; the canals closed 0.3 mm below their orifices."""
    room = intersection(pulp(), Solid.box([-9.0, -9.0, FLOOR_MM - 0.3], [9.0, 9.0, 9.0]))
    return difference(tooth(), cut(access), room).parts()[0]


def ring() -> FloatArray:
    turn = np.linspace(0.0, 2.0 * math.pi, 120, endpoint=False)
    return np.column_stack([PLAN_MM * np.cos(turn), PLAN_MM * np.sin(turn), np.full(120, TOP_MM)])


def lens_mm2(r: float, s: float, apart: float) -> float:
    """Area that two circles share.

    Source: plane geometry, two circular segments.
    """
    if apart >= r + s:
        return 0.0
    if apart <= abs(r - s):
        return math.pi * min(r, s) ** 2
    a = math.acos((apart**2 + r**2 - s**2) / (2 * apart * r))
    b = math.acos((apart**2 + s**2 - r**2) / (2 * apart * s))
    return r * r * (a - math.sin(2 * a) / 2) + s * s * (b - math.sin(2 * b) / 2)


def bend_deg(access: Access, side: float) -> float:
    """Least bend at an orifice, in the plane of both canals: the canal leans 30° over the chamber, the rim stops the rod.

    A rod of radius r through the orifice touches the rim opposite where tan θ = (reach − r / cos θ) / height.
    """
    height, reach = TOP_MM - FLOOR_MM, access.radius_mm - side * access.off_mm + CANAL_AT_MM
    lean = 0.0
    for _ in range(60):
        lean = math.atan((reach - ROD_MM / math.cos(lean)) / height)
    return max(0.0, CANAL_DEG - math.degrees(lean))


def truths(access: Access) -> dict[Key, float]:
    a, found = access, dict[Key, float]()
    whole, gone = tooth(), cut(access)
    own = math.pi * a.radius_mm**2
    found["access.outline_area_mm2", None, None] = own
    shared = lens_mm2(PLAN_MM, a.radius_mm, a.off_mm)
    found["access.outline_overlap", None, None] = 2.0 * shared / (math.pi * PLAN_MM**2 + own)
    found["access.centring_mm", None, None] = a.off_mm
    roof = math.pi * CHAMBER_MM**2 - lens_mm2(CHAMBER_MM, a.radius_mm, a.off_mm)
    found["access.roof_left_mm2", None, None] = roof
    found["access.floor_cut_mm", None, None] = a.floor_mm
    lost = intersection(whole, gone)
    found["access.crown_lost_mm3", None, None] = lost.volume_mm3 - intersection(lost, pulp()).volume_mm3
    found["access.perforation", None, None] = 1.0 if a.bored else 0.0
    thick = TOOTH_MM - max(a.radius_mm + a.off_mm + a.gouge_mm, CHAMBER_MM)
    found["access.wall_left_mm", None, None] = 0.0 if a.bored else thick
    if not a.bored:
        deep = a.radius_mm + a.off_mm + a.gouge_mm - PLAN_MM
        # A mean over 0.3 mm of a wall curved more than the plan lies ρ² / 8 (1 / r − 1 / R) short of its deepest line.
        own = GROOVE_MM if a.gouge_mm > 0.0 else a.radius_mm
        found["access.gouge_depth_mm", None, None] = max(0.0, deep - 0.15**2 / 8.0 * (1.0 / own - 1.0 / PLAN_MM))
    for number, side in enumerate((1.0, -1.0), start=1):
        found["access.straight_line_deg", str(number), None] = bend_deg(a, side)
    return found


@dataclass(frozen=True)
class Blank:
    """A design ready to be scanned again and again."""

    access: Access
    edge_mm: float = 0.1
    truth: Mapping[Key, float] = field(default_factory=dict)

    @cached_property
    def prepared(self) -> SimpleNamespace:
        return prepared()

    @cached_property
    def even(self) -> Surface:
        return evened(opened(self.access).surface(), self.edge_mm)

    def piece(
        self,
        rng: np.random.Generator,
        *,
        noise_um: float,
        trueness_um: float = 0.0,
        covariance: FloatArray | None = None,
    ) -> Piece:
        return placed_scan(self.even, rng, noise_um=noise_um, trueness_um=trueness_um, covariance=covariance)


def prepared(*, target: bool = True, pulp_known: bool = True) -> SimpleNamespace:
    """The exercise of these phantoms: plan, layers and grids; without a target the outline's column is the plan."""
    subject, ideal = tooth().surface(), opened(Access()).surface()
    layers = {"dentine": difference(tooth(), pulp()).surface()}
    if pulp_known:
        layers["pulp"] = pulp().surface()
    around = np.array([[-6.0, -6.0, -9.0], [6.0, 6.0, 8.0]])
    orifices = np.array([[CANAL_AT_MM, 0.0, FLOOR_MM], [-CANAL_AT_MM, 0.0, FLOOR_MM]])
    exercise = SimpleNamespace(
        tooth=46, family="access", source=SimpleNamespace(kind="scan"), target=SimpleNamespace(axis=None, clear=None)
    )
    return SimpleNamespace(
        exercise=exercise, subject=subject, subject_grid=distance_grid(subject, bounds_mm=around, **GRID), frame=np.eye(4),
        mesial_sign=-1, target=ideal if target else None, layers=layers, outline=ring(), orifices=orifices, lattice=None,
        target_grid=distance_grid(ideal, bounds_mm=around, **GRID) if target else None, columns={}, neighbours={},
        layer_grids={name: distance_grid(s, **GRID) for name, s in layers.items()}, abutments=(),
    )  # fmt: skip


DESIGNS = {
    "as planned": Access(),
    "off to one side": Access(off_mm=0.6),
    "too narrow": Access(radius_mm=1.6),
    "floor cut": Access(floor_mm=0.4),
    "wall gouged": Access(gouge_mm=0.8),
    "bored through": Access(bored=True),
}


def blanks(edge_mm: float = 0.1) -> dict[str, Blank]:
    """Every design, of one prepared exercise."""
    return {name: Blank(access, edge_mm, truths(access)) for name, access in DESIGNS.items()}
