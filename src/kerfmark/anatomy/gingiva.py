"""Gingiva round placed teeth: a margin near the cervical line, papillae up to the contacts, attached below.

It is a closed solid with holes where the teeth stand, cut level underneath; it keeps 0.05 mm from the teeth, so that
separate closed surfaces never overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from kerfmark.anatomy.arch import Contact, Placed, placed_about, touching
from kerfmark.anatomy.enamel import smooth_max
from kerfmark.anatomy.notation import as_fdi
from kerfmark.errors import InputError
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.grids import surface_of
from kerfmark.geometry.mesh import components
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["footprint", "gingiva", "local_gingiva"]

CLEAR_MM = 0.05
PAPILLA_REACH_MM = 1.3
"""How far along the arch a papilla falls to 37 % of its height."""
BELOW_CONTACT_MM = 1.2
"""How far under the contact point a papilla's tip stays: a full papilla reaches the contact area (practice)."""
MARGINS_MM = (-2.0, 2.0)


def local_gingiva(
    fdi: int | str, *, seed: int | None = None, margin_mm: float = 0.3, depth_mm: float = 5.0, edge_mm: float = 0.2
) -> Surface:
    """Gingiva round a tooth and its neighbours, in that tooth's frame.

    Parameters
    ----------
    fdi : int or str
    seed : int, optional
    margin_mm : float, mm
        Level of the free margin over the cervical line: 0 to 0.5 in health, below 0 to bare margins for an exercise.
    depth_mm : float, mm
        How far it goes down below the lowest cervical line.
    edge_mm : float, mm
        About its edge length, 0.1 to 0.5.

    Returns
    -------
    gingiva : Surface
        Closed; open round the roots, which pass through it.
    """
    beside = placed_about(as_fdi(fdi), seed=seed)
    row = [beside[side] for side in ("mesial", "middle", "distal") if side in beside]
    contacts = [touching(a, b) for a, b in pairwise(row)]
    return gingiva(row, contacts, margin_mm=margin_mm, depth_mm=depth_mm, edge_mm=edge_mm)


def gingiva(
    teeth: Sequence[Placed],
    contacts: Sequence[Contact],
    *,
    empty: Sequence[Placed] = (),
    margin_mm: float = 0.3,
    depth_mm: float = 5.0,
    edge_mm: float = 0.2,
) -> Surface:
    """Gingiva round teeth standing in one frame with +z occlusal; see `local_gingiva`.

    `empty` are edentulous sites: the ridge runs through where they would stand, 1 mm under their cervical line.

    Raises
    ------
    InputError
        If margin, depth or edge are out of range.
    """
    _check(margin_mm, depth_mm, edge_mm)
    rims = [transform_points(p.matrix, p.form.cervical_line_mm) for p in teeth]
    gone = [transform_points(p.matrix, p.form.cervical_line_mm) - [0.0, 0.0, 1.0 + margin_mm] for p in empty]
    frame = _frame(rims + gone, contacts, depth_mm=depth_mm, edge_mm=edge_mm)
    x, y, z = (frame.origin_mm[k] + edge_mm * np.arange(frame.values.shape[k]) for k in range(3))
    top = _level(x, y, rims + gone, contacts, margin_mm=margin_mm, edge_mm=edge_mm)
    side = footprint(x, y, rims + gone, edge_mm)
    field = _solid(top, side, z)
    field = np.maximum(field, _off_teeth(teeth, x, y, z, field))
    closed = np.pad(field, 1, constant_values=edge_mm).astype(np.float32)
    return components(surface_of(Grid(frame.origin_mm - edge_mm, edge_mm, closed)))[0]


def _check(margin_mm: float, depth_mm: float, edge_mm: float) -> None:
    for name, value, low, high in (
        ("margin_mm", margin_mm, *MARGINS_MM),
        ("depth_mm", depth_mm, 1.0, 15.0),
        ("edge_mm", edge_mm, 0.1, 0.5),
    ):
        if not low <= value <= high:
            raise InputError(
                f"gingiva {name} is {value:g}, expected {low:g} to {high:g} mm. Choose a value in between."
            )


def _frame(rims: Sequence[FloatArray], contacts: Sequence[Contact], *, depth_mm: float, edge_mm: float) -> Grid:
    points = np.vstack([*rims, *(contact.point_mm[None] for contact in contacts)])
    low = points.min(axis=0) - np.array([4.5, 4.5, depth_mm])
    high = points.max(axis=0) + np.array([4.5, 4.5, 0.6])
    shape = np.ceil((high - low) / edge_mm).astype(int) + 1
    return Grid(low, edge_mm, np.empty(tuple(shape), dtype=np.float32))


def _level(
    x: FloatArray,
    y: FloatArray,
    rims: Sequence[FloatArray],
    contacts: Sequence[Contact],
    *,
    margin_mm: float,
    edge_mm: float,
) -> FloatArray:
    """Height of the margin over each (x, y): that of the cervical line near by, with a papilla raised at each contact."""
    from scipy.ndimage import gaussian_filter
    from scipy.spatial import cKDTree

    rim = np.vstack(rims)
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    distance, near = cKDTree(rim[:, :2]).query(grid.reshape(-1, 2), k=24)
    weight: FloatArray = 1.0 / (np.asarray(distance) + 0.1) ** 3
    level = ((weight * rim[near, 2]).sum(axis=1) / weight.sum(axis=1)).reshape(grid.shape[:2])
    level = gaussian_filter(level, 0.5 / edge_mm) + margin_mm
    for contact in contacts:
        offset = grid - contact.point_mm[:2]
        along = offset @ (contact.across[:2] / np.linalg.norm(contact.across[:2]))
        share = np.exp(-((along / PAPILLA_REACH_MM) ** 2)) * np.exp(-((np.linalg.norm(offset, axis=-1) / 5.0) ** 4))
        level = level + share * np.maximum(contact.point_mm[2] - BELOW_CONTACT_MM - level, 0.0)
    raised: FloatArray = level
    return raised


def footprint(x: FloatArray, y: FloatArray, rims: Sequence[FloatArray], edge_mm: float) -> FloatArray:
    """Signed distance, in the plane, from the teeth's necks joined across their gaps; negative inside."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter
    from skimage.draw import polygon2mask

    shape = (len(x), len(y))
    origin = np.array([x[0], y[0]])
    mask = np.zeros(shape, dtype=bool)
    for rim in rims:
        mask |= polygon2mask(  # type: ignore[no-untyped-call]
            shape, (rim[:, :2] - origin) / edge_mm
        )
    grown = distance_transform_edt(~mask) * edge_mm < 2.2
    joined = distance_transform_edt(grown) * edge_mm > 2.2
    joined |= mask
    outside, inside = distance_transform_edt(~joined), distance_transform_edt(joined)
    signed: FloatArray = gaussian_filter((outside - inside) * edge_mm, 0.35 / edge_mm)
    return signed


def _solid(top: FloatArray, side: FloatArray, z: FloatArray) -> FloatArray:
    """The body without the teeth: under the margin, within a thickness that grows from a thin edge downwards."""
    under = top[:, :, None] - z[None, None, :]
    thickness = 0.45 + 1.1 * -np.expm1(-np.maximum(under, 0.0) / 1.8) + 0.14 * np.maximum(under, 0.0)
    return smooth_max(-0.9 * under, side[:, :, None] - thickness, 0.8)


def _off_teeth(teeth: Sequence[Placed], x: FloatArray, y: FloatArray, z: FloatArray, field: FloatArray) -> FloatArray:
    """Positive within `CLEAR_MM` of a tooth and inside it; read only where gingiva would be."""
    blocked: FloatArray = np.full(field.shape, -5.0)
    for placed in teeth:
        corners = np.array(np.meshgrid(*placed.form.bounds_mm.T)).reshape(3, -1).T
        box = transform_points(placed.matrix, corners)
        span = [
            slice(*np.searchsorted(axis, (low - 0.3, high + 0.3)))
            for axis, low, high in zip((x, y, z), box.min(axis=0), box.max(axis=0), strict=True)
        ]
        cells = np.argwhere(field[tuple(span)] < 1.0) + [s.start for s in span]
        points = np.column_stack([x[cells[:, 0]], y[cells[:, 1]], z[cells[:, 2]]])
        at = tuple(cells.T)
        blocked[at] = np.maximum(blocked[at], CLEAR_MM - placed.field(points))
    return blocked
