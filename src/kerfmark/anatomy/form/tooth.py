"""One tooth as one field: the walls, the table and the roots put together, sized, and placed in the tooth frame."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.anatomy.form.body import MARGIN_MM, Body, make_body
from kerfmark.anatomy.form.roots import make_roots
from kerfmark.anatomy.form.sites import NamedSite, cervical_line, lines_of, sites_of
from kerfmark.anatomy.form.table_top import STEP_MM, TableTop, make_table_top
from kerfmark.anatomy.form.tables import Dimensions, Shape, sizes_of
from kerfmark.anatomy.form.variation import varied
from kerfmark.kernels.tooth_field import field_at
from kerfmark.records import FloatArray

__all__ = ["ToothForm", "tooth_form"]

FLOOR_ROUNDING_MM, ROOT_ROUNDING_MM, APEX_ROUNDING_MM, ARCH_MM = 1.0, 0.8, 0.5, 2.5


@dataclass(frozen=True, slots=True, eq=False)
class _Maps:
    """What the kernel reads, in the building frame (`body.py`); `shift_mm` is the tooth frame's origin in it."""

    body: Body
    top: TableTop
    roots: FloatArray
    shape: FloatArray
    shift_mm: FloatArray

    def field(self, points_mm: FloatArray, x_sign: float = 1.0) -> FloatArray:
        points = np.ascontiguousarray(points_mm, dtype=float)
        out = np.empty(len(points))
        halves = (
            [slice(0, len(points))]
            if len(points) < 20_000
            else [slice(0, len(points) // 2), slice(len(points) // 2, None)]
        )
        z_grid = np.array([self.body.z_mm[0], self.body.z_mm[1] - self.body.z_mm[0]])
        top_grid = np.array([*self.top.origin_mm, STEP_MM])

        def run(part: slice) -> None:
            field_at(points[part], x_sign, self.shift_mm, z_grid, self.body.sections, self.body.radius,
                     top_grid, self.top.heights, self.roots, self.shape, out[part])  # fmt: skip

        if len(halves) == 1:
            run(halves[0])
        else:
            with ThreadPoolExecutor(2) as pool:
                list(pool.map(run, halves))
        return out


@dataclass(frozen=True, slots=True, eq=False)
class ToothForm:
    """The outer form of one tooth, crown and roots, in the tooth frame (origin: centroid of the cervical line).

    Attributes
    ----------
    fdi : int
    mesial_sign : int
        +1 in quadrants 1 and 3, −1 in 2 and 4: mesial lies on +x or −x. The other side's tooth is the mirror image in x.
    dimensions : Dimensions
        The sizes it was made to, mm.
    cervical_line_mm : (k, 3) float array
        The closed border of crown and root, starting at facial, towards mesial.
    sites : mapping of str to NamedSite
        Cusp tips, pits, ridges, contacts, heights of contour, apices …, on the surface.
    lines : mapping of str to (k, 3) float array
        Grooves, ridges, the cervical line, on the surface.
    bounds_mm : (2, 3) float array
        A box that holds it.
    """

    fdi: int
    mesial_sign: int
    dimensions: Dimensions
    cervical_line_mm: FloatArray
    sites: Mapping[str, NamedSite]
    lines: Mapping[str, FloatArray]
    bounds_mm: FloatArray
    _maps: _Maps

    @property
    def crown_length_mm(self) -> float:
        """From the facial crest of the cervical line to the highest cusp tip or the incisal edge, along the long axis."""
        return self.dimensions.crown

    @property
    def root_length_mm(self) -> float:
        """From the facial crest of the cervical line to the deepest apex, along the long axis."""
        return self.dimensions.root

    def field(self, points_mm: ArrayLike) -> FloatArray:
        """Distance from the outer surface, to first order in mm near it, negative inside; (n, 3) in, (n,) out."""
        return self._maps.field(np.asarray(points_mm, dtype=float), float(self.mesial_sign))


def tooth_form(fdi: int, *, seed: int | None = None) -> ToothForm:
    """The form of a permanent tooth.

    Parameters
    ----------
    fdi : int
        ISO 3950 number: 11 to 18, 21 to 28, 31 to 38, 41 to 48.
    seed : int, optional
        Varies sizes and shape inside published scatter, the same way each time. None gives the table's tooth.

    Raises
    ------
    InputError
        If `fdi` is not a permanent tooth.

    Notes
    -----
    Source: sizes from the handbook table in `dimensions.toml`; shapes from `shapes.toml`, settled by eye.

    Examples
    --------
    >>> tooth_form(46).sites["mesiobuccal cusp"].role
    'functional_cusp'
    """
    sizes_of(fdi)
    return _mirrored(_mesial_on_x((10 if fdi < 30 else 30) + fdi % 10, seed), fdi)


@lru_cache(maxsize=64)
def _built(fdi: int, seed: int | None) -> tuple[Dimensions, Shape, _Maps]:
    sizes, shape = varied(fdi, seed)
    body = make_body(sizes, shape)
    roots = make_roots(body.z_mm, shape, root_length_mm=sizes.root)
    floor = -shape.furcation if shape.roots else -sizes.root
    numbers = np.array([shape.shoulder, floor, FLOOR_ROUNDING_MM, ROOT_ROUNDING_MM, APEX_ROUNDING_MM, ARCH_MM])
    maps = _Maps(body, make_table_top(body, shape, top_mm=sizes.crown), roots, numbers, np.zeros(3))
    for _ in range(2):  # rounding lowers the tips; the table is raised until the crown is as long as it should be
        raised = maps.top.heights + (sizes.crown - highest_mm(maps))
        maps = replace(maps, top=replace(maps.top, heights=raised))
    shift = cervical_line(body, sizes, shape, maps.field).mean(axis=0)
    return sizes, shape, replace(maps, shift_mm=shift)


def highest_mm(maps: _Maps) -> float:
    """The level of the highest point: bisection up the columns near where the table is highest."""
    heights = maps.top.heights
    near = np.argwhere(heights > heights.max() - 0.5)
    xy = maps.top.origin_mm + STEP_MM * near
    low, high = np.full(len(xy), heights.max() - 2.0), np.full(len(xy), heights.max() + 0.3)
    for _ in range(14):
        middle = (low + high) / 2
        inside = maps.field(np.column_stack([xy, middle])) < 0
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return float(low.max())


def _mesial_on_x(fdi: int, seed: int | None) -> ToothForm:
    """The form with mesial on +x."""
    sizes, shape, maps = _built(fdi, seed)
    sites = sites_of(maps.body, sizes, shape, maps.roots, maps.shift_mm, maps.field)
    lines = lines_of(maps.body, sizes, shape, maps.shift_mm, maps.field)
    lower = (
        np.array([maps.body.box_mm[0] - MARGIN_MM, maps.body.box_mm[2] - MARGIN_MM, -sizes.root - 0.6]) - maps.shift_mm
    )
    upper_corner = (
        np.array([maps.body.box_mm[1] + MARGIN_MM, maps.body.box_mm[3] + MARGIN_MM, sizes.crown + 0.6]) - maps.shift_mm
    )
    return ToothForm(fdi, 1, sizes, lines["cervical line"], sites, lines, np.stack([lower, upper_corner]), maps)


def _mirrored(form: ToothForm, fdi: int) -> ToothForm:
    sign = 1 if fdi // 10 in (1, 3) else -1
    flip = np.array([sign, 1.0, 1.0])
    sites = {name: replace(site, point_mm=site.point_mm * flip) for name, site in form.sites.items()}
    lines = {name: line * flip for name, line in form.lines.items()}
    bounds = form.bounds_mm * flip
    return replace(form, fdi=fdi, mesial_sign=sign, sites=sites, lines=lines, cervical_line_mm=lines["cervical line"],
                   bounds_mm=np.stack([bounds.min(axis=0), bounds.max(axis=0)]))  # fmt: skip
