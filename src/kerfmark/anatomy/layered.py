"""Any layered tooth: what lesions and accesses ask of one, and one built from the closed layers of a segmented tooth.

Tooth frame: origin in the middle of the cervical line, +z occlusal, +y facial, millimetres (`docs/conventions.md`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import Field, dataclass
from typing import Any, ClassVar, Protocol

import numpy as np

from kerfmark.anatomy.depth import FISSURE_MM, disk
from kerfmark.anatomy.form import NamedSite
from kerfmark.anatomy.notation import mesial_sign
from kerfmark.anatomy.orifices import orifices_of
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm, components, volume_mm3
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference, union
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["Layered", "LayeredTooth", "cervical_line_of", "hollows_of", "layered_tooth"]

SPACING_MM = 0.15
GAP_MM, SHRINK_MM = 0.2, 0.05
"""Gaps between layers up to twice the one are filled with dentine; the other keeps the filling off the outer surface."""
SECTORS = 72
TABLE_INSIDE_MM, LEAST_HOLLOW_MM, APART_MM, STEP_MM = 1.2, 0.05, 1.2, 0.1


class Layered(Protocol):
    """What is asked of a tooth with layers: generated ones (`anatomy.tooth.Tooth`) and segmented ones have it alike."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    @property
    def fdi(self) -> int:
        """Its FDI number."""

    @property
    def outer(self) -> Surface:
        """Crown and roots, closed."""

    @property
    def layers(self) -> Mapping[str, Surface]:
        """`enamel`, `dentine`, `pulp` and what was let in, closed, tiling the tooth."""

    @property
    def sites(self) -> Mapping[str, NamedSite]:
        """Fossae and contacts, where they are known."""

    @property
    def orifices(self) -> Mapping[str, FloatArray]:
        """Where canals leave the chamber."""

    @property
    def cervical_line_mm(self) -> FloatArray:
        """The closed border of crown and root, (k, 3)."""


@dataclass(frozen=True, slots=True, eq=False)
class LayeredTooth:
    """A segmented tooth; attributes as in `anatomy.tooth.Tooth`, of which it has what can be found on surfaces."""

    fdi: int
    mesial_sign: int
    outer: Surface
    layers: Mapping[str, Surface]
    sites: Mapping[str, NamedSite]
    orifices: Mapping[str, FloatArray]
    cervical_line_mm: FloatArray


def layered_tooth(
    fdi: int, enamel: Surface, dentine: Surface, pulp: Surface, *, beside: Mapping[str, Surface] | None = None
) -> LayeredTooth:
    """A tooth from its closed layers, in its tooth frame; its places are found on it.

    Parameters
    ----------
    fdi : int
    enamel, dentine, pulp : Surface
        Closed, overlapping by no more than rounding. Gaps between them up to 0.4 mm become dentine, so that they tile the tooth.
    beside : mapping of 'mesial' and 'distal' to Surface, optional
        Neighbours (their enamel will do): the contact is the point nearest to each.

    Raises
    ------
    InputError
        If a layer is not closed.
    """
    solids = {
        name: Solid.from_surface(s, name=name) for name, s in (("enamel", enamel), ("dentine", dentine), ("pulp", pulp))
    }
    filled = _shell(union(*solids.values(), _filling([enamel, dentine, pulp])))
    tiles = {
        "enamel": difference(solids["enamel"], solids["pulp"]),
        "dentine": difference(filled, solids["enamel"], solids["pulp"]),
        "pulp": solids["pulp"],
    }
    line = cervical_line_of(enamel)
    sites = {name: NamedSite(name, "fossa", at) for name, at in hollows_of(enamel, mesial=mesial_sign(fdi)).items()}
    for side, other in (beside or {}).items():
        sites[f"{side} contact"] = NamedSite(f"{side} contact", "contact", _nearest(enamel, other))
    layers = {name: tile.surface() for name, tile in tiles.items()}
    orifices = orifices_of(pulp, cervical_mm=float(np.median(line[:, 2])))
    return LayeredTooth(fdi, mesial_sign(fdi), filled.surface(), layers, sites, orifices, line)


def _shell(solid: Solid) -> Solid:
    """The outermost surface of a solid's largest part: voids inside it are filled."""
    return Solid.from_surface(max(components(solid.parts()[0].surface()), key=volume_mm3), name="tooth")


def _filling(layers: list[Surface]) -> Solid:
    """What a ball cannot reach between the layers: them all grown by the gap, voids dropped, shrunk by a little more."""
    corners = np.vstack([s.vertices_mm for s in layers])
    room = 3.0 * SPACING_MM + GAP_MM
    box = np.stack([corners.min(axis=0) - room, corners.max(axis=0) + room])
    near = [distance_grid(s, spacing_mm=SPACING_MM, band_mm=2.0 * GAP_MM, bounds_mm=box) for s in layers]
    field = np.minimum.reduce([grid.values for grid in near])
    grown = max(components(surface_of(Grid(near[0].origin_mm, SPACING_MM, field), GAP_MM)), key=volume_mm3)
    back = distance_grid(grown, spacing_mm=SPACING_MM, band_mm=3.0 * GAP_MM)
    return Solid.from_surface(surface_of(back, -(GAP_MM + SHRINK_MM)), name="tooth")


def cervical_line_of(enamel: Surface) -> FloatArray:
    """The cervical border of enamel: its lowest point in each 5° about its middle; (k, 3), closed, by azimuth."""
    points = enamel.vertices_mm
    away = points[:, :2] - 0.5 * (points[:, :2].min(axis=0) + points[:, :2].max(axis=0))
    sector = ((np.arctan2(away[:, 1], away[:, 0]) / (2.0 * np.pi) % 1.0) * SECTORS).astype(int)
    order = np.lexsort((points[:, 2], sector))
    first = np.unique(sector[order], return_index=True)[1]
    lowest: FloatArray = points[order[first]]
    return lowest


def hollows_of(enamel: Surface, *, mesial: int) -> dict[str, FloatArray]:
    """Hollows of the table as `central`, `mesial` and `distal fossa`: where two would have one name, the deeper.

    Notes
    -----
    A hollow is where the table lies lowest within 1.2 mm, at least 1.2 mm inside the crown's silhouette, under what a ball-ended
    probe 0.9 mm wide bridges. The central fossa lies within a sixth of the crown's length of its middle.
    """
    from scipy.ndimage import binary_erosion, grey_closing, minimum_filter

    (x0, y0, _), (x1, y1, high) = bounds_mm(enamel)
    xy = np.stack(np.meshgrid(np.arange(x0, x1, STEP_MM), np.arange(y0, y1, STEP_MM), indexing="ij"), axis=-1)
    above = np.dstack([xy, np.full(xy.shape[:2], high + 1.0)]).reshape(-1, 3)
    distance = RayCaster(enamel).first_hit(above, [0.0, 0.0, -1.0], max_mm=30.0)[0].reshape(xy.shape[:2])
    top = np.where(np.isfinite(distance), high + 1.0 - distance, high)
    table = binary_erosion(np.isfinite(distance), disk(TABLE_INSIDE_MM, spacing_mm=STEP_MM))
    depth = grey_closing(top, footprint=disk(FISSURE_MM, spacing_mm=STEP_MM)) - top
    lowest = top <= minimum_filter(top, footprint=disk(APART_MM, spacing_mm=STEP_MM))
    found: dict[str, FloatArray] = {}
    at = np.argwhere(table & lowest & (depth > LEAST_HOLLOW_MM))
    for i, j in sorted(at.tolist(), key=lambda ij: -depth[ij[0], ij[1]]):
        along = mesial * (xy[i, j, 0] - 0.5 * (x0 + x1)) / (x1 - x0)
        name = "central fossa" if abs(along) < 1.0 / 6.0 else "mesial fossa" if along > 0.0 else "distal fossa"
        found.setdefault(name, np.array([*xy[i, j], top[i, j]]))
    return found


def _nearest(surface: Surface, other: Surface) -> FloatArray:
    """The point of one surface nearest to another."""
    distance = ClosestPoint(other).query(surface.vertices_mm, max_distance_mm=20.0)[1]
    at: FloatArray = surface.vertices_mm[int(np.nanargmin(distance))]
    return at
