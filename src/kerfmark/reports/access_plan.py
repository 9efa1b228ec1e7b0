"""An opened tooth seen along its access axis: outline planned, outline cut, what is left of the roof, the orifices."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.geometry.frames import transform_points
from kerfmark.measurement.access.opened import Opened
from kerfmark.records import Assessment, FloatArray, Reading
from kerfmark.reports.canvas import (
    CHAIN_DOUBLE,
    DASHED,
    NARROW,
    WIDE,
    circle,
    departure_patterns,
    line,
    path,
    path_data,
    svg,
    text,
)
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.contours import contour_chains
from kerfmark.reports.placement import Room
from kerfmark.reports.sections.dimensions import callout_svg
from kerfmark.reports.sections.needed import is_urgent
from kerfmark.reports.seen_along import opening_svg, silhouette

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["access_plan_svg"]

DRAWING_PX, HEAD_PX, KEY_PX = 320.0, 18.0, 16.0
BESIDE_MM = 0.5
CORRIDOR_MM = 0.25
"""So far either way of the planned outline the opening is drawn as on it."""
ABOVE_MM = -0.5
ORIFICE_MM = 0.25
FINE_DOTS: Final = "0.8 2.2"


def access_plan_svg(
    assessment: Assessment, prepared: Prepared, *, width: float, lines: Iterable[CriterionLine] = ()
) -> str:
    """The tooth as it is looked at along the access axis, with a key beside it.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    width : float, px
    lines : iterable of CriterionLine, optional
        The piece's criteria: outline and roof are pointed at where they were not met.

    Returns
    -------
    drawing : str
        Empty where the exercise is no access.
    """
    if prepared.outline is None or prepared.exercise.family != "access" or prepared.orifices is None:
        return ""
    case = Opened(assessment.piece, prepared)
    crown = _silhouette(case)
    # Turned half round: lingual up, as the view from above has it.
    low, high = -crown.max(axis=0) - BESIDE_MM, -crown.min(axis=0) + BESIDE_MM
    scale = DRAWING_PX / float(max(high - low))
    size = scale * (high - low)

    def px(points: FloatArray) -> FloatArray:
        flat = -np.asarray(points, dtype=float)[:, :2]
        return np.asarray((flat - [low[0], high[1]]) * [scale, -scale] + [0.0, HEAD_PX])

    by_id = {reading.id: reading for reading in assessment.readings if reading.where is None}
    body = f"<defs>{departure_patterns('access')}</defs>" + _grid(-high, -low, px)
    body += path(px(crown), closed=True, stroke="@ink2", stroke_width=NARROW, stroke_dasharray=CHAIN_DOUBLE)
    body += _chamber(case, px) + _opening(case, px, scale) + _roof(case, by_id.get("access.roof_left_mm2"), px, scale)
    body += _orifices(case, px, scale) + _sides(prepared.mesial_sign, size)
    height = HEAD_PX + float(size[1]) + 4.0
    body += _callouts(case, lines, px, Room(float(size[0]), height))
    said = (
        "The tooth seen along the access axis: outline planned, outline cut, roof left, orifices by number; grid 1 mm"
    )
    return svg(width, height, body + _key(float(size[0]) + 36.0, by_id), label=said)


def _callouts(case: Opened, lines: Iterable[CriterionLine], px: object, room: Room) -> str:
    """Balloon and value of outline and roof where they were not met: the outline where the cut lies farthest off the plan."""
    body = ""
    for criterion in lines:
        witness, spot = criterion.reading.witness, None
        if not is_urgent(criterion) or witness is None:
            continue
        if criterion.reading.id == "access.outline_overlap" and case.along.opening is not None:
            cut, plan = case.along.opening, case.along.outline
            spot = cut[int(np.argmax(np.linalg.norm(cut[:, None] - plan[None], axis=2).min(axis=1)))]
        elif criterion.reading.id == "access.roof_left_mm2" and len(witness.points_mm):
            points = transform_points(case.into, witness.points_mm)[:, :2]
            spot = points[int(np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
        if spot is not None:
            body += callout_svg(criterion, px(spot[None])[0], room)  # type: ignore[operator]
    return body


def _silhouette(case: Opened) -> FloatArray:
    """The crown's outermost points round the axis (n, 2), frame of the access."""
    crown = case.subject.vertices_mm[case.subject.vertices_mm[:, 2] > ABOVE_MM]
    return silhouette(transform_points(case.into, crown)[:, :2])


def _grid(low: FloatArray, high: FloatArray, px: object) -> str:
    """Lines every millimetre, from the access axis."""
    data = ""
    for axis in (0, 1):
        for at in np.arange(np.ceil(low[axis]), high[axis]):
            ends = np.array([low, high], dtype=float)
            ends[:, axis] = at
            data += path_data(px(ends))  # type: ignore[operator]
    return path(data, stroke="@hair", stroke_width=NARROW)


def _chamber(case: Opened, px: object) -> str:
    """The chamber's border, hidden under the crown."""
    if case.pulp is None or not case.along.chamber.any():
        return ""
    lattice = case.along.lattice
    mask = case.along.chamber.reshape(lattice.nx, lattice.ny).astype(np.float32)
    rings = contour_chains(np.pad(mask, 1), 0.5, tolerance=0.4)
    turned = [lattice.origin + lattice.spacing_mm * (ring[:, ::-1] - 1.0) for ring in rings]
    flat = [px(ring @ lattice.turn[:2, :2]) for ring in turned]  # type: ignore[operator]
    return path(flat, closed=True, stroke="@ink2", stroke_width=NARROW, stroke_dasharray=FINE_DOTS)


def _opening(case: Opened, px: object, scale: float) -> str:
    """The planned outline in its corridor, the opening as it was cut, and where it leaves the corridor, by side."""
    plan = path_data(px(case.along.outline), closed=True)  # type: ignore[operator]
    cut = "" if case.along.opening is None else path_data(px(case.along.opening), closed=True)  # type: ignore[operator]
    return opening_svg(plan, cut, key="access", corridor_px=CORRIDOR_MM * scale, dash=DASHED)


def _roof(case: Opened, reading: Reading | None, px: object, scale: float) -> str:
    """What is left of the roof, as squares that together have its area."""
    if reading is None or reading.witness is None or not reading.value or not len(reading.witness.points_mm):
        return ""
    spots = px(transform_points(case.into, reading.witness.points_mm))  # type: ignore[operator]
    side = scale * float(np.sqrt(reading.value / len(spots)))
    data = "".join(f"M{x - side / 2:.1f} {y - side / 2:.1f}h{side:.1f}v{side:.1f}h-{side:.1f}Z" for x, y in spots)
    return f'<path d="{data}" fill="url(#left-access)"/>'


def _orifices(case: Opened, px: object, scale: float) -> str:
    body = ""
    for number, (x, y) in enumerate(px(case.along.orifices), start=1):  # type: ignore[operator]
        body += circle(float(x), float(y), ORIFICE_MM * scale, fill="@sheet", stroke="@ink", stroke_width=1.1)
        away = ORIFICE_MM * scale + 4.0
        body += text(float(x) + away, float(y) + 4.0, number, size=12, weight=500, halo=True)
    return body


def _sides(mesial_sign: int, size: FloatArray) -> str:
    """Letters of the sides round the drawing."""
    width, height = float(size[0]), float(size[1])
    right, left = ("distal", "mesial") if mesial_sign > 0 else ("mesial", "distal")
    middle = HEAD_PX + 0.5 * height
    body = text(0.5 * width, 12.0, "lingual", size=11, anchor="middle", fill="@ink2")
    body += text(0.5 * width, HEAD_PX + height - 3.0, "buccal", size=11, anchor="middle", fill="@ink2", halo=True)
    body += text(2.0, middle, left, size=11, fill="@ink2", halo=True)
    return body + text(width - 2.0, middle, right, size=11, anchor="end", fill="@ink2", halo=True)


def _key(x: float, by_id: dict[str, Reading]) -> str:
    """What the lines and fills mean, with the area of the roof that is left."""
    roof = by_id.get("access.roof_left_mm2")
    area = (
        "" if roof is None or roof.value is None or roof.u is None else f": {roof.value:.2f} ± {2.0 * roof.u:.2f} mm²"
    )
    lines: tuple[tuple[dict[str, object], str], ...] = (
        ({"stroke_dasharray": DASHED, "stroke_width": 1.1}, f"outline planned, ± {CORRIDOR_MM:g} mm"),
        ({"stroke_width": WIDE}, "outline cut"),
        ({"stroke": "@ink2", "stroke_dasharray": FINE_DOTS}, "chamber below"),
        ({"stroke": "@ink2", "stroke_dasharray": CHAIN_DOUBLE}, "crown before cutting"),
    )
    body, y = "", HEAD_PX + 24.0
    for style, words in lines:
        body += line(x, y - 4.0, x + 30.0, y - 4.0, **style) + text(x + 40.0, y, words, size=12, fill="@ink2")
        y += KEY_PX + 6.0
    for side, words in (("left", f"material left: not opened, or roof{area}"), ("over", "cut beyond the plan")):
        fill = f'fill="url(#{side}-access)" stroke="@ink" stroke-width="0.5"'
        body += f'<rect x="{x + 4.0:g}" y="{y - 10.0:g}" width="22" height="12" {fill}/>'
        body += text(x + 40.0, y, words, size=12, fill="@ink2")
        y += KEY_PX + 6.0
    body += circle(x + 15.0, y - 4.0, 5.0, fill="@sheet", stroke="@ink", stroke_width=1.1)
    return body + text(x + 40.0, y, "orifices, by number", size=12, fill="@ink2")
