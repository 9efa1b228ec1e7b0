"""How far a plan, or the bed, keeps from canal, roots, neighbouring implants, sinus and the bone's outer plates."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.implant.bed import Bed
from kerfmark.measurement.implant.case import Case
from kerfmark.measurement.implant.structures import Clearance, Structure
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = [
    "bed_clearance",
    "canal_clearance_mm",
    "implant_clearance_mm",
    "plate_thickness",
    "plate_thickness_mm",
    "root_clearance_mm",
    "sinus_clearance_mm",
]

FROM_MM = 1.0
"""Plates are read from here below the entry: above it a ridge is rounded and has no plate [practice]."""
STEP_MM, TURN_DEG, HALF_WALL_DEG = 0.25, 5.0, 45.0
FAR_MM = 40.0
STRAY_MM = 0.1
STRAY_FACTOR = 3.0
AVERAGED_MM = 0.15
CUT_FROM_MM = 1.0


def canal_clearance_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.canal_clearance_mm`: of the plan and of the bed to the canal's wall, negative = depth cut into it."""
    return tuple(_clearances(case, "canal", "implant.canal_clearance_mm"))


def sinus_clearance_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.sinus_clearance_mm`: the same to the sinus."""
    return tuple(_clearances(case, "sinus", "implant.sinus_clearance_mm"))


def root_clearance_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.root_clearance_mm`: to the nearest root on each side."""
    return tuple(_clearances(case, "root", "implant.root_clearance_mm", sides=("mesial", "distal")))


def implant_clearance_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.implant_clearance_mm`: to the nearest neighbouring implant on each side."""
    return tuple(_clearances(case, "implant", "implant.implant_clearance_mm", sides=("mesial", "distal")))


def _clearances(case: Case, kind: str, reading: str, *, sides: tuple[str, ...] = ()) -> Iterator[Reading]:
    for side in sides or (None,):
        there = [s for s in case.structures if s.kind == kind and (side is None or s.side == side)]
        for of_bed in (False, True):
            where = "/".join(w for w in ("bed" if of_bed else None, side) if w) or None
            yield _clearance(case, there, reading, where=where, of_bed=of_bed, kind=kind)


def _clearance(
    case: Case, there: list[Structure], reading: str, *, where: str | None, of_bed: bool, kind: str
) -> Reading:
    if not there:
        words = f"the exercise has no {'neighbouring implant' if kind == 'implant' else kind} there"
        return unmeasured(reading, words, unit="mm", where=where, status="not_applicable")
    if not of_bed and case.outside is not None:
        return unmeasured(reading, case.outside, unit="mm", where=where)
    if not of_bed:
        found = min((s.clearance(case.judged) for s in there), key=lambda c: c.value_mm)
        budget: tuple[Component, ...] = (Component("structure as drawn", case.drawn_u_mm),)
    elif case.own_plan is not None:
        return unmeasured(reading, "the piece is a plan", unit="mm", where=where, status="not_applicable")
    elif isinstance(case.bed, str):
        return unmeasured(reading, case.bed, unit="mm", where=where)
    else:
        found = min((bed_clearance(case, case.bed, s) for s in there), key=lambda c: c.value_mm)
        budget = (*_bed_budget(case.bed, found), Component("structure as drawn", case.drawn_u_mm))
    witness = Witness("length", segments_mm=np.array([[found.from_mm, found.to_mm]]), plane=case.plane("BL"))
    return measured(reading, found.value_mm, unit="mm", budget=budget, witness=witness, where=where)


def bed_clearance(case: Case, bed: Bed, structure: Structure) -> Clearance:
    """Of the fitted bed, its drill's point, and what was cut beyond both."""
    return structure.clearance(bed.cylinder, more_mm=_beyond(case, bed))


def _beyond(case: Case, bed: Bed) -> FloatArray:
    """Points (n, 3) of the bed that its cylinder does not hold: the drill's cone, and cuts astray, averaged over 0.3 mm."""
    points = [_cone(bed)]
    stray = _stray(case, bed)
    if len(stray):
        points.append(stray)
    return np.vstack(points)


def _cone(bed: Bed) -> FloatArray:
    """Points of the cone that the drill's point left below the full diameter."""
    rod, tip = bed.cylinder, bed.point_mm
    if tip is None:
        return np.empty((0, 3))
    rim = Cylinder(rod.at(rod.length_mm - 1e-6), rod.apex_mm, rod.radius_mm).surface_points(spacing_mm=0.15)
    share = np.linspace(0.0, 1.0, 9)[:, None, None]
    return np.asarray((rim + share * (tip - rim)).reshape(-1, 3))


def _stray(case: Case, bed: Bed) -> FloatArray:
    """What was cut clearly beyond the fitted bed, below its mouth."""
    from scipy.spatial import cKDTree

    rod, middles = bed.cylinder, case.cut.middles
    depth, off = rod.along_and_off(middles)
    # Below the full diameter at right angles to the cone: sideways, a flat point's own noise would lie far beyond it.
    point = max(_point_height(bed), 1e-6)
    below = ((off - rod.radius_mm) * point + (depth - rod.length_mm) * rod.radius_mm) / np.hypot(point, rod.radius_mm)
    beyond = np.where(depth > rod.length_mm, below, off - rod.radius_mm)
    least = max(STRAY_MM, STRAY_FACTOR * case.u_mm)
    astray = (beyond > least) & (depth > CUT_FROM_MM) & (off < 4.0 * rod.radius_mm)
    if not astray.any():
        return np.empty((0, 3))
    tree = cKDTree(middles)
    groups = tree.query_ball_point(middles[astray], AVERAGED_MM)
    return np.array([middles[group].mean(axis=0) for group in groups])


def _point_height(bed: Bed) -> float:
    return 0.0 if isinstance(bed.floor, str) else bed.floor.point_mm - bed.floor.apex_mm


def _bed_budget(bed: Bed, found: Clearance) -> tuple[Component, ...]:
    """How sure the bed's own surface is where it comes nearest: axis, radius or floor, and alignment."""
    way = found.to_mm - found.from_mm
    length = float(np.linalg.norm(way))
    unit = way / length if length > 1e-9 else bed.wall.way
    along = abs(float(unit @ bed.wall.way))
    parts = list(bed.offset_budget(unit, found.from_mm))
    parts += [Component(f"{c.source}, radius", c.u * np.sqrt(1.0 - min(1.0, along) ** 2)) for c in bed.radius_budget()]
    if along > 0.0 and not isinstance(bed.floor, str):
        apex = bed.cylinder.apex_mm
        on_point = float((found.from_mm - apex) @ bed.wall.way) > 0.5 * _point_height(bed)
        parts += [Component(c.source, c.u * along) for c in bed.floor_budget(of_point=on_point)]
    return (*parts, bed.alignment(found.from_mm, unit))


def plate_thickness_mm(case: Case) -> tuple[Reading, ...]:
    """`implant.plate_thickness_mm`: least bone between plan or bed and the outer surface, buccal and lingual."""
    found = []
    for wall in ("buccal", "lingual"):
        for of_bed in (False, True):
            found.append(_plate(case, wall, of_bed=of_bed))
    return tuple(found)


def _plate(case: Case, wall: str, *, of_bed: bool) -> Reading:
    reading, where = "implant.plate_thickness_mm", f"bed/{wall}" if of_bed else wall
    budget: tuple[Component, ...] = (Component("bone as found in the volume", case.bone_u_mm),)
    if not of_bed and case.outside is not None:
        return unmeasured(reading, case.outside, unit="mm", where=where)
    if not of_bed:
        rod = case.judged
    elif case.own_plan is not None:
        return unmeasured(reading, "the piece is a plan", unit="mm", where=where, status="not_applicable")
    elif isinstance(case.bed, str):
        return unmeasured(reading, case.bed, unit="mm", where=where)
    else:
        rod = case.bed.cylinder
    found = plate_thickness(case, rod, wall)
    if found is None:
        return unmeasured(reading, f"there is no bone on the {wall} side to reach through", unit="mm", where=where)
    if of_bed and not isinstance(case.bed, str):
        budget = (*_bed_budget(case.bed, found), *budget)
    witness = Witness("length", segments_mm=np.array([[found.from_mm, found.to_mm]]), plane=case.plane("BL"))
    return measured(reading, found.value_mm, unit="mm", budget=budget, witness=witness, where=where)


def plate_thickness(case: Case, rod: Cylinder, wall: str) -> Clearance | None:
    """Least way from a cylinder's side through the bone to its outer surface, within 45° of one side; negative where it stands out.

    From 1 mm below the entry to the apex, square to the axis. Where the axis itself has left the bone, all of the cylinder
    stands out. None where no ray meets the surface.
    """
    sideways = case.facial if wall == "buccal" else -case.facial
    out = sideways - (sideways @ rod.way) * rod.way
    out /= np.linalg.norm(out)
    beside = np.cross(rod.way, out)
    turn = np.radians(np.arange(-HALF_WALL_DEG, HALF_WALL_DEG + 1.0, TURN_DEG))
    ways = np.cos(turn)[:, None] * out + np.sin(turn)[:, None] * beside
    depths = np.arange(FROM_MM, rod.length_mm + 1e-9, STEP_MM)
    if not len(depths):
        return None
    starts = np.repeat(rod.at(depths), len(ways), axis=0)
    rays = np.tile(ways, (len(depths), 1))
    distance, face = case.bone.first_hit(starts, rays, max_mm=FAR_MM)
    met = np.flatnonzero(face >= 0)
    if not len(met):
        return None
    surface = case.subject
    corners = surface.vertices_mm[surface.faces[face[met]]]
    outwards = np.einsum("ij,ij->i", np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), rays[met])
    thickness = np.where(outwards > 0.0, distance[met] - rod.radius_mm, -distance[met] - rod.radius_mm)
    least = int(np.argmin(thickness))
    start, ray = starts[met[least]], rays[met[least]]
    side = start + rod.radius_mm * ray
    return Clearance(float(thickness[least]), side, side + float(thickness[least]) * ray)
