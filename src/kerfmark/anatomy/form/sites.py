"""Named places and lines of a tooth, taken from the numbers it was built from and set on its surface."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.form.body import Body, cervical_levels
from kerfmark.anatomy.form.curves import along_path
from kerfmark.anatomy.form.tables import Dimensions, Shape
from kerfmark.records import FloatArray

__all__ = ["NamedSite", "cervical_line", "lines_of", "sites_of"]

Field = Callable[[FloatArray], FloatArray]
LINE_SAMPLES = 120


@dataclass(frozen=True, slots=True, eq=False)
class NamedSite:
    """A named place on a tooth: its role in exercises and its point on the surface, tooth frame, mm."""

    name: str
    role: str
    point_mm: FloatArray


def cervical_line(body: Body, sizes: Dimensions, shape: Shape, field: Field) -> FloatArray:
    """The closed cervical line in the building frame: level by azimuth, then set on the surface; (k, 3)."""
    azimuth = np.linspace(0.0, 360.0, LINE_SAMPLES, endpoint=False)
    level = cervical_levels(np.radians(azimuth), sizes, shape)
    points = np.array([body.wall_point(z, a) for z, a in zip(level, azimuth, strict=True)])
    return _onto_wall(points, field)


def _onto_wall(points: FloatArray, field: Field) -> FloatArray:
    """Points moved level by level along the horizontal gradient until the field is zero."""
    step = 1e-3
    for _ in range(8):
        value = field(points)
        slope = np.stack([(field(points + d) - field(points - d)) / (2 * step) for d in np.eye(3)[:2] * step], axis=1)
        points = points.copy()
        points[:, :2] -= (value / np.maximum((slope**2).sum(axis=1), 0.05))[:, None] * slope
    return points


def _onto_table(xy: FloatArray, field: Field, *, top_mm: float) -> FloatArray:
    """The topmost surface point above each (x, y): down in steps of 0.1 mm, then bisection. NaN beside the crown."""
    levels = top_mm + 0.3 - 0.1 * np.arange(60)
    columns = np.concatenate([np.repeat(xy, len(levels), axis=0), np.tile(levels, len(xy))[:, None]], axis=1)
    inside = field(columns).reshape(len(xy), -1) < 0
    first = np.argmax(inside, axis=1)
    xy = np.where(inside.any(axis=1, keepdims=True), xy, np.nan)
    low, high = levels[first], levels[first] + 0.1
    for _ in range(20):
        middle = (low + high) / 2
        below = field(np.column_stack([np.nan_to_num(xy), middle])) < 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.column_stack([xy, low])


def _table_rows(shape: Shape) -> list[tuple[str, str, tuple[float, float]]]:
    rows = [(c.name, c.role, c.at) for c in shape.cusps]
    rows += [(p.name, "fossa", p.at) for p in shape.pits]
    for ridge in shape.ridges:
        middle = ridge.path[len(ridge.path) // 2]
        rows.append(
            (
                ridge.name,
                "incisal_edge" if "edge" in ridge.name else "marginal_ridge" if "marginal" in ridge.name else "ridge",
                middle[:2],
            )
        )
    for groove in shape.grooves:
        middle = tuple(along_path(groove.path, 3)[1])
        rows.append((groove.name, groove.name.replace(" ", "_"), (float(middle[0]), float(middle[1]))))
    rows += [(name, role, (x, y)) for name, (role, x, y) in shape.places.items()]
    return rows


def _wall_rows(sizes: Dimensions, shape: Shape) -> list[tuple[str, str, float, float]]:
    rows = [(f"{name} height of contour", "height_of_contour", side.contour * sizes.crown, azimuth)
            for name, side, azimuth in (("facial", shape.facial, 0.0), ("lingual", shape.lingual, 180.0))]  # fmt: skip
    rows += [("mesial contact", "contact", shape.mesial.contour * sizes.crown, 90.0 - shape.contacts[0])]
    rows += [("distal contact", "contact", shape.distal.contour * sizes.crown, 270.0 + shape.contacts[1])]
    for wall in shape.walls:
        level = (wall.span[0] + min(wall.span[1], 1.0)) / 2
        rows.append(
            (
                wall.name,
                wall.name.replace(" ", "_"),
                level * (sizes.crown if level > 0 else sizes.root),
                wall.azimuth + wall.lean * level,
            )
        )
    return rows


def sites_of(
    body: Body, sizes: Dimensions, shape: Shape, roots: FloatArray, shift_mm: FloatArray, field: Field
) -> dict[str, NamedSite]:
    """Every named place of a tooth, mesial on +x, tooth frame."""
    table = _table_rows(shape)
    on_table = _onto_table(
        body.at(np.array([at for _, _, at in table])) - shift_mm[:2], field, top_mm=sizes.crown - shift_mm[2]
    )
    found = {name: NamedSite(name, role, point) for (name, role, _), point in zip(table, on_table, strict=True)}
    walls = _wall_rows(sizes, shape)
    on_wall = _onto_wall(np.array([body.wall_point(z, a) for _, _, z, a in walls]) - shift_mm, field)
    found |= {name: NamedSite(name, role, point) for (name, role, _, _), point in zip(walls, on_wall, strict=True)}
    return found | _apices(body, sizes, shape, roots, shift_mm)


def _apices(
    body: Body, sizes: Dimensions, shape: Shape, roots: FloatArray, shift_mm: FloatArray
) -> dict[str, NamedSite]:
    if not shape.roots:
        centre = [float(np.interp(-sizes.root, body.z_mm, body.sections[:, axis])) for axis in (0, 1)]
        return {"apex": NamedSite("apex", "apex", np.array([*centre, -sizes.root]) - shift_mm)}
    found = {}
    for root, table in zip(shape.roots, roots, strict=True):
        level = -(sizes.root - root.shorter)
        centre = [float(np.interp(level, body.z_mm, table[:, axis])) for axis in (0, 1)]
        found[f"{root.name} apex"] = NamedSite(f"{root.name} apex", "apex", np.array([*centre, level]) - shift_mm)
    return found


def lines_of(body: Body, sizes: Dimensions, shape: Shape, shift_mm: FloatArray, field: Field) -> dict[str, FloatArray]:
    """The cervical line, grooves and ridges, mesial on +x, tooth frame."""
    found = {"cervical line": cervical_line(body, sizes, shape, lambda p: field(p - shift_mm)) - shift_mm}
    paths = {g.name: g.path for g in shape.grooves} | {r.name: tuple(p[:2] for p in r.path) for r in shape.ridges}
    if not paths:
        return found
    placed = [along_path(body.at(np.array(path)), 25) for path in paths.values()]
    points = _onto_table(np.concatenate(placed) - shift_mm[:2], field, top_mm=sizes.crown - shift_mm[2])
    lines = (line[~np.isnan(line[:, 0])] for line in np.split(points, len(paths)))
    return found | dict(zip(paths, lines, strict=True))
