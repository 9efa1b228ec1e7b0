"""Solids and their booleans: the one door to manifold3d. All lengths in mm, all surfaces closed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError
from kerfmark.records import FloatArray, Surface

__all__ = [
    "Solid", "box", "cylinder", "difference", "extruded", "frustum", "hull", "intersection", "loft", "revolved", "sphere", "union",
]  # fmt: skip

SEGMENTS = 128


class Solid:
    """A closed solid. Made from a surface or a shape, joined and cut with others, turned back into a surface.

    Examples
    --------
    >>> bore = Solid.cylinder(1.0, 4.0, segments=256).moved([2, 2, -1])
    >>> drilled = difference(Solid.box([0, 0, 0], [4, 4, 2]), bore)
    >>> abs(drilled.volume_mm3 - (32 - 2 * np.pi)) < 1e-3
    True
    """

    def __init__(self, manifold: Any) -> None:
        self._manifold = manifold

    @classmethod
    def from_surface(cls, surface: Surface, *, name: str = "surface") -> Solid:
        """A solid from its closed surface.

        Raises
        ------
        InputError
            If the surface is empty, not closed, branches, or holds something else than finite numbers.
        """
        from manifold3d import Error, Manifold, Mesh64

        if not np.isfinite(surface.vertices_mm).all():
            raise InputError(f"{name}: a coordinate is not a finite number, expected millimetres. Correct the surface.")
        solid = Manifold(
            Mesh64(
                np.array(surface.vertices_mm, dtype=np.float64, order="C"),
                np.array(surface.faces, dtype=np.uint64, order="C"),
            )
        )
        if solid.status() != Error.NoError or len(surface.faces) == 0:
            raise InputError(
                f"{name}: the surface is not closed or branches ({solid.status().name}), expected a closed solid whose every "
                "edge has two faces. Close its holes and export it again."
            )
        return cls(solid)

    def surface(self) -> Surface:
        """Its surface, faces outward."""
        mesh = self._manifold.to_mesh64()
        vertices = np.array(mesh.vert_properties[:, :3], dtype=np.float64, order="C")
        return Surface(vertices, np.array(mesh.tri_verts, dtype=np.int32, order="C"))

    @property
    def volume_mm3(self) -> float:
        """Its volume, mm³."""
        return float(self._manifold.volume())

    @property
    def is_empty(self) -> bool:
        """Whether nothing is left of it."""
        return bool(self._manifold.is_empty())

    def transformed(self, matrix: ArrayLike) -> Solid:
        """The solid carried by a 4 × 4 matrix."""
        return Solid(self._manifold.transform(np.ascontiguousarray(np.asarray(matrix, dtype=float)[:3])))

    def moved(self, shift_mm: ArrayLike) -> Solid:
        """The solid shifted."""
        return Solid(self._manifold.translate(tuple(float(c) for c in np.asarray(shift_mm))))

    def refined(self, edge_mm: float) -> Solid:
        """The same solid with its edges split to about `edge_mm`."""
        return Solid(self._manifold.refine_to_length(float(edge_mm)))

    def simplified(self, tolerance_mm: float) -> Solid:
        """Nearly the same solid with fewer faces: no point moves farther than the tolerance."""
        return Solid(self._manifold.simplify(float(tolerance_mm)))

    def parts(self) -> tuple[Solid, ...]:
        """Its connected parts, the largest first."""
        return tuple(sorted((Solid(m) for m in self._manifold.decompose()), key=lambda s: -s.volume_mm3))

    @classmethod
    def box(cls, low_mm: ArrayLike, high_mm: ArrayLike) -> Solid:
        """A box between two corners."""
        from manifold3d import Manifold

        low, high = np.asarray(low_mm, dtype=float), np.asarray(high_mm, dtype=float)
        _positive("box size", *(high - low))
        return cls(Manifold.cube(tuple(high - low)).translate(tuple(low)))

    @classmethod
    def cylinder(cls, radius_mm: float, height_mm: float, *, segments: int = SEGMENTS) -> Solid:
        """A cylinder about z with its base at z = 0."""
        return cls.frustum(radius_mm, radius_mm, height_mm, segments=segments)

    @classmethod
    def frustum(
        cls, radius_bottom_mm: float, radius_top_mm: float, height_mm: float, *, segments: int = SEGMENTS
    ) -> Solid:
        """A frustum of a cone about z with its base at z = 0; one radius may be 0."""
        from manifold3d import Manifold

        _positive("frustum height and larger radius", height_mm, max(radius_bottom_mm, radius_top_mm))
        if radius_bottom_mm == 0:
            turned = Manifold.cylinder(float(height_mm), float(radius_top_mm), 0.0, int(segments))
            return cls(turned.rotate((180.0, 0.0, 0.0)).translate((0.0, 0.0, float(height_mm))))
        return cls(Manifold.cylinder(float(height_mm), float(radius_bottom_mm), float(radius_top_mm), int(segments)))

    @classmethod
    def sphere(cls, radius_mm: float, *, segments: int = SEGMENTS) -> Solid:
        """A sphere about the origin."""
        from manifold3d import Manifold

        _positive("sphere radius", radius_mm)
        return cls(Manifold.sphere(float(radius_mm), int(segments)))

    @classmethod
    def revolved(cls, profile_mm: ArrayLike, *, segments: int = SEGMENTS) -> Solid:
        """A solid of revolution about z from a closed profile (k, 2) of radius ≥ 0 and height, either way round."""
        from manifold3d import Manifold

        return cls(_filled(Manifold.revolve(_cross_section(profile_mm), int(segments)), "revolved profile"))

    @classmethod
    def extruded(cls, polygon_mm: ArrayLike, height_mm: float) -> Solid:
        """A prism from z = 0 to `height_mm` over a closed polygon (k, 2), either way round."""
        from manifold3d import Manifold

        _positive("prism height", height_mm)
        return cls(_filled(Manifold.extrude(_cross_section(polygon_mm), float(height_mm)), "extruded polygon"))

    @classmethod
    def loft(cls, rings_mm: ArrayLike) -> Solid:
        """A solid through stacked closed rings (r, k, 3), each point joined to its like on the next ring, ends capped.

        The first and last rings are capped by a fan about their middle, so they should be star-shaped about it.
        The order of the rings and the way round do not matter.
        """
        rings = np.asarray(rings_mm, dtype=float)
        if rings.ndim != 3 or rings.shape[0] < 2 or rings.shape[1] < 3 or rings.shape[2] != 3:
            raise InputError(
                f"loft: the rings have shape {rings.shape}, expected (at least 2, at least 3, 3). Stack rings of as many points."
            )
        return cls.from_surface(_lofted(rings), name="loft")


def _lofted(rings: FloatArray) -> Surface:
    r, k = rings.shape[:2]
    index = np.arange(r * k).reshape(r, k)
    a, b = index[:-1], np.roll(index, -1, axis=1)[:-1]
    c, d = index[1:], np.roll(index, -1, axis=1)[1:]
    sides = np.concatenate([np.stack([a, b, d], axis=-1).reshape(-1, 3), np.stack([a, d, c], axis=-1).reshape(-1, 3)])
    bottom = np.column_stack([np.roll(index[0], -1), index[0], np.full(k, r * k)])
    top = np.column_stack([index[-1], np.roll(index[-1], -1), np.full(k, r * k + 1)])
    points = np.concatenate([rings.reshape(-1, 3), rings[0].mean(axis=0)[None], rings[-1].mean(axis=0)[None]])
    faces = np.concatenate([sides, bottom, top])
    corners = points[faces] - points.mean(axis=0)
    if np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) < 0:
        faces = faces[:, ::-1]
    return Surface(points, np.ascontiguousarray(faces, dtype=np.int32))


def _cross_section(polygon_mm: ArrayLike) -> Any:
    from manifold3d import CrossSection, FillRule

    polygon = np.asarray(polygon_mm, dtype=float)
    if polygon.ndim != 2 or polygon.shape[0] < 3 or polygon.shape[1] != 2 or not np.isfinite(polygon).all():
        raise InputError(
            f"a polygon has shape {polygon.shape}, expected at least 3 finite points of 2 numbers. Correct the polygon."
        )
    return CrossSection([polygon], FillRule.NonZero)


def _filled(manifold: Any, name: str) -> Any:
    if manifold.is_empty():
        raise InputError(f"the {name} encloses nothing, expected a closed outline with an area. Correct its points.")
    return manifold


def _positive(name: str, *values: float) -> None:
    if not all(np.isfinite(v) and v > 0 for v in values):
        raise InputError(f"{name} is {[float(v) for v in values]} mm, expected more than 0. Correct the numbers.")


def union(*solids: Solid | Iterable[Solid]) -> Solid:
    """Everything that is in any of the solids."""
    from manifold3d import Manifold, OpType

    flat = [s for item in solids for s in ([item] if isinstance(item, Solid) else item)]
    return Solid(Manifold.batch_boolean([s._manifold for s in flat], OpType.Add))


def difference(a: Solid, *b: Solid) -> Solid:
    """What is in `a` and in none of the others."""
    from manifold3d import Manifold, OpType

    return Solid(Manifold.batch_boolean([a._manifold, *(s._manifold for s in b)], OpType.Subtract))


def intersection(a: Solid, *b: Solid) -> Solid:
    """What is in all of the solids."""
    from manifold3d import Manifold, OpType

    return Solid(Manifold.batch_boolean([a._manifold, *(s._manifold for s in b)], OpType.Intersect))


def hull(*solids: Solid) -> Solid:
    """The least convex solid that holds all of the solids."""
    from manifold3d import Manifold

    return Solid(Manifold.batch_hull([s._manifold for s in solids]))


box, cylinder, frustum, sphere = Solid.box, Solid.cylinder, Solid.frustum, Solid.sphere
revolved, extruded, loft = Solid.revolved, Solid.extruded, Solid.loft
