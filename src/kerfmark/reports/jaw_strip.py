"""Cross-sections of the CT along the arch, with plan, bed and canal drawn into them: where an implant stands in the jaw."""

from __future__ import annotations

from base64 import b64encode
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.reformat import ArchCurve, Picture, arch_curve, cross_section
from kerfmark.measurement.implant.bed import Bed
from kerfmark.measurement.implant.case import Case
from kerfmark.records import Assessment, FloatArray, SectionPlane, Volume
from kerfmark.reports.canvas import CHAIN_DOUBLE, DASHED, WIDE, line, path, scale_bar, svg, text, text_width
from kerfmark.reports.sections.cut_solids import rod_outline, tube_outline
from kerfmark.reports.sections.planes import way_words
from kerfmark.reports.view.render import png_of

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["jaw_strip_svg"]

PLACES: Final = 7
APART_MM: Final = 2.0
PIXEL_MM: Final = 0.2
WIDE_MM, TOP_MM, FOOT_MM = 15.0, 5.0, 23.0
UP: Final = np.array([0.0, 0.0, 1.0])
HEAD_PX, FOOT_PX, GAP_PX = 20.0, 40.0, 6.0
DARK_PART, LIGHT_PART = 2.0, 99.7
LOOKED_AT: Final = 400_000


def jaw_strip_svg(assessment: Assessment, prepared: Prepared, *, width: float) -> str:
    """Seven cross-sections, 2 mm apart along the arch, the middle one through the planned entry.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    width : float, px

    Returns
    -------
    drawing : str
        Empty where the exercise plans no implant or has no CT.
    """
    if prepared.implant is None or prepared.volume is None or prepared.exercise.subject.labels:
        return ""
    case = Case(assessment.piece, prepared)
    curve = _curve(prepared)
    middle = curve.nearest_mm(prepared.implant[0])
    places = [middle + APART_MM * (n - PLACES // 2) for n in range(PLACES)]
    each = (width - GAP_PX * (PLACES - 1)) / PLACES
    scale = each / WIDE_MM
    height = scale * (TOP_MM + FOOT_MM)
    greys = _grey_window(prepared.volume)
    body = "".join(
        _place(case, curve, along, n * (each + GAP_PX), scale=scale, offset_mm=along - middle, greys=greys)
        for n, along in enumerate(places)
        if -1e-6 <= along <= curve.length_mm + 1e-6
    )
    said = "Cross-sections of the CT square to the arch, 2 mm apart; the exercise's plan is dashed, what was handed in in full line"
    return svg(
        width,
        HEAD_PX + height + FOOT_PX,
        body
        + scale_bar(width - 8.0, HEAD_PX + height + 30.0, scale)
        + _key(HEAD_PX + height + 30.0, canal=prepared.canal is not None, own_plan=case.own_plan is not None),
        label=said,
    )


def _curve(prepared: Prepared) -> ArchCurve:
    """The curve drawn on the CT; where none is, straight from distal to mesial through the entry."""
    assert prepared.implant is not None
    if prepared.arch is not None:
        return arch_curve(prepared.arch, up=UP, step_mm=PIXEL_MM)
    entry, way = prepared.implant[0], np.array([float(prepared.mesial_sign), 0.0, 0.0])
    return arch_curve([entry - 12.0 * way, entry + 12.0 * way], up=UP, step_mm=PIXEL_MM)


def _grey_window(volume: Volume) -> tuple[float, float]:
    """Greys shown as darkest and lightest, the same in every section."""
    flat = volume.values.reshape(-1, order="A")
    low, high = np.percentile(flat[:: max(1, flat.size // LOOKED_AT)], [DARK_PART, LIGHT_PART])
    return float(low), max(float(high), float(low) + 1.0)


def _place(
    case: Case,
    curve: ArchCurve,
    along: float,
    left: float,
    *,
    scale: float,
    offset_mm: float,
    greys: tuple[float, float],
) -> str:
    """One cross-section with what is drawn into it, its buccal side on the left."""
    at = curve.at(along)
    place = curve.points_mm[at]
    above, below = TOP_MM - float(place[2]), FOOT_MM + float(place[2])
    flipped = bool(curve.across[at] @ case.facial > 0.0)
    picture = cross_section(case.prepared.volume, curve, along, width_mm=WIDE_MM, above_mm=above, below_mm=below)  # type: ignore[arg-type]
    if flipped:
        picture = Picture(picture.greys[:, ::-1], picture.pixel_mm)
    across = -curve.across[at] if flipped else curve.across[at]
    plane = SectionPlane("arch", np.array([place[0], place[1], 0.0]), across, curve.up)

    def px(points: FloatArray) -> FloatArray:
        return np.asarray(points * [scale, -scale] + [left + 0.5 * WIDE_MM * scale, HEAD_PX + TOP_MM * scale])

    width, height = WIDE_MM * scale, (TOP_MM + FOOT_MM) * scale
    data = b64encode(png_of(_grey(picture, *greys))).decode("ascii")
    body = f'<svg x="{left:.2f}" y="{HEAD_PX:g}" width="{width:.2f}" height="{height:.2f}">'
    body += f'<image width="{width:.2f}" height="{height:.2f}" preserveAspectRatio="none" href="data:image/png;base64,{data}"/></svg>'
    body += _drawn_in(case, plane, px)
    mesially = offset_mm * float(curve.along[at] @ case.mesial) > 0.0
    shown = f"{abs(offset_mm):g} mm {'mesial' if mesially else 'distal'}" if abs(offset_mm) > 0.01 else "at the entry"
    body += text(left + 0.5 * width, HEAD_PX - 6.0, shown, size=11, anchor="middle", fill="@ink2")
    ends = (
        way_words(-across, mesial_sign=case.prepared.mesial_sign),
        way_words(across, mesial_sign=case.prepared.mesial_sign),
    )
    return (
        body
        + text(left + 2.0, HEAD_PX + height + 12.0, ends[0][:1].upper(), size=11, fill="@ink3")
        + text(left + width - 2.0, HEAD_PX + height + 12.0, ends[1][:1].upper(), size=11, anchor="end", fill="@ink3")
    )


def _grey(picture: Picture, low: float, high: float) -> np.ndarray:
    """(rows, columns, 2) grey and opacity: dark is empty, light is dense; nothing where the CT ends."""
    known = np.isfinite(picture.greys)
    share = np.clip((np.nan_to_num(picture.greys, nan=low) - low) / (high - low), 0.0, 1.0)
    return np.stack([(30.0 + 215.0 * share).astype(np.uint8), np.where(known, 255, 0).astype(np.uint8)], axis=2)


def _drawn_in(case: Case, plane: SectionPlane, px: object) -> str:
    """Canal, plan and bed where the plane meets them, with a light rim so that they read on any grey."""
    window = (-0.5 * WIDE_MM, 0.5 * WIDE_MM, -FOOT_MM, TOP_MM)
    canal = case.prepared.exercise.structures.canal
    body = ""
    if canal is not None and case.prepared.canal is not None:
        body += _rimmed(
            tube_outline(case.prepared.canal, 0.5 * canal.diameter_mm, plane, window), px, dash=CHAIN_DOUBLE
        )
    body += _rimmed(rod_outline(case.plan, plane, window), px, dash=DASHED)
    other: Cylinder | None = case.bed.cylinder if isinstance(case.bed, Bed) else None
    if case.own_plan is not None:
        other = case.judged
    return body + ("" if other is None else _rimmed(rod_outline(other, plane, window), px, wide=WIDE))


def _rimmed(curves: list[FloatArray], px: object, *, dash: str | None = None, wide: float = 1.1) -> str:
    drawn = [px(curve) for curve in curves]  # type: ignore[operator]
    rim = path(drawn, stroke="@sheet", stroke_width=wide + 1.8, stroke_opacity=0.75)
    return rim + path(drawn, stroke="@ink", stroke_width=wide, stroke_dasharray=dash)


def _key(y: float, *, canal: bool, own_plan: bool) -> str:
    """What the lines mean."""
    body, x = "", 4.0
    lines = [(DASHED, 1.1, "plan of the exercise"), (None, WIDE, "plan handed in" if own_plan else "what was drilled")]
    for dash, wide, words in lines + ([(CHAIN_DOUBLE, 1.1, "canal")] if canal else []):
        body += line(x, y - 4.0, x + 30.0, y - 4.0, stroke_width=wide, stroke_dasharray=dash)
        body += text(x + 36.0, y, words, size=11, fill="@ink2")
        x += 60.0 + text_width(words, size=11)
    return body
