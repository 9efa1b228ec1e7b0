"""The walls: the crown from neck to table and the root trunk (or the only root) below it, as sections along the long axis.

Everything here is in the *building frame*: mesial on +x, facial on +y, z = 0 at the facial crest of the cervical line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.anatomy.form.curves import monotone, rounded_end, smooth_step, softened
from kerfmark.anatomy.form.tables import Dimensions, Outline, Shape, Side, WallGroove
from kerfmark.records import FloatArray

__all__ = ["Body", "cervical_levels", "make_body"]

STEP_MM = 0.125
ANGLES = 360
MARGIN_MM = 1.5
LEDGE_MM, LEDGE_RISE_MM, LEDGE_REACH_MM = 0.03, 0.18, 0.9
"""How far enamel stands out over the root at the cervical line, over what height it does so, and how far it is felt."""


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Sections along z: `sections` (nz, 5) of centre x, centre y, half x, half y, shear; `radius` (nz, angles) in half widths."""

    z_mm: FloatArray
    sections: FloatArray
    radius: FloatArray
    box_mm: FloatArray  # distal, mesial, lingual, facial reach of the crown at its heights of contour

    def at(self, fractions: FloatArray) -> FloatArray:
        """Places of the contour box, ±1 at its sides, in mm."""
        x0, x1, y0, y1 = self.box_mm
        u = np.asarray(fractions, dtype=float)
        return np.stack([(x0 + x1) / 2 + u[..., 0] * (x1 - x0) / 2, (y0 + y1) / 2 + u[..., 1] * (y1 - y0) / 2], axis=-1)

    def wall_point(self, z_mm: float, azimuth_deg: float) -> FloatArray:
        """The point of the wall at a level and an azimuth of the section there."""
        section = np.array([np.interp(z_mm, self.z_mm, column) for column in self.sections.T])
        cells = np.interp(z_mm, self.z_mm, np.arange(len(self.z_mm)))
        lower, t = int(min(cells, len(self.z_mm) - 2)), cells - int(min(cells, len(self.z_mm) - 2))
        row = self.radius[lower] * (1 - t) + self.radius[lower + 1] * t
        r = np.interp(azimuth_deg % 360.0, np.arange(ANGLES + 1) * (360.0 / ANGLES), np.append(row, row[0]))
        x = section[2] * r * np.sin(np.radians(azimuth_deg))
        return np.array(
            [section[0] + x, section[1] + section[3] * r * np.cos(np.radians(azimuth_deg)) + section[4] * x, z_mm]
        )


def cervical_levels(azimuth: FloatArray, sizes: Dimensions, shape: Shape) -> FloatArray:
    """Height of the cervical line by azimuth (radians, facial towards mesial)."""
    sin, cos = np.sin(azimuth), np.cos(azimuth)
    rise = np.where(sin >= 0, sizes.curve_mesial, sizes.curve_distal) * np.abs(sin) ** 2.4
    return np.asarray(rise + shape.lingual_rise * np.where(cos < 0, cos**2, 0.0))


def outline_radius(outline: Outline) -> FloatArray:
    """Radius over `ANGLES` equal angles from facial towards mesial, in half widths: its bounding box is ±1 by ±1."""
    phi = np.linspace(0.0, 2 * np.pi, 4 * ANGLES, endpoint=False)
    sin, cos = np.sin(phi), np.cos(phi)
    corners = np.where(cos >= 0, np.where(sin >= 0, outline.mesiofacial, outline.distofacial),
                       np.where(sin >= 0, outline.mesiolingual, outline.distolingual))  # fmt: skip
    u, v = np.sign(sin) * np.abs(sin) ** (2 / corners), np.sign(cos) * np.abs(cos) ** (2 / corners)
    u = u * (1 - outline.taper * (1 - v) / 2) + outline.skew * v
    u, v = (2 * w - w.max() - w.min() for w in (u, v))
    u, v = u / u.max(), v / v.max()
    return _radius_over_angle(u, v)


def _radius_over_angle(u: FloatArray, v: FloatArray) -> FloatArray:
    angle = np.arctan2(u, v) % (2 * np.pi)
    order = np.argsort(angle)
    return np.asarray(np.interp(_angles(), angle[order], np.hypot(u, v)[order], period=2 * np.pi))


def side_curve(z: FloatArray, side: Side, *, neck: tuple[float, float], reach: float, crown: float) -> FloatArray:
    """How far one side stands out above the neck, mm: through (level, half width) of the neck and out to `reach`."""
    points = [neck, (side.contour * crown, reach)]
    points += [(h * crown, reach - inset) for h, inset in (*side.below, *side.above)]
    curve = softened(monotone(points, z), 0.3 / STEP_MM)
    return np.asarray(curve + (reach - curve.max()))


def _root_curve(
    z: FloatArray, neck: tuple[float, float], widths: tuple[tuple[float, float], ...], root: float
) -> FloatArray:
    level, half = neck
    length = root + level
    return monotone([(level - t * length, half * share) for t, share in widths], z) * rounded_end((level - z) / length)


def _silhouette(
    z: FloatArray,
    side: Side,
    *,
    neck: tuple[float, float],
    reach: float,
    widths: tuple[tuple[float, float], ...],
    sizes: Dimensions,
) -> FloatArray:
    """One side from apex to top. Softening lifts the hollow at the neck, so the neck is set lower until it comes out right."""
    level, half = neck
    aim = half
    for _ in range(3):
        crown = side_curve(z, side, neck=(level, aim), reach=reach, crown=sizes.crown)
        root = _root_curve(z, (level, aim), widths, sizes.root)
        stand = softened(np.where(z < level, root, crown), 0.45 / STEP_MM)
        stand += reach - stand.max()
        aim += half - float(np.interp(level, z, stand))
    return stand


def make_body(sizes: Dimensions, shape: Shape) -> Body:
    """Sections and outline radii of one tooth from its sizes and shape."""
    z = np.arange(-sizes.root - MARGIN_MM, sizes.crown + MARGIN_MM, STEP_MM)
    levels = {"facial": 0.0, "lingual": shape.lingual_rise, "mesial": sizes.curve_mesial, "distal": sizes.curve_distal}
    spread = {
        "facial": shape.facial_share * (sizes.bl - sizes.bl_neck),
        "mesial": shape.mesial_share * (sizes.md - sizes.md_neck),
    }
    spread |= {
        "lingual": sizes.bl - sizes.bl_neck - spread["facial"],
        "distal": sizes.md - sizes.md_neck - spread["mesial"],
    }
    stand, reach = {}, {}
    for name, side in (
        ("facial", shape.facial),
        ("lingual", shape.lingual),
        ("mesial", shape.mesial),
        ("distal", shape.distal),
    ):
        half = (sizes.bl_neck if name in ("facial", "lingual") else sizes.md_neck) / 2
        reach[name] = half + spread[name]
        widths = shape.root_fl if name in ("facial", "lingual") else shape.root_md
        stand[name] = _silhouette(z, side, neck=(levels[name], half), reach=reach[name], widths=widths, sizes=sizes)
    sections = _sections(z, stand, shape, sizes)
    radius = _radius(z, sections, shape, sizes)
    return Body(z, sections, radius, np.array([-reach["distal"], reach["mesial"], -reach["lingual"], reach["facial"]]))


def _sections(z: FloatArray, stand: dict[str, FloatArray], shape: Shape, sizes: Dimensions) -> FloatArray:
    down = np.clip(-z / sizes.root, 0.0, 1.2)
    bend = down**2 * (np.array(shape.apex)[:, None])
    half_x, half_y = (stand["mesial"] + stand["distal"]) / 2, (stand["facial"] + stand["lingual"]) / 2
    shear = -np.tan(np.radians(shape.twist)) * smooth_step(z / sizes.crown)
    centre_x, centre_y = (
        (stand["mesial"] - stand["distal"]) / 2 + bend[0],
        (stand["facial"] - stand["lingual"]) / 2 + bend[1],
    )
    return np.stack([centre_x, centre_y, np.maximum(half_x, 0.12), np.maximum(half_y, 0.12), shear], axis=1)


def _radius(z: FloatArray, sections: FloatArray, shape: Shape, sizes: Dimensions) -> FloatArray:
    level = z / sizes.crown
    contour, end = shape.levels or (np.mean([side.contour for side in shape.sides]), 1.0)
    to_contour = smooth_step(level / contour)[:, None]
    to_top = smooth_step((level - contour) / (end - contour))[:, None]
    neck, middle, top = (outline_radius(o) for o in (shape.neck, shape.contour, shape.top))
    radius = neck * (1 - to_contour) + (middle * (1 - to_top) + top * to_top) * to_contour
    radius = _boxed(radius)
    for wall in shape.walls:
        radius = radius - _wall_depth(z, radius, sections, wall, sizes)
    return np.ascontiguousarray(_boxed(radius) + _ledge(z, sections, shape, sizes))


def _ledge(z: FloatArray, sections: FloatArray, shape: Shape, sizes: Dimensions) -> FloatArray:
    """The edge of the enamel: a little out above the cervical line, a little in below it, nothing on it."""
    over = z[:, None] - cervical_levels(_angles(), sizes, shape)[None, :]
    return LEDGE_MM * np.tanh(over / LEDGE_RISE_MM) * np.exp(-((over / LEDGE_REACH_MM) ** 2)) / _widths(sections)


def _widths(sections: FloatArray) -> FloatArray:
    """What one unit of the outline radius is by level and angle, mm."""
    return np.hypot(sections[:, 2:3] * np.sin(_angles()), sections[:, 3:4] * np.cos(_angles()))


def _angles() -> FloatArray:
    return np.arange(ANGLES, dtype=np.float64) * (2 * np.pi / ANGLES)


def _boxed(radius: FloatArray) -> FloatArray:
    """Each row stretched so that its bounding box is again ±1 by ±1."""
    rows = []
    for row in radius:
        u, v = row * np.sin(_angles()), row * np.cos(_angles())
        u, v = (2 * w - w.max() - w.min() for w in (u, v))
        rows.append(_radius_over_angle(u / u.max(), v / v.max()))
    return np.array(rows)


def _wall_depth(
    z: FloatArray, radius: FloatArray, sections: FloatArray, wall: WallGroove, sizes: Dimensions
) -> FloatArray:
    level = np.where(z >= 0, z / sizes.crown, z / sizes.root)
    scale = _widths(sections)
    turn = np.radians(wall.azimuth + wall.lean * level)[:, None]
    away = (_angles()[None, :] - turn + np.pi) % (2 * np.pi) - np.pi
    aside = np.abs(away * scale * radius / wall.width)
    first = wall.span[0] + wall.bow * np.minimum(aside, 1.5) ** 2
    along = smooth_step((level[:, None] - first) / wall.soft + 0.5) * smooth_step(
        (wall.span[1] - level[:, None]) / wall.soft + 0.5
    )
    return wall.depth * along * np.exp(-(aside**wall.flat)) / scale
