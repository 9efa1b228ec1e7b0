"""The chamber seen along the access axis: how much of its roof is left, and how deep its floor was cut."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.neighbourhoods import means_within
from kerfmark.measurement.access.opened import NO_PULP, Along, Opened
from kerfmark.measurement.budget import alignment_u_mm, alike_means, effective_count, extreme_of, measured, unmeasured
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["floor_columns", "floor_cut", "roof_left"]

MEAN_RADIUS_MM = 0.15
STEEPEST = 1.0
"""Floor is what rises or falls less than 45° from column to column."""
LEAST_FLOOR_MM2 = 0.8
NEAR_ORIFICES_MM = 1.6
OVERHANG_MM, BESIDE_MM = 0.3, 0.15
CHORD_PART = 0.03
"""How far chords of triangles lie inside a round edge, over a triangle's side."""
BELOW_ORIFICES_MM = 0.3
NO_CHAMBER = "the pulp has no chamber above the orifices"


def roof_left(case: Opened) -> tuple[Reading, ...]:
    """Area of the chamber whose columns meet tooth before they meet the chamber.

    A scanner looks in from above: what it sees first in a column is roof where it lies above the chamber's ceiling. What
    it cannot see under a ledge does not matter.
    """
    name = "access.roof_left_mm2"
    if case.pulp is None:
        return (unmeasured(name, NO_PULP, unit="mm2"),)
    along = case.along
    if not along.chamber.any():
        return (unmeasured(name, NO_CHAMBER, unit="mm2"),)
    thick = along.piece_columns.top - along.pulp_columns.top
    seen = along.chamber & (np.isfinite(thick) | _over_canal(along))
    unseen = 1.0 - float(seen.sum()) / float(along.chamber.sum())
    if unseen > 0.2:
        return (unmeasured(name, f"{unseen:.0%} of the chamber was not scanned", unit="mm2"),)
    cell = along.lattice.cell_mm2
    roofs = [seen & _roofed(along, along.least_mm + by) for by in (0.0, -along.u_mm, along.u_mm)]
    areas, roof = [float(found.sum()) * cell for found in roofs], roofs[0]
    edge = _edge_mm(roof, along)
    budget = (
        Component("where roof begins", 0.5 * abs(areas[1] - areas[2])),
        Component("place of its edge", _edge_u(along, edge)),
        Component("columns along its edge", 0.3 * cell * math.sqrt(edge / along.lattice.spacing_mm)),
        Component("not scanned", 0.3 * unseen * float(along.chamber.sum()) * cell),
    )
    reason = f"{unseen:.1%} of the chamber was not scanned" if unseen > 0.01 else None
    witness = Witness("patch", points_mm=_places(case, roof, along.pulp_columns.top))
    return (measured(name, areas[0], unit="mm2", budget=budget, witness=witness, reason=reason),)


def _over_canal(along: Along) -> NDArray[np.bool_]:
    """(columns,) where the pulp runs on below the orifices: a scan that meets nothing there looks into a canal, past no roof.

    Roof would have been met first. On a premolar such columns are most of the chamber.
    """
    return np.asarray(np.nan_to_num(along.chamber_bottom, nan=np.inf) < along.floor_mm - BELOW_ORIFICES_MM)


def _roofed(along: Along, over_mm: float) -> NDArray[np.bool_]:
    """(columns,) where tooth stands over the chamber: half as thick as beside it where it is as thick as an overhang, else just above
    its ceiling.

    What is met first alone will not do: noise on a plumb wall stands out over the chamber wherever along its height it
    happens to be greatest, two and a half of its standard deviations on a wall of six millimetres. Half of the columns over
    the wall's own line are in tooth along half of their height.
    """  # noqa: D205
    from scipy.ndimage import maximum_filter

    found, ceiling = along.piece_columns, np.nan_to_num(along.pulp_columns.top, nan=np.inf) + over_mm
    column = np.repeat(np.arange(len(ceiling)), np.diff(found.starts))
    above = found.heights - ceiling[column]
    sign = np.where(found.upward, 1.0, -1.0) * (above > 0.0)
    inside = np.bincount(column, sign, minlength=len(ceiling)) > 0.5
    thick = np.bincount(column, sign * np.maximum(above, 0.0), minlength=len(ceiling))
    lattice = along.lattice
    beside = 2 * max(1, round(BESIDE_MM / lattice.spacing_mm)) + 1
    thickest = maximum_filter(thick.reshape(lattice.nx, lattice.ny), size=beside).ravel()
    return np.asarray(np.where(thickest > OVERHANG_MM, thick > 0.5 * thickest, inside))


def _edge_u(along: Along, edge_mm: float) -> float:
    if edge_mm == 0.0:
        return 0.005
    count = effective_count(edge_mm=along.edge_mm, length_mm=edge_mm)
    covariance = along.piece.alignment.covariance
    shift = math.sqrt(max(0.0, 0.5 * float(covariance[3, 3] + covariance[4, 4])))
    shared = math.hypot(1e-3 * along.piece.trueness_um, shift, CHORD_PART * along.edge_mm)
    return edge_mm * math.hypot(1e-3 * along.piece.noise_um / math.sqrt(count), shared)


def _edge_mm(mask: NDArray[np.bool_], along: Along) -> float:
    """About the length of a patch's border inside the chamber: cells whose neighbour differs, times the mean over directions, π / 4."""
    lattice = along.lattice
    grid, known = (m.reshape(lattice.nx, lattice.ny) for m in (mask, along.chamber))
    steps = int(((grid[1:] != grid[:-1]) & known[1:] & known[:-1]).sum())
    steps += int(((grid[:, 1:] != grid[:, :-1]) & known[:, 1:] & known[:, :-1]).sum())
    return 0.25 * math.pi * steps * lattice.spacing_mm


def _places(case: Opened, mask: NDArray[np.bool_], heights: FloatArray) -> FloatArray:
    """Points over some columns, tooth frame, at most 400."""
    chosen = np.flatnonzero(mask)[:: max(1, int(mask.sum()) // 400)]
    points = np.column_stack([case.along.lattice.feet[chosen], heights[chosen]])
    return np.asarray((points - case.into[:3, 3]) @ case.into[:3, :3])


def floor_cut(case: Opened) -> tuple[Reading, ...]:
    """Greatest mean over 0.3 mm of how far the piece lies below the chamber's floor."""
    name = "access.floor_cut_mm"
    if case.pulp is None:
        return (unmeasured(name, NO_PULP, unit="mm"),)
    along = case.along
    floor = floor_columns(along)
    if float(floor.sum()) * along.lattice.cell_mm2 < LEAST_FLOOR_MM2:
        return (unmeasured(name, "the chamber has no floor", unit="mm", status="not_applicable"),)
    seen = floor & np.isfinite(along.piece_columns.top)
    if float(seen.sum()) < 0.5 * float(floor.sum()):
        return (unmeasured(name, "less than half of the chamber's floor was scanned", unit="mm"),)
    depth = (along.chamber_bottom - along.piece_columns.top)[seen]
    points = np.column_stack([along.lattice.feet[seen], np.zeros(len(depth))])
    means = means_within(points, points, read_only(depth, np.float64), MEAN_RADIUS_MM)
    worst = int(np.argmax(means))
    noise = 1e-3 * along.piece.noise_um
    each = effective_count(edge_mm=along.edge_mm, area_mm2=math.pi * MEAN_RADIUS_MM**2)
    averaged, columns = noise / math.sqrt(each), math.pi * MEAN_RADIUS_MM**2 / along.lattice.cell_mm2
    beyond, choice = extreme_of(-means, averaged, alike=alike_means(each) * columns / each)
    value = max(float(means[worst]) - beyond, 0.0)
    untouched = value < along.least_mm
    place = np.append(points[worst, :2], along.chamber_bottom[seen][worst])
    budget = (
        choice,
        Component("trueness", 1e-3 * along.piece.trueness_um),
        Component("alignment", alignment_u_mm(along.piece.alignment, place, [0.0, 0.0, 1.0])),
    )
    bottom = float(along.chamber_bottom[seen][worst])
    ends = np.array([[*points[worst, :2], bottom], [*points[worst, :2], bottom - max(float(means[worst]), 0.0)]])
    segment = (ends - case.into[:3, 3]) @ case.into[:3, :3]
    plane = case.plane("floor", segment[0], np.array([0.0, 1.0, 0.0]))
    witness = Witness(
        "points" if untouched else "length", points_mm=segment[:1], segments_mm=segment[None], plane=plane
    )
    return (measured(name, value, unit="mm", budget=budget, witness=witness),)


def floor_columns(along: Along) -> NDArray[np.bool_]:
    """(columns,) where the chamber ends in a floor near the orifices' level: neither wall nor the mouth of a canal."""
    lattice = along.lattice
    bottom = np.where(along.chamber, along.chamber_bottom, np.nan).reshape(lattice.nx, lattice.ny)
    slope = np.hypot(*np.gradient(bottom, lattice.spacing_mm))
    level = np.abs(bottom - along.floor_mm) < NEAR_ORIFICES_MM
    flat = np.isfinite(slope) & (slope < STEEPEST) & level
    return np.asarray(_eroded(flat, cells=max(1, round(0.1 / lattice.spacing_mm))).ravel())


def _eroded(mask: NDArray[np.bool_], *, cells: int) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_erosion

    return np.asarray(binary_erosion(mask, iterations=cells))
