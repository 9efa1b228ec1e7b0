"""The walls of what was cut in a block, and how far each departs from square to the top face."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from kerfmark.measurement.budget import alignment_u_deg, effective_count, measured, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench, CutFaces
from kerfmark.measurement.surface.floors import find_floor
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["WALLS", "wall_squareness_deg"]

WALLS = ("buccal", "lingual", "mesial", "distal")
STEEP = 0.7
"""Faces whose normals rise less than this are walls: within 45° of upright."""
OFF_THE_RIM_MM, OFF_THE_FLOOR_MM = 0.3, 0.5
OFF_THE_RIM_PART, OFF_THE_FLOOR_PART = 0.15, 0.3
CELL_MM = 0.4
LEAST_HEIGHT_MM, LEAST_AREA_MM2 = 0.3, 0.2
OUTLIER = 3.5
CHOICE_DEG = 0.02
"""How much a lean of 6° changed with the faces near the corners, on phantoms without noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """One wall as a line in its middle: its lean from upright, + outwards, and the faces it rests on."""

    lean_deg: float
    outward: FloatArray
    segment_mm: FloatArray
    points_mm: FloatArray
    area_mm2: float
    height_mm: float


def wall_squareness_deg(bench: Bench) -> tuple[Reading, ...]:
    """`block.wall_squareness_deg`: each wall's departure from 90° to the top face; without a place, the largest."""
    name = "block.wall_squareness_deg"
    band = _band(bench)
    if isinstance(band, str):
        return tuple(unmeasured(name, band, unit="deg", where=where) for where in (None, *WALLS))
    found = {where: _fit(faces, band) for where, faces in _by_wall(bench, band).items()}
    readings = tuple(_reading(bench, where, wall) for where, wall in found.items())
    walls = [wall for wall in found.values() if isinstance(wall, Wall)]
    worst = max(walls, key=lambda w: abs(w.lean_deg)) if walls else "no wall could be measured"
    return (_reading(bench, None, worst), *readings)


def _band(bench: Bench) -> tuple[float, float] | str:
    """Lowest and highest level of the walls' faces that count, off the floor and off the rim."""
    if not bench.has_cut:
        return "nothing is cut"
    assert bench.prepared.subject is not None
    top = float(bench.prepared.subject.vertices_mm[:, 2].max())
    floor = find_floor(bench)
    low = float(np.percentile(bench.cut.middles[:, 2], 2)) if isinstance(floor, str) else float(floor.middle_mm[2])
    depth = top - low
    band = (
        low + min(OFF_THE_FLOOR_MM, OFF_THE_FLOOR_PART * depth),
        top - min(OFF_THE_RIM_MM, OFF_THE_RIM_PART * depth),
    )
    return band if band[1] - band[0] >= LEAST_HEIGHT_MM else f"the cut is only {depth:.2f} mm deep"


def _by_wall(bench: Bench, band: tuple[float, float]) -> dict[str, CutFaces]:
    """Wall faces within the band by the side they stand on; neighbours within 0.4 mm decide together, against noise."""
    faces = bench.cut
    within = (faces.middles[:, 2] > band[0]) & (faces.middles[:, 2] < band[1])
    middles, normals, areas = faces.middles[within], faces.normals[within], faces.areas[within]
    steady = _averaged_normals(middles, normals * areas[:, None])
    areas = areas * np.abs(
        (normals * steady).sum(axis=1)
    )  # as the wall has it: noise tilts faces and makes them larger
    steep = np.abs(steady[:, 2]) < STEEP
    across = bench.prepared.mesial_sign * -steady[:, 0]
    facial = -steady[:, 1]
    side = np.where(
        np.abs(facial) >= np.abs(across),
        np.where(facial > 0, "buccal", "lingual"),
        np.where(across > 0, "mesial", "distal"),
    )
    return {w: CutFaces(middles[k], steady[k], areas[k]) for w in WALLS for k in [steep & (side == w)]}


def _averaged_normals(middles: FloatArray, vectors: FloatArray) -> FloatArray:
    place = np.floor(middles / CELL_MM).astype(np.int64)
    place -= place.min(axis=0, initial=0)
    size = place.max(axis=0, initial=0) + 1
    _, cell = np.unique((place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2], return_inverse=True)
    summed = np.column_stack([np.bincount(cell, vectors[:, k]) for k in range(3)])
    return np.asarray((summed / np.maximum(np.linalg.norm(summed, axis=1, keepdims=True), 1e-12))[cell])


def _fit(faces: CutFaces, band: tuple[float, float]) -> Wall | str:
    """How a wall leans: its outward place, fitted as a line in height and a parabola along the wall, robustly."""
    if faces.areas.sum() < LEAST_AREA_MM2:
        return "there is no wall on this side"
    outward = -(faces.normals * faces.areas[:, None]).sum(axis=0)
    outward[2] = 0.0
    outward /= np.linalg.norm(outward)
    along = np.cross([0.0, 0.0, 1.0], outward)
    middle = np.average(faces.middles, axis=0, weights=faces.areas)
    flat = faces.middles - middle
    t, z, s = flat @ along, flat[:, 2], flat @ outward
    terms = np.column_stack([np.ones_like(t), z, t, t**2])
    kept = np.ones(len(s), bool)
    for _ in range(6):
        root = np.sqrt(faces.areas[kept])
        fit = np.linalg.lstsq(terms[kept] * root[:, None], s[kept] * root, rcond=None)[0]
        off = s - terms @ fit
        spread = 1.4826 * float(np.median(np.abs(off[kept]))) + 1e-6
        kept = np.abs(off) < OUTLIER * spread
    height = float(np.ptp(z[kept]))
    if height < LEAST_HEIGHT_MM or faces.areas[kept].sum() < LEAST_AREA_MM2:
        return "the wall on this side is too small"
    ends = np.array([band[0], band[1]])
    segment = middle + np.outer(fit[0] + fit[1] * (ends - middle[2]), outward) + np.outer(ends - middle[2], [0, 0, 1])
    return Wall(
        math.degrees(math.atan(fit[1])), outward, segment, faces.middles[kept], float(faces.areas[kept].sum()), height
    )


def _reading(bench: Bench, where: str | None, wall: Wall | str) -> Reading:
    name = "block.wall_squareness_deg"
    if isinstance(wall, str):
        return unmeasured(name, wall, unit="deg", where=where)
    count = effective_count(edge_mm=bench.edge_mm, area_mm2=wall.area_mm2)
    noise = 1e-3 * bench.piece.noise_um * math.sqrt(12.0 / count) / wall.height_mm
    along = np.cross([0.0, 0.0, 1.0], wall.outward)
    budget = (
        Component("surface noise", math.degrees(noise)),
        Component("trueness", _shared_deg(bench, wall)),
        Component("alignment", alignment_u_deg(bench.piece.alignment, along)),
        Component("choice of the wall's faces", CHOICE_DEG),
    )
    foot = wall.segment_mm[0]
    upright = np.array([foot, [foot[0], foot[1], wall.segment_mm[1][2]]])
    witness = Witness(
        "angle",
        points_mm=wall.points_mm[:: max(1, len(wall.points_mm) // 300)],
        segments_mm=np.array([wall.segment_mm, upright]),
    )
    return measured(name, abs(wall.lean_deg), unit="deg", where=where, budget=budget, witness=witness)


def _shared_deg(bench: Bench, wall: Wall) -> float:
    """A source's smooth error on the slope of a wall's line, degrees."""
    some = wall.points_mm[:: max(1, len(wall.points_mm) // 100)]
    height = some[:, 2] - some[:, 2].mean()
    weights = height / max(float((height**2).sum()), 1e-9)
    return math.degrees(shared_u_mm(1e-3 * bench.piece.trueness_um, some, weights))
