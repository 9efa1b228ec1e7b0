"""Where enamel ends and dentine begins: a smooth junction at a stated depth, nothing at the cervical line.

The junction is the zero set of a field g, positive in enamel. Two sheets make it, joined smoothly: the side walls, at a depth
that grows from nothing at the cervical line, and the table, at a stated height under the cusp tips and fissure entries.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kerfmark.anatomy.depth import SPACING_MM, Depths, cervical_level
from kerfmark.anatomy.tissues import EnamelPlan
from kerfmark.records import FloatArray, Grid

__all__ = ["enamel_field", "smooth_max", "wall_thickness"]

LEAST_MM = 0.25
"""Least enamel under a fissure's floor."""
JOIN_MM, ROUND_MM = (0.7, 0.35), (0.28, 0.16)
"""Width over which walls pass into the table or edge, and how far the junction is smoothed (standard deviation)."""
CUSP_REACH_MM = 1.1


def enamel_field(
    depths: Depths, *, plan: EnamelPlan, cusps_mm: Sequence[FloatArray], cervical_line_mm: FloatArray
) -> Grid:
    """The field whose zero set is the enamel–dentine junction; positive in enamel, on the tooth's grid.

    Parameters
    ----------
    depths : Depths
    plan : EnamelPlan
    cusps_mm : sequence of (3,) float array, mm
        Cusp tips of a tooth with a table; empty for front teeth, whose edge is found from their height.
    cervical_line_mm : (k, 3) float array, mm

    Returns
    -------
    field : Grid
        About millimetres from the junction. Below the cervical line it is negative, out to beyond the outer surface, so
        that the zero set leaves the tooth at the cervical line.
    """
    x, y, z = depths.axes_mm
    above = z - cervical_level(cervical_line_mm, *np.broadcast_arrays(x[:, :, 0], y[:, :, 0]))[:, :, None]
    wall = wall_thickness(above, x, y, plan=plan)
    sheet = _table_sheet(depths, plan, cusps_mm) if len(cusps_mm) else _edge_sheet(depths, plan)
    front = 0 if len(cusps_mm) else 1
    joined = smooth_max(depths.filled + wall, _height_over(depths, sheet), JOIN_MM[front])
    settled = _smoothed(joined, ROUND_MM[front] / SPACING_MM, np.clip((above - 0.6) / 1.2, 0.0, 1.0))
    guarded = np.maximum(settled, depths.grid.values + np.minimum(wall, LEAST_MM))
    return Grid(depths.grid.origin_mm, depths.grid.spacing_mm, guarded.astype(np.float32))


def wall_thickness(above_mm: FloatArray, x_mm: FloatArray, y_mm: FloatArray, *, plan: EnamelPlan) -> FloatArray:
    """Enamel on the side walls by height above the cervical line (negative below it) and side (mesial +x, facial +y)."""
    rising = plan.side_mm * -np.expm1(-np.maximum(above_mm, 0.0) / plan.rise_mm)
    falling = plan.side_mm / plan.rise_mm * np.minimum(above_mm, 0.0)
    distal = 0.5 - 0.5 * np.clip(x_mm / 3.0, -1.0, 1.0)
    lingual = 0.5 - 0.5 * np.clip(y_mm / 1.5, -1.0, 1.0)
    sides = (1.0 + plan.distal_more * (distal - 0.5)) * (1.0 - plan.lingual_less * lingual)
    thickness: FloatArray = (rising + falling) * sides
    return thickness


def smooth_max(a: FloatArray, b: FloatArray, width_mm: float) -> FloatArray:
    """The larger of two fields, rounded where they cross over `width_mm`; never less than either.

    Notes
    -----
    Source: the quadratic polynomial blend in common use for implicit shapes.
    """
    share = np.clip(0.5 + 0.5 * (a - b) / width_mm, 0.0, 1.0)
    blend: FloatArray = b + (a - b) * share + width_mm * share * (1.0 - share)
    return blend


def _table_sheet(depths: Depths, plan: EnamelPlan, cusps_mm: Sequence[FloatArray]) -> FloatArray:
    """Height of the junction under the chewing table: under the entries of fissures, lower under cusps."""
    x, y, _ = depths.axes_mm
    lower = np.zeros((x.size, y.size))
    for tip in cusps_mm:
        square = (x[:, :, 0] - tip[0]) ** 2 + (y[:, :, 0] - tip[1]) ** 2
        lower = np.maximum(lower, np.exp(-square / CUSP_REACH_MM**2))
    thickness = plan.fissure_mm + (plan.top_mm - plan.fissure_mm) * lower
    return _spread(depths, depths.entry_mm - thickness)


def _edge_sheet(depths: Depths, plan: EnamelPlan) -> FloatArray:
    """Height of the junction under an incisal edge: the edge's own height at each x, less the thickness."""
    from scipy.ndimage import gaussian_filter1d

    edge = depths.top_mm.max(axis=1)
    hit = np.flatnonzero(np.isfinite(edge))
    whole = np.interp(np.arange(len(edge)), hit, edge[hit])
    smooth = gaussian_filter1d(whole, 0.6 / depths.grid.spacing_mm, mode="nearest")
    return np.repeat((smooth - plan.top_mm)[:, None], depths.top_mm.shape[1], axis=1)


def _spread(depths: Depths, sheet: FloatArray) -> FloatArray:
    """The sheet smoothed over the tooth alone, and carried on outside it."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter

    hit = np.isfinite(sheet)
    width = 0.35 / depths.grid.spacing_mm
    weight = gaussian_filter(hit.astype(float), width)
    smooth = gaussian_filter(np.where(hit, sheet, 0.0), width) / np.maximum(weight, 1e-9)
    nearest = distance_transform_edt(~hit, return_distances=False, return_indices=True)
    spread: FloatArray = gaussian_filter(smooth[tuple(nearest)], width)
    return spread


def _height_over(depths: Depths, sheet: FloatArray) -> FloatArray:
    """About the distance over a sheet of heights: height over it, by its slope."""
    along_x, along_y = np.gradient(sheet, depths.grid.spacing_mm)
    height: FloatArray = (depths.axes_mm[2] - sheet[:, :, None]) / np.sqrt(1.0 + along_x**2 + along_y**2)[:, :, None]
    return height


def _smoothed(field: FloatArray, width: float, share: FloatArray) -> FloatArray:
    """The field smoothed where `share` is 1, as it was where it is 0 (near the cervical line, which must stay put)."""
    from scipy.ndimage import gaussian_filter

    soft: FloatArray = field + share * (gaussian_filter(field, width) - field)
    return soft
