"""A whole section as a drawing, for the page (scale to fit) and for paper (a stated true scale)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from kerfmark.geometry.sections import section_curves
from kerfmark.records import Assessment, FloatArray, SectionPlane
from kerfmark.reports.canvas import (
    CHAIN,
    CHAIN_DOUBLE,
    DASHED,
    NARROW,
    WIDE,
    arrowhead,
    circle,
    departure_patterns,
    hatching,
    line,
    path,
    path_data,
    svg,
    text,
)
from kerfmark.reports.contents import CriterionLine, PieceContents
from kerfmark.reports.contours import length_of, simplified
from kerfmark.reports.placement import Box, Room, along
from kerfmark.reports.sections.cut_solids import planned_svg
from kerfmark.reports.sections.dimensions import Extent, Frame2, angle_svg, callout_svg, length_svg
from kerfmark.reports.sections.key import DECAY, NOT_SCANNED, decay_pattern
from kerfmark.reports.sections.needed import callout_spot, sections_planes, shown_segments
from kerfmark.reports.sections.opening import NAME as OPENING
from kerfmark.reports.sections.opening import Opening, across_opening, opening_of, opening_svg_of
from kerfmark.reports.sections.outlines import Outlines, outlines_of
from kerfmark.reports.sections.planes import (
    EXTRA_PLANES,
    end_words,
    flat,
    is_level,
    looking_words,
    title_of,
)

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["CSS_PX_PER_MM", "Section", "fitting_scale", "section_of", "sections_of"]

CSS_PX_PER_MM: Final = 96.0 / 25.4
TRUE_SCALES: Final = (10.0, 8.0, 6.0, 5.0, 4.0, 3.0, 2.5, 2.0, 1.0)
SIDE_ROOM: Final = 46.0
PAPER_SIDE_ROOM: Final = 36.0
TOP_ROOM: Final = 62.0
FOOT_ROOM: Final = 58.0
FOOT_PX: Final = 2.0
OWN_FOOT: Final = 0.2
DETAIL_TIMES: Final = 3.0
DETAIL_R: Final = 46.0
LEAST_SECTIONS: Final = 2
MOST_SPOTS: Final = 150


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One finished section: plane, drawing, the criteria dimensioned on it, and its scale (mm drawn per mm on paper)."""

    name: str
    drawing: str
    numbers: tuple[int, ...]
    px_per_mm: float
    paper_scale: float
    ends: tuple[str, str]
    dimensions: tuple[str, ...]
    has_gaps: bool = False

    @property
    def title(self) -> str:
        """What it is called on page and sheet."""
        return title_of(self.name)


def sections_of(
    assessment: Assessment,
    prepared: Prepared,
    contents: PieceContents,
    *,
    floor_mm: float,
    limit_mm: float,
    size: tuple[int, int],
    true_scale: bool = False,
    names: tuple[str, ...] | None = None,
) -> tuple[Section, ...]:
    """Draw every plane the readings were taken in.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    contents : PieceContents
    floor_mm, limit_mm : float
        Height below which nothing is drawn; half width of the corridor.
    size : pair of int, px
    true_scale : bool
        Use the largest of `TRUE_SCALES` to 1 on paper that fits.
    names : tuple of str, optional
        Only these planes.
    """
    opening = opening_of(assessment, prepared, floor_mm=floor_mm) if names is None or OPENING in names else None
    planes = _planes(assessment, prepared, contents, opening)
    planes = planes if names is None else tuple(p for p in planes if p.name in names)
    cut = [outlines_of(plane, assessment.piece, prepared, floor_mm=floor_mm, limit_mm=limit_mm) for plane in planes]
    bounds = [*(one.bounds for one in cut), *([opening.bounds] if opening else [])]
    scale = min((_scale_of(*ends, size, true_scale=true_scale) for ends in bounds), default=1.0)
    drawn = [
        section_of(
            p, o, assessment, prepared, contents, size=size, px_per_mm=scale, callouts=_callouts(p, planes, contents)
        )
        for p, o in zip(planes, cut, strict=True)
    ]
    drawn = _without_empty(drawn, cut)
    if opening is not None:  # after the two planes of the tooth
        drawn.insert(min(2, len(drawn)), _opening_section(opening, contents, size=size, px_per_mm=scale))
    return tuple(_without_repeats(drawn))


def _without_repeats(drawn: list[Section]) -> list[Section]:
    """Without sections placed by a reading that show nothing the others do not."""
    kept = list(drawn)
    for section in drawn:
        others = {number for other in kept if other is not section for number in other.numbers}
        if _is_placed(section.name) and section.numbers and others.issuperset(section.numbers):
            kept.remove(section)
    return kept


def _is_placed(name: str) -> bool:
    """Whether a section stands where a reading put it, and is none of the tooth's own planes."""
    return name in EXTRA_PLANES or " at " in name


def _planes(
    assessment: Assessment, prepared: Prepared, contents: PieceContents, opening: Opening | None
) -> tuple[SectionPlane, ...]:
    return sections_planes(
        contents.lines,
        assessment.readings,
        mesial_sign=prepared.mesial_sign,
        tooth=contents.has_tooth,
        seen=lambda line: opening is not None and across_opening(opening, line) is not None,
    )


def _callouts(
    plane: SectionPlane, planes: tuple[SectionPlane, ...], contents: PieceContents
) -> tuple[CriterionLine, ...]:
    """The areas and volumes that a section points at: each where most of it lies."""
    found = []
    for criterion in contents.lines:
        met = [(callout_spot(criterion, one) or (None, 0))[1] for one in planes]
        if any(met) and planes[int(np.argmax(met))] is plane:
            found.append(criterion)
    return tuple(found)


def _without_empty(drawn: list[Section], cut: list[Outlines]) -> list[Section]:
    """Without sections that meet neither the plan nor a dimension, as the one along a row of a facial cavity, while two are left."""
    telling = [s for s, o in zip(drawn, cut, strict=True) if s.numbers or o.corridor or o.departures]
    return telling if len(telling) >= LEAST_SECTIONS else drawn


def _opening_section(opening: Opening, contents: PieceContents, *, size: tuple[int, int], px_per_mm: float) -> Section:
    """The cavity seen along its axis, in the middle of the drawing."""
    low, high = opening.bounds
    middle = (low + high) / 2
    frame = Frame2(size[0] / 2 - px_per_mm * middle[0], size[1] / 2 + px_per_mm * middle[1], px_per_mm)
    drawing, numbers, ends = opening_svg_of(opening, contents, frame, size=size)
    texts = tuple(line.aloud for line in contents.lines if line.number in numbers)
    return Section(OPENING, drawing, numbers, px_per_mm, px_per_mm / CSS_PX_PER_MM, ends, texts)


def fitting_scale(outlines: Outlines, size: tuple[int, int], *, true_scale: bool = False) -> float:
    """Px per mm at which outlines fill a drawing; with `true_scale` the largest stated scale that fits."""
    return _scale_of(*outlines.bounds, size, true_scale=true_scale)


def _scale_of(low: FloatArray, high: FloatArray, size: tuple[int, int], *, true_scale: bool) -> float:
    room = np.array([size[0] - 2 * (PAPER_SIDE_ROOM if true_scale else SIDE_ROOM), size[1] - TOP_ROOM - FOOT_ROOM])
    fits = float((room / np.maximum(high - low, 1e-3)).min())
    if not true_scale:
        return fits
    return CSS_PX_PER_MM * next((s for s in TRUE_SCALES if s * CSS_PX_PER_MM <= fits), 1.0)


def section_of(
    plane: SectionPlane,
    outlines: Outlines,
    assessment: Assessment,
    prepared: Prepared,
    contents: PieceContents,
    *,
    size: tuple[int, int],
    px_per_mm: float,
    key: str | None = None,
    callouts: tuple[CriterionLine, ...] = (),
) -> Section:
    """Draw one section at a scale. `key` keeps its patterns' names apart from those of other drawings on the page.

    `callouts` are the criteria whose area or volume is pointed at.
    """
    key = key or plane.name
    width, height = size
    low, high = outlines.bounds
    middle = (low + high) / 2
    drawn_high = px_per_mm * (high[1] - low[1])
    spare = max(0.0, height - TOP_ROOM - FOOT_ROOM - drawn_high)
    frame = Frame2(width / 2 - px_per_mm * middle[0], TOP_ROOM + 0.35 * spare + px_per_mm * high[1], px_per_mm)
    room = Room(width, height)
    extent = Extent(*frame.px(np.array([low[0], high[1]])), *frame.px(np.array([high[0], low[1]])))
    ends = end_words(plane, mesial_sign=prepared.mesial_sign, tooth=contents.has_tooth)
    key = plane.name.replace(" ", "-")
    body = _grid(frame, width, height) + _ends(ends, room)
    body += _cut(frame, outlines, key) + ("" if is_level(plane) else _axis(frame, outlines))
    body += planned_svg(plane, frame, prepared, low=low, high=high)
    words = looking_words(plane, mesial_sign=prepared.mesial_sign, tooth=contents.has_tooth)
    body += _plan(plane, assessment, prepared, room, outlines.floor + float(plane.origin_mm[2]), words=words)
    body += _way_out(frame, plane, contents) + _detail(frame, outlines, key, room)
    _take_outlines(outlines.piece, frame, room)
    dimensions, numbers = _dimensions(frame, plane, contents, extent, room)
    for criterion in callouts:
        spot = callout_spot(criterion, plane)
        if spot is not None:
            dimensions += callout_svg(criterion, frame.px(flat(spot[0], plane)), room)
            numbers = tuple(sorted((*numbers, criterion.number)))
    label = f"Section {plane.name}, {ends[0]} on the left, {ends[1]} on the right, grid 1 mm"
    texts = tuple(line.aloud for line in contents.lines if line.number in numbers)
    drawing = svg(width, height, _definitions(key) + body + dimensions, label=label, class_="section")
    scale = px_per_mm / CSS_PX_PER_MM
    return Section(plane.name, drawing, numbers, px_per_mm, scale, (ends[0], ends[1]), texts, bool(outlines.gaps))


def _definitions(name: str) -> str:
    tissues = hatching(f"dentine-{name}", turn_deg=-45.0, gap=7.0) + hatching(f"enamel-{name}", turn_deg=45.0, gap=3.4)
    return f"<defs>{tissues}{decay_pattern(name)}{departure_patterns(name)}</defs>"


def _grid(frame: Frame2, width: float, height: float) -> str:
    """Lines every millimetre, from the plane's own origin."""
    step = frame.px_per_mm
    xs = np.arange(frame.x0 % step, width, step)
    ys = np.arange(frame.y0 % step, height, step)
    data = "".join(f"M{x:.1f} 0V{height:g}" for x in xs) + "".join(f"M0 {y:.1f}H{width:g}" for y in ys)
    return path(data, stroke="@hair", stroke_width=NARROW)


def _ends(ends: tuple[str, ...], room: Room) -> str:
    room.take(Box(0, 0, 80, 20))
    room.take(Box(room.width - 80, 0, room.width, 20))
    return text(12, 16, ends[0], size=12, fill="@ink2", halo=True) + text(
        room.width - 12, 16, ends[1], size=12, anchor="end", fill="@ink2", halo=True
    )


def _closed_by_break(curve_px: FloatArray, foot_px: float) -> tuple[str, str]:
    """An outline as path data of its area, and the wavy break line along its foot.

    An open end above the foot is where a scan saw no farther, as into a canal: the area is closed straight down from
    there, and no line is drawn; so is a stretch of floor that reaches the foot nowhere. A stretch of wall that does not bounds no area.
    """
    data = path_data(simplified(curve_px, tolerance=0.12))
    if np.allclose(curve_px[0], curve_px[-1], atol=0.5):
        return data + "Z", ""
    a, b = curve_px[-1], curve_px[0]
    at_foot = [abs(float(end[1]) - foot_px) < FOOT_PX for end in (a, b)]
    lowest = float(curve_px[:, 1].max())
    if not any(at_foot) and lowest - min(a[1], b[1]) < OWN_FOOT * np.ptp(curve_px[:, 1]):
        foot_px, at_foot = lowest, [True, True]  # the scan ends higher than the drawing does
    if not any(at_foot) and np.ptp(curve_px[:, 0]) < np.ptp(curve_px[:, 1]):
        return "", ""
    low_a, low_b = np.array([a[0], foot_px]), np.array([b[0], foot_px])
    if not all(at_foot):
        return data + path_data(np.array([low_a, low_b])).replace("M", "L", 1) + "Z", ""
    share = np.linspace(0, 1, max(8, int(abs(b[0] - a[0]) / 4)))
    wave = (
        a
        + share[:, None] * (b - a)
        + np.column_stack([np.zeros_like(share), 2.2 * np.sin(share * abs(b[0] - a[0]) / 9) * np.sin(np.pi * share)])
    )
    return data + path_data(wave).replace("M", "L", 1) + "Z", path_data(wave)


def _cut(frame: Frame2, outlines: Outlines, name: str, *, heavy: float = WIDE) -> str:
    """Hatching, tissues, corridor, departures and outlines, in that order."""
    foot = float(frame.px(np.array([[0.0, outlines.floor]]))[0, 1])
    parts = [_closed_by_break(frame.px(curve), foot) for curve in outlines.areas or outlines.piece]
    area = "".join(data for data, _ in parts)
    key = f"{name}-{heavy:g}"
    outside = f"M-4000-4000H8000V8000H-4000Z{area}"
    clip = f'<clipPath id="piece-{key}"><path d="{area}" clip-rule="evenodd"/></clipPath>'
    clip += f'<clipPath id="outside-{key}"><path d="{outside}" clip-rule="evenodd"/></clipPath>'
    body = f'<path d="{area}" fill="@sheet" fill-rule="evenodd"/>'
    body += f'<g clip-path="url(#piece-{key})">{_tissues(frame, outlines, area, name)}</g>'
    corridor = "".join(path_data(frame.px(c), closed=True) for c in outlines.corridor)
    body += path(corridor, fill="@corr", fill_opacity=0.9, fill_rule="evenodd", stroke="@edge", stroke_width=NARROW)
    body += _departures(frame, outlines, name, key)
    body += path(
        [frame.px(c) for c in outlines.subject], stroke="@ink2", stroke_width=NARROW, stroke_dasharray=CHAIN_DOUBLE
    )
    body += path(
        [simplified(frame.px(c), tolerance=0.3) for c in outlines.neighbours],
        stroke="@ink2",
        stroke_width=NARROW,
        stroke_dasharray=CHAIN_DOUBLE,
    )
    body += path(
        [simplified(frame.px(c), tolerance=0.12) for c in outlines.piece],
        stroke="@ink",
        stroke_width=heavy,
        stroke_linejoin="round",
    )
    body += _decay(frame, outlines, name, key)
    body += path(
        [frame.px(gap) for gap in outlines.gaps], stroke="@ink", stroke_width=WIDE, stroke_dasharray=NOT_SCANNED
    )
    body += path("".join(wave for _, wave in parts), stroke="@ink", stroke_width=NARROW)
    return f"<defs>{clip}</defs>{body}"


def _tissues(frame: Frame2, outlines: Outlines, area: str, name: str) -> str:
    """Dentine and enamel by their hatching, the pulp blank and dashed; one hatching where tissues are not known."""
    if not outlines.layers:
        return f'<path d="{area}" fill="url(#dentine-{name})" fill-rule="evenodd"/>'
    body = ""
    for layer, curves in outlines.layers.items():
        data = "".join(path_data(simplified(frame.px(c), tolerance=0.12), closed=True) for c in curves)
        if layer == DECAY:
            continue  # drawn over corridor and departures
        if layer == "pulp":
            body += path(data, fill="@sheet", stroke="@ink2", stroke_width=NARROW, stroke_dasharray=DASHED)
        elif data:
            kind = "enamel" if layer == "enamel" else "dentine"
            body += f'<path d="{data}" fill="@sheet" fill-rule="evenodd"/>'
            body += path(data, fill=f"url(#{kind}-{name})", fill_rule="evenodd", stroke="@rule", stroke_width=NARROW)
    return body


def _decay(frame: Frame2, outlines: Outlines, name: str, key: str) -> str:
    """The lesion before cutting, dashed, and hatched what is left of it, over corridor and departures."""
    curves = [simplified(frame.px(c), tolerance=0.12) for c in outlines.layers.get(DECAY, ())]
    data = "".join(path_data(curve, closed=True) for curve in curves)
    left = path(data, fill=f"url(#{DECAY}-{name})", fill_rule="evenodd", stroke="@ink", stroke_width=NARROW)
    return (
        f'<g clip-path="url(#piece-{key})">{left}</g>'
        + path(data, stroke="@ink2", stroke_width=NARROW, stroke_dasharray=DASHED)
        if data
        else ""
    )


def _departures(frame: Frame2, outlines: Outlines, name: str, key: str) -> str:
    """Between piece and target where the corridor was left: blue inside the piece, orange outside it."""
    target = "".join(path_data(frame.px(c), closed=True) for c in outlines.target)
    body = ""
    for side, region, within in (
        ("left", f"M-4000-4000H8000V8000H-4000Z{target}", "piece"),
        ("over", target, "outside"),
    ):
        strips = "".join(path_data(frame.px(d.strip), closed=True) for d in outlines.departures if d.side == side)
        if strips:
            style = f'fill="url(#{side}-{name})" fill-rule="evenodd" stroke="@ink" stroke-width="0.5"'
            body += f'<defs><clipPath id="strip-{side}-{key}"><path d="{strips}"/></clipPath></defs>'
            body += f'<g clip-path="url(#{within}-{key})"><g clip-path="url(#strip-{side}-{key})"><path d="{region}" {style}/></g></g>'
    return body


def _way_out(frame: Frame2, plane: SectionPlane, contents: PieceContents) -> str:
    """The straight way out of an orifice and, dashed, its canal; only in the section taken along it."""
    body = ""
    for criterion in contents.lines:
        witness = criterion.reading.witness
        if criterion.reading.id != "access.straight_line_deg" or witness is None or witness.plane is None:
            continue
        if witness.plane.name == plane.name and len(witness.segments_mm) == 2:
            way, canal = (frame.px(flat(segment, plane)) for segment in witness.segments_mm)
            body += line(*way[0], *way[1], stroke="@ink", stroke_width=WIDE)
            body += line(*canal[0], *canal[1], stroke="@ink2", stroke_dasharray=DASHED)
            body += circle(way[0, 0], way[0, 1], 3.0, fill="@sheet", stroke="@ink", stroke_width=NARROW)
    return body


def _axis(frame: Frame2, outlines: Outlines) -> str:
    """The path through the plane's origin, long dash-dot."""
    _, high = outlines.bounds
    top, foot = frame.px(np.array([0.0, high[1]])), frame.px(np.array([0.0, outlines.floor]))
    return line(top[0], top[1] - 14, foot[0], foot[1] + 8, stroke="@ink2", stroke_dasharray=CHAIN)


def _plan(
    plane: SectionPlane, assessment: Assessment, prepared: Prepared, room: Room, floor_mm: float, *, words: str
) -> str:
    """A little plan: the tooth and the piece from above, the cutting plane across them, and which way one looks."""
    x, y, reach = 52.0, room.height - 44.0, 21.0
    before = prepared.subject.vertices_mm if prepared.subject else assessment.piece.surface.vertices_mm
    before = before[before[:, 2] > floor_mm]
    scale = reach / max(float(np.abs(before[:, :2]).max()), 1e-6)
    frame = Frame2(x, y, scale)
    top = float(assessment.piece.surface.vertices_mm[:, 2].max())
    widest = float(before[np.argmax(np.abs(before[:, 1])), 2])
    levels = [widest, max(0.65 * top, 0.5 * (widest + top))]
    body = ""
    for surface, level, dash in ((prepared.subject, levels[0], None), (assessment.piece.surface, levels[1], None)):
        if surface is None:
            continue
        level_plane = SectionPlane(
            "plan", np.array([0.0, 0.0, level]), np.array([-1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
        )
        rings = [
            simplified(frame.px(flat(c, level_plane)), tolerance=0.2) for c in section_curves(surface, level_plane)
        ]
        longest = max(map(length_of, rings), default=0.0)
        body += path(
            [ring for ring in rings if length_of(ring) > 0.5 * longest],
            stroke="@ink2",
            stroke_width=NARROW,
            stroke_dasharray=dash,
        )
    if is_level(plane):
        room.take(Box(x - 46, y - 44, x + 100, y + 44))
        return body + text(x + 42, room.height - 12, words, size=12, fill="@ink3", halo=True)
    across, look = -plane.across[:2], np.cross(plane.across, plane.up)[:2]  # a half turn: buccal is below
    run, ahead = np.array([across[0], -across[1]]), np.array([look[0], -look[1]])
    run, ahead = run / max(np.hypot(*run), 1e-9), ahead / max(np.hypot(*ahead), 1e-9)
    one, two = np.array([x, y]) - 30 * run, np.array([x, y]) + 30 * run
    body += line(one[0], one[1], two[0], two[1], stroke_dasharray=CHAIN)
    for end in (one, two):
        tip = end + 12 * ahead
        body += line(end[0], end[1], tip[0], tip[1]) + arrowhead(tip[0], tip[1], tuple(ahead))
    room.take(Box(x - 46, y - 44, x + 100, y + 44))
    return body + text(x + 42, room.height - 12, words, size=12, fill="@ink3", halo=True)


def _detail(frame: Frame2, outlines: Outlines, name: str, room: Room) -> str:
    """The worst place three times as large, where the corridor would be too thin to read."""
    if not outlines.departures:
        return ""
    worst = max(outlines.departures, key=lambda d: abs(d.worst_mm))
    at = frame.px(worst.at)
    x, y = room.width - DETAIL_R - 10, room.height - DETAIL_R - 10
    room.take(Box(x - DETAIL_R - 30, y - DETAIL_R, x + DETAIL_R, y + DETAIL_R))
    small = DETAIL_R / DETAIL_TIMES
    larger = Frame2(
        x - DETAIL_TIMES * (at[0] - frame.x0), y - DETAIL_TIMES * (at[1] - frame.y0), DETAIL_TIMES * frame.px_per_mm
    )
    clip = f'<defs><clipPath id="detail-{name}">{circle(x, y, DETAIL_R)}</clipPath></defs>'
    body = circle(x, y, DETAIL_R, fill="@sheet")
    body += f'{clip}<g clip-path="url(#detail-{name})">{_cut(larger, outlines, name, heavy=WIDE + 0.6)}</g>'
    body += circle(x, y, DETAIL_R, fill="none", stroke="@ink", stroke_width=1.0)
    body += circle(at[0], at[1], small, fill="none", stroke="@ink", stroke_width=NARROW)
    outwards = -1 if at[0] < frame.x0 else 1
    room.take(
        Box(
            at[0] + outwards * (small + 6) - 6, at[1] - small - 9, at[0] + outwards * (small + 6) + 6, at[1] - small + 4
        )
    )
    body += text(
        at[0] + outwards * (small + 6), at[1] - small + 2, "A", size=12, weight=600, anchor="middle", halo=True
    )
    body += text(x - DETAIL_R - 6, y - 6, "A", size=12, weight=600, anchor="end", halo=True)
    return body + text(x - DETAIL_R - 6, y + 8, "(3 : 1)", size=12, anchor="end", fill="@ink2", halo=True)


def _take_lengths(measured: list[FloatArray | None], plane: SectionPlane, frame: Frame2, room: Room) -> None:
    """Keep labels off what is measured: each length's own line is taken before a value is placed."""
    for segments in measured:
        if segments is not None:
            first, second = frame.px(flat(segments[0], plane)).tolist()
            for box in along(tuple(first), tuple(second)):
                room.take(box)


def _take_outlines(curves: tuple[FloatArray, ...], frame: Frame2, room: Room) -> None:
    """A value rather stands where no outline runs: points along them count a little."""
    for curve in curves:
        for x, y in frame.px(simplified(curve, tolerance=0.02))[:: max(1, len(curve) // MOST_SPOTS)].tolist():
            room.take(Box(x - 1.0, y - 1.0, x + 1.0, y + 1.0))


def _dimensions(
    frame: Frame2, plane: SectionPlane, contents: PieceContents, extent: Extent, room: Room
) -> tuple[str, tuple[int, ...]]:
    """Every reading whose witness lies in the plane; angles first, since they stand above everything."""
    body, numbers = "", []
    _take_lengths([shown_segments(c.reading, plane, number=c.number) for c in contents.lines], plane, frame, room)
    found = [(c, shown_segments(c.reading, plane, number=c.number)) for c in contents.lines]
    ours = [(c, s) for c, s in found if s is not None]
    for criterion, segments in sorted(ours, key=lambda pair: pair[0].reading.witness.kind != "angle"):  # type: ignore[union-attr]
        draw = angle_svg if criterion.reading.witness.kind == "angle" else length_svg  # type: ignore[union-attr]
        body += draw(criterion, frame.px(flat(segments, plane)), extent, room)
        numbers.append(criterion.number)
    return body, tuple(sorted(numbers))
