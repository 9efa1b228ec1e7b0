"""The figures of planning as SVG: the CT's greys by address, what is drawn into them, and the grips one takes hold of.

A figure carries its scale and its plane, so that the page's script knows what a move of the pointer is in millimetres.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.reformat import ArchCurve
from kerfmark.records import FloatArray, Reading, SectionPlane
from kerfmark.reports.canvas import CHAIN, CHAIN_DOUBLE, num, path, said, scale_bar, text
from kerfmark.reports.sections.planes import way_words
from kerfmark.reports.tokens import painted
from kerfmark.web.planning.desk import APART_MM, AXIS_MM, GAP_MM, STRIP_MM, Desk
from kerfmark.web.planning.outlines import in_plane, rod_outline
from kerfmark.web.planning.state import PlanState, in_frame

__all__ = ["Figures", "figures_of", "plane_from"]

ABOVE_PX, ABOVE_TALLEST_PX = 820.0, 520.0
ALONG_PX, ALONG_TALLEST_PX = 820.0, 380.0
STRIP_PX: Final = 820.0
AXIS_PX: Final = 260.0
HEAD_PX, FOOT_PX = 18.0, 18.0
REACHED_PX: Final = 20.0
BAR_IN_PX: Final = 10.0
NEAR_PLANE_MM: Final = 1.5
STYLES: Final = {"canal": {"stroke_dasharray": CHAIN_DOUBLE}, "sinus": {"stroke_dasharray": CHAIN_DOUBLE}}

Say = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Figures:
    """Drawings ready for the page; all but `above` are empty until an arch is drawn."""

    above: str
    along: str
    strip: str
    facial: str
    mesial: str


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A plane of the jaw on a figure: `scale` px a mm, `left` and `top` mm at the picture's corner."""

    plane: SectionPlane
    scale: float
    left: float
    top: float
    x: float = 0.0
    y: float = HEAD_PX

    def px(self, flat: FloatArray) -> FloatArray:
        """Points (n, 2) across and up, mm, as pixels."""
        return np.asarray((flat - [self.left, self.top]) * [self.scale, -self.scale] + [self.x, self.y])

    def spot(self, point: FloatArray) -> tuple[float, float]:
        """A point of the jaw as a pixel."""
        x, y = self.px(in_plane(self.plane, point[None]))[0].tolist()
        return x, y


def figures_of(desk: Desk, state: PlanState, *, address: str, readings: Sequence[Reading], say: Say) -> Figures:
    """Every figure of a state.

    Parameters
    ----------
    desk : Desk
    state : PlanState
    address : str
        Where pictures are fetched: a path, to which a query is added.
    readings : sequence of Reading
        Of the implant as it stands; their shortest ways are drawn where a section holds them.
    say : callable
        English words → the reader's.
    """
    above, curve = _above(desk, state, address, say), desk.curve(state)
    if curve is None:
        return Figures(above, "", "", "", "")
    planes = desk.axis_planes(state)
    facial, mesial = (_axis(desk, state, plane, address, readings, say) for plane in planes.values())
    return Figures(above, _along(desk, state, curve, address, say), _strip(desk, state, address, say), facial, mesial)


def plane_query(plane: SectionPlane, *, width_mm: float, above_mm: float, below_mm: float) -> str:
    """A plane and how much of it, as a query; `plane_from` reads it back."""
    vectors = zip("oau", (plane.origin_mm, plane.across, plane.up), strict=True)
    parts = [f"{name}={','.join(f'{v:.4f}' for v in vector)}" for name, vector in vectors]
    return "&amp;".join(["kind=plane", *parts, f"w={width_mm:.3f}", f"t={above_mm:.3f}", f"b={below_mm:.3f}"])


def plane_from(o: str, a: str, u: str) -> SectionPlane | None:
    """The plane of a query; None where the numbers make none."""
    try:
        origin, across, up = (np.array([float(v) for v in part.split(",")]) for part in (o, a, u))
    except ValueError:
        return None
    vectors = np.array([origin, across, up]) if origin.shape == across.shape == up.shape == (3,) else np.array([np.nan])
    if not np.isfinite(vectors).all() or np.abs(vectors).max() > 1e4:
        return None
    square = abs(float(across @ up)) < 1e-3 and np.allclose(
        [np.linalg.norm(across), np.linalg.norm(up)], 1.0, atol=1e-2
    )
    return SectionPlane("asked", origin, across, up) if square else None


def _above(desk: Desk, state: PlanState, address: str, say: Say) -> str:
    low, high = desk.window
    wide, tall = (high - low)[:2].tolist()
    scale = min(ABOVE_PX / wide, ABOVE_TALLEST_PX / tall)
    plane = desk.above_plane(state.level_mm)
    sheet = _Sheet(plane, scale, -0.5 * wide, 0.5 * tall)
    query = plane_query(plane, width_mm=wide, above_mm=0.5 * tall, below_mm=0.5 * tall)
    body = _picture(desk, sheet, f"{address}?{query}", wide, tall)
    curve, plan = desk.curve(state), state.plan(desk.mesial_sign)
    lines = _cuts(desk, sheet)
    if curve is not None:
        lines += _rimmed([sheet.px(in_plane(plane, curve.points_mm[::4]))], wide=1.1)
        lines += "".join(_tick(sheet, curve, way, state.at_mm) for way, _plane in desk.across_planes(state))
    if plan is not None:
        rod = Cylinder(plan.entry_mm, plan.apex_mm, 0.5 * plan.diameter_mm)
        lines += _rimmed([sheet.px(in_plane(plane, np.array([rod.entry_mm, rod.apex_mm])))], wide=0.9, dash=CHAIN)
        lines += _rod(sheet, rod)
    body += _clipped(sheet, scale * wide, scale * tall, 0, lines)
    for k, point in enumerate(in_frame(list(state.arch), desk.mesial_sign)):
        body += _grip(*sheet.spot(point), "arch", say("Point {n} of the arch").format(n=k + 1), square=True, index=k)
    if plan is not None:
        body += _grip(*sheet.spot(plan.entry_mm), "entry", say("Platform, seen from above"))
    height = scale * tall
    body += _ends(plane, desk, scale * wide, height, say)
    return _figure(
        scale * wide, height + HEAD_PX + FOOT_PX, body, "above", sheet, say("From above: the arch and the implant")
    )


def _axis(
    desk: Desk, state: PlanState, plane: SectionPlane, address: str, readings: Sequence[Reading], say: Say
) -> str:
    low, high = float(desk.window[0][2]), float(desk.window[1][2])
    scale = AXIS_PX / AXIS_MM
    sheet = _Sheet(plane, scale, -0.5 * AXIS_MM, high)
    query = plane_query(plane, width_mm=AXIS_MM, above_mm=high, below_mm=-low)
    tall = high - low
    body, lines = _picture(desk, sheet, f"{address}?{query}", AXIS_MM, tall), _cuts(desk, sheet)
    plan = state.plan(desk.mesial_sign)
    if plan is not None:
        rod = Cylinder(plan.entry_mm, plan.apex_mm, 0.5 * plan.diameter_mm)
        ends = np.array([rod.entry_mm - 4.0 * rod.way, rod.apex_mm + 1.5 * rod.way])
        lines += _rimmed([sheet.px(in_plane(plane, ends))], wide=0.9, dash=CHAIN) + _rod(sheet, rod)
        lines += "".join(_shortest(sheet, reading) for reading in readings)
    body += _clipped(sheet, AXIS_PX, scale * tall, 0, lines)
    if plan is not None:
        body += _grip(*sheet.spot(plan.entry_mm), "entry", say("Platform: moves the implant"))
        body += _grip(*sheet.spot(plan.apex_mm), "apex", say("Apex: tilts the implant about its platform"), hollow=True)
    body += _ends(plane, desk, AXIS_PX, scale * tall, say)
    words = {"facial": "Through the axis, across the arch", "mesial": "Through the axis, along the arch"}[plane.name]
    return _figure(AXIS_PX, scale * tall + HEAD_PX + FOOT_PX, body, plane.name, sheet, say(words))


def _strip(desk: Desk, state: PlanState, address: str, say: Say) -> str:
    places = desk.across_planes(state)
    low, high = float(desk.window[0][2]), float(desk.window[1][2])
    columns, gap = len(np.arange(-0.5 * STRIP_MM, 0.5 * STRIP_MM + 1e-9, desk.pixel_mm)), round(GAP_MM / desk.pixel_mm)
    step = (columns + gap) * desk.pixel_mm
    full = 7 * step - gap * desk.pixel_mm
    scale = STRIP_PX / full
    wide = (len(places) * (columns + gap) - gap) * desk.pixel_mm
    query = f"kind=strip&amp;{_escaped(state)}&amp;at={state.at_mm:g}"
    first = _Sheet(desk.above_plane(0.0), scale, -0.5 * desk.pixel_mm, high)
    body = _image(f"{address}?{query}", first, 0.0, wide, high - low, desk.pixel_mm)
    plan = state.plan(desk.mesial_sign)
    height = scale * (high - low)
    for k, (way, plane) in enumerate(places):
        sheet = _Sheet(plane, scale, -0.5 * STRIP_MM - 0.5 * desk.pixel_mm, high, x=scale * k * step)
        body += _clipped(sheet, scale * columns * desk.pixel_mm, height, k, _in_strip(desk, sheet, plan))
        middle = sheet.x + 0.5 * scale * columns * desk.pixel_mm
        here = abs(way - state.at_mm) < 1e-6
        words = say("here") if here else f"{way - state.at_mm:+g}".replace("-", "−")
        body += text(
            middle, 12, words, size=11, anchor="middle", fill="@ink" if here else "@ink2", weight=500 if here else 400
        )
        ends = [say(way_words(d, mesial_sign=desk.mesial_sign)) for d in (-plane.across, plane.across)]
        body += text(sheet.x + 1, HEAD_PX + height + 13, ends[0][:1].upper(), size=11, fill="@ink3")
        body += text(
            2 * middle - sheet.x - 1, HEAD_PX + height + 13, ends[1][:1].upper(), size=11, anchor="end", fill="@ink3"
        )
    return _figure(
        STRIP_PX,
        height + HEAD_PX + FOOT_PX,
        body,
        "strip",
        first,
        say("Across the arch, {n} mm apart").format(n=f"{APART_MM:g}"),
    )


def _in_strip(desk: Desk, sheet: _Sheet, plan: object) -> str:
    body = _cuts(desk, sheet)
    if plan is None:
        return body
    return body + _rod(sheet, Cylinder(plan.entry_mm, plan.apex_mm, 0.5 * plan.diameter_mm))  # type: ignore[attr-defined]


def _along(desk: Desk, state: PlanState, curve: ArchCurve, address: str, say: Say) -> str:
    """The unrolled jaw: ways along the curve to the right, heights from the curve upwards."""
    above, below = desk.along_reach(curve)
    tall, wide = above + below, curve.length_mm
    scale = min(ALONG_PX / max(wide, 1.0), ALONG_TALLEST_PX / tall)
    sheet = _Sheet(desk.above_plane(0.0), scale, 0.0, above)
    body = _image(f"{address}?kind=along&amp;{_escaped(state)}", sheet, 0.0, wide, tall, desk.pixel_mm)
    drawn = []
    canal = desk.prepared.canal
    if canal is not None and desk.prepared.exercise.structures.canal is not None:
        radius = 0.5 * desk.prepared.exercise.structures.canal.diameter_mm
        middle = _unrolled(curve, _dense(canal))
        edges = [sheet.px(np.add(middle, [0.0, side])) for side in (radius, -radius) if len(middle)]
        drawn.append(_rimmed(edges, wide=1.1, dash=CHAIN_DOUBLE))
    plan = state.plan(desk.mesial_sign)
    if plan is not None:
        drawn.append(_rimmed([sheet.px(_unrolled_rod(curve, plan.entry_mm, plan.apex_mm, plan.diameter_mm))], wide=1.6))
    body += _clipped(sheet, scale * wide, scale * tall, 0, "".join(drawn))
    x = scale * state.at_mm
    body += _rimmed([np.array([[x, HEAD_PX - 4.0], [x, HEAD_PX + scale * tall + 4.0]])], wide=1.1, dash=CHAIN)
    body += _grip(x, HEAD_PX + 8.0, "at", say("Where one looks along the arch"), square=True)
    ends = curve.along[0] * -1.0, curve.along[-1]
    words = [say(way_words(d, mesial_sign=desk.mesial_sign)) for d in ends]
    body += text(0, 12, words[0], size=11, fill="@ink2") + text(
        scale * wide, 12, words[1], size=11, anchor="end", fill="@ink2"
    )
    return _figure(
        scale * wide, scale * tall + HEAD_PX + FOOT_PX, body, "along", sheet, say("Along the arch, unrolled")
    )


def _dense(line_mm: FloatArray) -> FloatArray:
    """The same line with points half a millimetre apart."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))]
    at = np.linspace(0.0, along[-1], max(2, int(2.0 * along[-1])))
    return np.column_stack([np.interp(at, along, line_mm[:, k]) for k in range(3)])


def _unrolled(curve: ArchCurve, line_mm: FloatArray) -> FloatArray:
    """Points (n, 2): way along the curve and height over it; what lies beyond its ends is left out."""
    places = [curve.at(curve.nearest_mm(point)) for point in line_mm]
    beside = [(k, p) for k, p in zip(places, line_mm, strict=True) if 0 < k < len(curve.points_mm) - 1]
    flat = [(curve.step_mm * k, float((p - curve.points_mm[k]) @ curve.up)) for k, p in beside]
    return np.array(flat).reshape(-1, 2)


def _unrolled_rod(curve: ArchCurve, entry: FloatArray, apex: FloatArray, diameter_mm: float) -> FloatArray:
    """An implant as it lies along the arch: a closed box (5, 2) about its axis."""
    ends = _unrolled(curve, np.array([entry, apex]))
    if len(ends) < 2:
        return np.empty((0, 2))
    way = (ends[1] - ends[0]) / max(float(np.linalg.norm(ends[1] - ends[0])), 1e-9)
    beside = 0.5 * diameter_mm * np.array([-way[1], way[0]])
    return np.array([ends[0] + beside, ends[1] + beside, ends[1] - beside, ends[0] - beside, ends[0] + beside])


def _escaped(state: PlanState) -> str:
    from kerfmark.web.planning.state import arch_text

    return f"arch={arch_text(state.arch)}"


def _picture(desk: Desk, sheet: _Sheet, href: str, width_mm: float, tall_mm: float) -> str:
    return _image(href, sheet, -0.5 * width_mm, width_mm, tall_mm, desk.pixel_mm)


def _image(href: str, sheet: _Sheet, left_mm: float, width_mm: float, tall_mm: float, pixel_mm: float) -> str:
    """A picture put where its pixels lie: its outermost pixels' centres are the ends, so that it stands out by half a pixel."""
    columns, rows = int(width_mm / pixel_mm + 1e-9) + 1, int(tall_mm / pixel_mm + 1e-9) + 1
    x, y = sheet.px(np.array([left_mm - 0.5 * pixel_mm, sheet.top + 0.5 * pixel_mm])).tolist()
    size = [num(sheet.scale * pixel_mm * n) for n in (columns, rows)]
    return f'<image href="{href}" x="{num(x)}" y="{num(y)}" width="{size[0]}" height="{size[1]}" preserveAspectRatio="none"/>'


def _cuts(desk: Desk, sheet: _Sheet) -> str:
    """The structures' outlines, which stay as they are while the implant moves."""
    plane = sheet.plane
    key = np.concatenate([plane.origin_mm, plane.across, plane.up]).round(4).tobytes()
    drawn: str = desk.kept((key, sheet.scale, sheet.left, sheet.top, sheet.x), lambda: _cut_outlines(desk, sheet))
    return drawn


def _cut_outlines(desk: Desk, sheet: _Sheet) -> str:
    found = desk.cuts(sheet.plane)
    body = ""
    for kind in dict.fromkeys(kind for kind, _curve in found):
        curves = [sheet.px(in_plane(sheet.plane, curve)) for k, curve in found if k == kind]
        body += _rimmed(curves, wide=1.0, dash=STYLES.get(kind, {}).get("stroke_dasharray"))
    return body


def _rod(sheet: _Sheet, rod: Cylinder) -> str:
    outline = rod_outline(rod, sheet.plane)
    return _rimmed([sheet.px(outline)], wide=1.6) if len(outline) else ""


def _shortest(sheet: _Sheet, reading: Reading) -> str:
    """The shortest way of a clearance, with its value, where the section holds it."""
    if reading.witness is None or reading.value is None or not len(reading.witness.segments_mm) or reading.unit != "mm":
        return ""
    ends = reading.witness.segments_mm[0]
    normal = np.cross(sheet.plane.across, sheet.plane.up)
    if np.abs((ends - sheet.plane.origin_mm) @ normal).max() > NEAR_PLANE_MM:
        return ""
    a, b = sheet.px(in_plane(sheet.plane, ends))
    x, y = (0.5 * (a + b)).tolist()
    shown = f"{reading.value:.1f}".replace("-", "−")
    return _rimmed([np.array([a, b])], wide=1.1) + text(x + 5.0, y - 3.0, shown, size=12, weight=500, halo=True)


def _tick(sheet: _Sheet, curve: ArchCurve, way: float, at_mm: float) -> str:
    """A cross-section's place: long where one looks."""
    place, here = curve.at(way), abs(way - at_mm) < 1e-6
    half = (7.5 if here else 2.0) * curve.across[place]
    ends = sheet.px(in_plane(sheet.plane, np.array([curve.points_mm[place] - half, curve.points_mm[place] + half])))
    return _rimmed([ends], wide=1.1 if here else 0.7, dash=CHAIN if here else None)


def _ends(plane: SectionPlane, desk: Desk, wide: float, tall: float, say: Say) -> str:
    """Which way is which at the picture's edges."""
    left, right = (say(way_words(d, mesial_sign=desk.mesial_sign)) for d in (-plane.across, plane.across))
    body = text(0, HEAD_PX + tall + 13, left, size=11, fill="@ink2")
    body += text(wide, HEAD_PX + tall + 13, right, size=11, anchor="end", fill="@ink2")
    up = way_words(plane.up, mesial_sign=desk.mesial_sign) if plane.name == "above" else "occlusal"
    return body + text(0.5 * wide, 12, say(up), size=11, anchor="middle", fill="@ink2")


def _grip(
    x: float, y: float, name: str, label: str, *, square: bool = False, hollow: bool = False, index: int | None = None
) -> str:
    """What one takes hold of: hollow, since people place it; 40 px to be reached by a finger."""
    at = "" if index is None else f' data-index="{index}"'
    shape = (
        f'<rect class="grip-body" x="{num(x - 5)}" y="{num(y - 5)}" width="10" height="10"'
        if square
        else f'<circle class="grip-body" cx="{num(x)}" cy="{num(y)}" r="{5 if hollow else 6}"'
    )
    return (
        f'<g class="grip" tabindex="0" role="button" data-grip="{name}"{at} aria-label="{said(label)}">'
        f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(REACHED_PX)}" fill="transparent"/>'
        f'{shape} fill="@sheet" stroke="@ink" stroke-width="1.6"/></g>'
    )


def _rimmed(curves: list[FloatArray], *, wide: float, dash: str | None = None) -> str:
    """Lines with a sheet-coloured rim, so that they read on any grey."""
    if not curves:
        return ""
    rim = path(curves, stroke="@sheet", stroke_width=wide + 1.8, stroke_opacity=0.7)
    return rim + path(curves, stroke="@ink", stroke_width=wide, stroke_dasharray=dash)


def _clipped(sheet: _Sheet, wide: float, tall: float, k: int, body: str) -> str:
    """Lines kept within their own picture."""
    return (
        f'<svg class="within" x="{num(sheet.x)}" y="{num(HEAD_PX)}" width="{num(wide)}" height="{num(tall)}" '
        f'viewBox="{num(sheet.x)} {num(HEAD_PX)} {num(wide)} {num(tall)}" data-place="{k}">{body}</svg>'
    )


def _figure(wide: float, tall: float, body: str, name: str, sheet: _Sheet, label: str) -> str:
    vectors = {
        key: ",".join(f"{v:.6f}" for v in vector)
        for key, vector in (("across", sheet.plane.across), ("up", sheet.plane.up), ("origin", sheet.plane.origin_mm))
    }
    told = "".join(f' data-{key}="{value}"' for key, value in vectors.items())
    told += f' data-scale="{sheet.scale:.5f}" data-left="{sheet.left:.4f}" data-top="{sheet.top:.4f}" data-head="{HEAD_PX:g}"'
    bar = scale_bar(wide - BAR_IN_PX, tall - FOOT_PX - BAR_IN_PX, sheet.scale)
    return painted(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {num(wide)} {num(tall)}" width="{num(wide)}" height="{num(tall)}" '
        f'class="plan-figure" data-figure="{name}"{told} font-family="@font" role="group" aria-label="{said(label)}">{body}'
        f'<g class="scale" pointer-events="none">{bar}</g></svg>',
        for_page=True,
    )
