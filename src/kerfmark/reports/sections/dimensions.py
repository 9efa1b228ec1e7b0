"""Dimensions on a section, drawn from a reading's own witness: arcs about the true meeting point, lengths between their ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from kerfmark.records import FloatArray
from kerfmark.reports import wording
from kerfmark.reports.canvas import NARROW, SELECTED, arrowhead, circle, line, num, path, said, text_width
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.placement import Box, Room, along, around
from kerfmark.reports.symbols import balloon

__all__ = ["Frame2", "angle_svg", "callout_svg", "length_svg", "value_label"]

OFF_PX: Final = 2.0
PASS_PX: Final = 4.0
SHORT_PX: Final = 40.0
VALUE_PX: Final = 12.5
LEADER_COST: Final = 0.8
"""What each px of a leader counts, as so many px² covered: a little crossing is better than a line across the drawing."""
LEADERS_PX: Final = (2.0, 16.0, 32.0, 50.0, 72.0, 96.0)
ANGLE_RISES_PX: Final = np.array([20.0, 46.0, 72.0, 98.0, 124.0, 150.0])
OUT_PX: Final = (24.0, 40.0, 12.0, 56.0, 72.0)
OF_MANY_SECTIONS: Final = ("crown.finish_line_width_mm", "crown.occluso_axial_radius_mm")


@dataclass(frozen=True, slots=True)
class Frame2:
    """From the plane's mm to the drawing's px."""

    x0: float
    y0: float
    px_per_mm: float

    def px(self, points: FloatArray) -> FloatArray:
        """(…, 2) mm, up, to (…, 2) px, down."""
        return np.asarray(points, dtype=float) * [self.px_per_mm, -self.px_per_mm] + [self.x0, self.y0]


@dataclass(frozen=True, slots=True)
class Extent:
    """Where the drawn outlines end, px."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def middle(self) -> float:
        """The middle between left and right."""
        return (self.left + self.right) / 2


def value_texts(criterion: CriterionLine) -> tuple[str, str]:
    """The value as dimensioned, and its ± U: no unit where it is mm, as the panel says; `med.` before a median of many sections."""
    unit = "" if criterion.reading.unit == "mm" else wording.with_unit("", criterion.reading.unit)
    many = criterion.reading.id in OF_MANY_SECTIONS and criterion.reading.stat == "median"
    value = f"{'med. ' if many else ''}{criterion.value_text}{unit}"
    u = criterion.reading.u
    return value, "" if not u else f"± {wording.number(2 * u, criterion.decimals)}{unit}"


def label_width(criterion: CriterionLine, *, always_u: bool) -> float:
    """How wide a value with its balloon runs, px."""
    value, u = value_texts(criterion)
    return 22.0 + text_width(f"{value} {u}" if always_u else value, size=VALUE_PX)


def value_label(x: float, y: float, criterion: CriterionLine, *, always_u: bool, upright: bool = False) -> str:
    """The balloon and the value after it, beginning at (x, y); the ± U stays hidden until chosen unless `always_u`."""
    value, u = value_texts(criterion)
    number = criterion.number
    body = balloon(x + 8, y - 4.2, number, criterion.state)
    rim = 'paint-order="stroke" stroke="@sheet" stroke-width="3.5" stroke-linejoin="round"'
    shown_u = f'<tspan class="{"u" if always_u else "u chosen-only"}" dx="4">{said(u)}</tspan>' if u else ""
    body += f'<text x="{num(x + 21)}" y="{num(y)}" font-size="{VALUE_PX}" font-weight="500" fill="@ink" {rim}>{said(value)}{shown_u}</text>'
    turned = f' transform="rotate(-90 {num(x)} {num(y)})"' if upright else ""
    return f'<g class="dim" data-c="{number}"{turned}>{body}</g>'


def angle_svg(criterion: CriterionLine, lines_px: FloatArray, extent: Extent, room: Room) -> str:
    """An angle as an arc about the meeting point of its two fitted lines, above the piece.

    Parameters
    ----------
    criterion : CriterionLine
    lines_px : (2, 2, 2) float array
        The two fitted lengths.
    extent : Extent
        Of the outlines; the arc stands above it.
    room : Room
    """
    width = label_width(criterion, always_u=True)
    tried = [(float(extent.top - rise), to_left) for rise in ANGLE_RISES_PX for to_left in (False, True)]
    costs = [room.cost(_angle_box(lines_px, *one, width=width)) for one in tried]
    level, to_left = tried[int(np.argmin(np.round(costs, 3)))]
    ends = np.array([_at_level(part, level) for part in lines_px])
    box = _angle_box(lines_px, level, to_left, width=width)
    if box.left < 0.0 or box.right > room.width or box.top < 0.0:
        return _corner_angle(criterion, lines_px, room)
    if not np.isfinite(ends).all() or np.abs(ends[:, 0] - extent.middle).max() > 4 * (extent.right - extent.left):
        return _corner_angle(criterion, lines_px, room)
    return _arc(criterion, lines_px, ends, room, width=width, to_left=to_left)


def _angle_box(lines_px: FloatArray, level: float, to_left: bool, *, width: float) -> Box:
    """Where an angle's value would stand: over a wide arc, on a tail to one side of a narrow one."""
    ends = np.array([_at_level(part, level)[0] for part in lines_px])
    if abs(float(ends[1] - ends[0])) >= SHORT_PX:
        begin = float(ends.mean()) - width / 2
    else:
        begin = float(ends.min()) - 14.0 - width if to_left else float(ends.max()) + 14.0
    return Box(begin - 4, level - 24, begin + width + 4, level + 2)


def _at_level(part: FloatArray, level: float) -> FloatArray:
    """Where a line reaches a height."""
    run = part[1] - part[0]
    if abs(run[1]) < 1e-9:
        return np.array([np.inf, level])
    return np.asarray(part[0] + (level - part[0, 1]) / run[1] * run)


def _meeting(lines_px: FloatArray) -> FloatArray | None:
    """Where two lines meet; None where they are parallel."""
    (a, b), (c, d) = lines_px
    one, two = b - a, d - c
    turn = one[0] * two[1] - one[1] * two[0]
    if abs(turn) < 1e-4 * np.hypot(*one) * np.hypot(*two):
        return None
    share = ((c - a)[0] * two[1] - (c - a)[1] * two[0]) / turn
    return np.asarray(a + share * one)


def _arc(
    criterion: CriterionLine, lines_px: FloatArray, ends: FloatArray, room: Room, *, width: float, to_left: bool
) -> str:
    meeting = _meeting(lines_px)
    first, second = ends[np.argsort(ends[:, 0])]
    crest, sweep_data = _sweep(meeting, first, second)
    wide = float(second[0] - first[0]) >= SHORT_PX
    body = path(sweep_data, stroke="@ink", stroke_width=NARROW)
    tangent = second - first
    inwards = 1.0 if wide else -1.0
    body += arrowhead(first[0], first[1], tuple(-inwards * tangent)) + arrowhead(
        second[0], second[1], tuple(inwards * tangent)
    )
    for part, end in zip(lines_px, ends, strict=True):
        top = part[np.argmin(part[:, 1])]
        body += _extension(top, end)
    x, y = float(crest[0]) - width / 2, float(crest[1]) - 6.0
    if not wide:
        begin, tail = (first, first[0] - 16 - width) if to_left else (second, second[0] + 16 + width)
        body += line(begin[0], begin[1], tail, begin[1])
        x, y = float(begin[0]) - 14 - width if to_left else float(begin[0]) + 14, float(begin[1]) - 5.0
    room.take(Box(x - 4, y - 15, x + width + 4, y + 4))
    fitted = "".join(path(part, stroke="@ink", stroke_width=SELECTED, stroke_linecap="round") for part in lines_px)
    shown = f'<g class="fitted" data-c="{criterion.number}">{fitted}</g><g class="dimline" data-c="{criterion.number}">{body}</g>'
    return shown + value_label(x, y, criterion, always_u=True)


def _sweep(meeting: FloatArray | None, first: FloatArray, second: FloatArray) -> tuple[FloatArray, str]:
    """The arc from one line to the other about their meeting point, and its highest point; straight where that is far off."""
    middle = (first + second) / 2
    straight = f"M{num(first[0])} {num(first[1])}L{num(second[0])} {num(second[1])}"
    if meeting is None or np.hypot(*(middle - meeting)) > 20_000:
        return middle, straight
    radius = float(np.hypot(*(first - meeting)) + np.hypot(*(second - meeting))) / 2
    crest = meeting + radius * (middle - meeting) / max(float(np.hypot(*(middle - meeting))), 1e-9)
    clockwise = int(
        (first[0] - meeting[0]) * (second[1] - meeting[1]) - (first[1] - meeting[1]) * (second[0] - meeting[0]) > 0
    )
    return (
        crest,
        f"M{num(first[0])} {num(first[1])}A{num(radius)} {num(radius)} 0 0 {clockwise} {num(second[0])} {num(second[1])}",
    )


def _corner_angle(criterion: CriterionLine, lines_px: FloatArray, room: Room) -> str:
    """An angle whose lines do not both reach up: an arc of 46 px about the meeting point, the value beside it."""
    meeting = _meeting(lines_px)
    if meeting is None or not (0 <= meeting[0] <= room.width and 0 <= meeting[1] <= room.height):
        return _free_label(criterion, lines_px[0].mean(axis=0), room)
    ends = []
    for part in lines_px:
        far = part[np.argmax(np.hypot(*(part - meeting).T))]
        ends.append(meeting + 46.0 * (far - meeting) / np.hypot(*(far - meeting)))
    first, second = ends
    clockwise = int((first - meeting)[0] * (second - meeting)[1] - (first - meeting)[1] * (second - meeting)[0] > 0)
    body = path(
        f"M{num(first[0])} {num(first[1])}A46 46 0 0 {clockwise} {num(second[0])} {num(second[1])}",
        stroke="@ink",
        stroke_width=NARROW,
    )
    body += "".join(line(meeting[0], meeting[1], *(meeting + 1.08 * (end - meeting))) for end in ends)
    return f'<g class="dimline" data-c="{criterion.number}">{body}</g>' + _free_label(
        criterion, (first + second) / 2, room
    )


def _extension(begin: FloatArray, end: FloatArray) -> str:
    """An extension line: from 2 px off the outline to 4 px past the dimension line."""
    run = end - begin
    length = float(np.hypot(*run))
    if length < OFF_PX + 0.5:
        return ""
    way = run / length
    start, stop = begin + OFF_PX * way, end + PASS_PX * way
    return line(start[0], start[1], stop[0], stop[1])


def length_svg(criterion: CriterionLine, segments_px: FloatArray, extent: Extent, room: Room) -> str:
    """A length between the ends of its witness.

    With extension lines in the witness the dimension line stands off along them; without, it lies on the length itself.

    Parameters
    ----------
    criterion : CriterionLine
    segments_px : (k, 2, 2) float array
        The measured extent, then its extension lines.
    extent : Extent
    room : Room
    """
    ends = segments_px[0]
    run = np.abs(ends[1] - ends[0])
    if run[0] >= run[1] and len(segments_px) > 1:
        drawn = _across(criterion, ends, _starts(segments_px), extent, room)
    elif run[1] > run[0] and len(segments_px) > 1:
        drawn = _upright(criterion, ends, _starts(segments_px), extent, room)
    else:
        drawn = _on_itself(criterion, ends, room)
    heavy = path(ends, stroke="@ink", stroke_width=SELECTED, stroke_linecap="round")
    return f'<g class="fitted" data-c="{criterion.number}">{heavy}</g><g class="dimline" data-c="{criterion.number}">{drawn}</g>'


def _starts(segments_px: FloatArray) -> FloatArray:
    """Where each end's extension line begins: at the far end of the witness segment that leaves it, or at the end itself."""
    starts = np.array(segments_px[0])
    for part in segments_px[1:]:
        for i, end in enumerate(segments_px[0]):
            far = (
                part[1]
                if np.allclose(part[0], end, atol=1e-6)
                else part[0]
                if np.allclose(part[1], end, atol=1e-6)
                else None
            )
            if far is not None:
                starts[i] = far
    return starts


def _across(criterion: CriterionLine, ends: FloatArray, starts: FloatArray, extent: Extent, room: Room) -> str:
    """A level length at one side: the dimension line above it, arrows outside when short, the value on a tail outwards."""
    order = np.argsort(ends[:, 0])
    ends, starts = ends[order], starts[order]
    width = label_width(criterion, always_u=False)
    short = ends[1, 0] - ends[0, 0] < SHORT_PX + width
    outwards = -1.0 if ends[:, 0].mean() < extent.middle else 1.0
    outer = ends[0] if outwards < 0 else ends[1]
    levels = [min(ends[:, 1]) - rise for rise in (34.0, 56.0, 78.0, 100.0, 20.0, 122.0)]
    if short:
        begin = outer[0] - 17 - width if outwards < 0 else outer[0] + 17
        if not 2.0 <= begin <= room.width - width - 2.0:
            begin, outwards = _at_the_border(ends, outwards, width=width, room=room)
    else:
        begin = float(ends[:, 0].mean()) - width / 2
    begin = min(max(begin, 2.0), room.width - width - 2.0)
    far = (min(begin, ends[0, 0]), max(begin + width, ends[1, 0]))
    chosen = room.choose(
        (Box(begin - 2, level - 19, begin + width + 2, level - 2), around((far[0], level), (far[1], level)))
        for level in levels
    )
    y = levels[chosen]
    body = "".join(
        _extension(np.array([end[0], start[1]]), np.array([end[0], y])) for end, start in zip(ends, starts, strict=True)
    )
    if short:
        tail = begin if outwards < 0 else begin + width
        body += line(min(ends[0, 0] - 14, tail), y, max(ends[1, 0] + 14, tail), y)
        body += arrowhead(ends[0, 0], y, (1, 0)) + arrowhead(ends[1, 0], y, (-1, 0))
    else:
        body += (
            line(ends[0, 0], y, ends[1, 0], y) + arrowhead(ends[0, 0], y, (-1, 0)) + arrowhead(ends[1, 0], y, (1, 0))
        )
    return body + value_label(begin, y - 5.0, criterion, always_u=False)


def _at_the_border(ends: FloatArray, outwards: float, *, width: float, room: Room) -> tuple[float, float]:
    """Where a value begins whose tail would run off the drawing, and on which side: above its own arrows, or on the other side.

    It stands over its dimension line, and may lie above it as far as the measured length reaches: beyond is the piece.
    """
    begin = 2.0 if outwards < 0 else room.width - width - 2.0
    if (begin + width <= ends[1, 0]) if outwards < 0 else (begin >= ends[0, 0]):
        return begin, outwards
    return (ends[1, 0] + 17.0, 1.0) if outwards < 0 else (ends[0, 0] - 17.0 - width, -1.0)


def _upright(criterion: CriterionLine, ends: FloatArray, starts: FloatArray, extent: Extent, room: Room) -> str:
    """An upright length at one side: the dimension line outside the outlines, the value along it, read from the right."""
    order = np.argsort(ends[:, 1])
    ends, starts = ends[order], starts[order]
    width = label_width(criterion, always_u=False)
    outwards = -1.0 if ends[:, 0].mean() < extent.middle else 1.0
    edge = extent.left if outwards < 0 else extent.right
    short = ends[1, 1] - ends[0, 1] < SHORT_PX
    rests = [
        float(ends[:, 1].mean()) + width / 2,
        float(ends[0, 1]) + width,
        float(ends[1, 1]),
        float(ends[0, 1]) - 14.0,
    ]
    places = [(edge + outwards * out, low) for low in (rests[-1:] if short else rests) for out in OUT_PX]
    chosen = room.choose(
        (Box(px - 20, rest - width, px - 2, rest), around((px, ends[0, 1]), (px, ends[1, 1]))) for px, rest in places
    )
    x, low = places[chosen]
    body = "".join(
        _extension(np.array([start[0], end[1]]), np.array([x, end[1]])) for end, start in zip(ends, starts, strict=True)
    )
    inwards = -1 if short else 1
    body += line(
        x,
        min(ends[0, 1] - (14 if short else 0), low - width if low < ends[0, 1] else np.inf),
        x,
        ends[1, 1] + (14 if short else 0),
    )
    body += arrowhead(x, ends[0, 1], (0, -inwards)) + arrowhead(x, ends[1, 1], (0, inwards))
    return body + value_label(x - 5.0, low, criterion, always_u=False, upright=True)


def _on_itself(criterion: CriterionLine, ends: FloatArray, room: Room) -> str:
    """A dimension line on the measured length itself, arrows outside when short, the value above it or on a tail."""
    ends = ends[np.argsort(ends[:, 0])]
    run = ends[1] - ends[0]
    length = max(float(np.hypot(*run)), 1e-9)
    way = run / length
    short = length < SHORT_PX / 2
    out = 14.0 if short else 0.0
    start, stop = ends[0] - out * way, ends[1] + out * way
    sign = -1.0 if short else 1.0
    body = line(start[0], start[1], stop[0], stop[1])
    body += arrowhead(ends[0, 0], ends[0, 1], tuple(-sign * way)) + arrowhead(ends[1, 0], ends[1, 1], tuple(sign * way))
    if abs(run[1]) > 0.35 * length:
        return body + _free_label(criterion, np.asarray(ends.mean(axis=0)), room)
    room.take(around((start[0], start[1]), (stop[0], stop[1])))
    return body + _on_level(criterion, ends, start, stop, room)


def _on_level(criterion: CriterionLine, ends: FloatArray, start: FloatArray, stop: FloatArray, room: Room) -> str:
    """The value of a level length: above its middle where it fits, else on a tail at one end, else on a leader."""
    width = label_width(criterion, always_u=False)
    middle = ends.mean(axis=0)
    above = float(min(ends[:, 1])) - 5.0
    fits = ends[1, 0] - ends[0, 0] > width
    places: list[tuple[tuple[float, float], FloatArray | None]] = []
    if fits:
        places.append(((middle[0] - width / 2, above), None))
    places += [((stop[0] + 6.0, stop[1] + 4.2), stop), ((start[0] - 6.0 - width, start[1] + 4.2), start)]
    places += [(place, middle) for place in _places_about(middle, width)]
    x, y, leader = _chosen(places, width, room)
    return leader + value_label(x, y, criterion, always_u=False)


def _places_about(at: FloatArray, width: float) -> list[tuple[float, float]]:
    """Where a label may begin on leaders of growing length from a point, px: beside it first, then above and below."""
    found = []
    for away in LEADERS_PX:
        for rise in (0.0, -0.9, 0.9, -1.6, 1.6):
            dy, dx = rise * away, 12.0 if rise in (0.0, -0.9, 0.9) else 0.0
            found += [(at[0] + dx + (1 - abs(rise) / 2) * away, at[1] + dy + 4.2)]
            found += [(at[0] - dx - (1 - abs(rise) / 2) * away - width, at[1] + dy + 4.2)]
    return [(float(x), float(y)) for x, y in found]


def _chosen(
    places: Sequence[tuple[tuple[float, float], FloatArray | None]], width: float, room: Room
) -> tuple[float, float, str]:
    """The place of a label that covers least, with its leader from the point given beside it, and the leader drawn."""
    groups: list[tuple[Box, ...]] = []
    leaders: list[tuple[float, float, float, float] | None] = []
    for (x, y), point in places:
        label = Box(x - 2, y - 15, x + width + 2, y + 4)
        if point is None:
            groups.append((label,))
            leaders.append(None)
            continue
        near = (min(max(float(point[0]), x), x + width), y - 4.2)
        groups.append((label, *along((float(point[0]), float(point[1])), near)[1:-1]))
        leaders.append((float(point[0]), float(point[1]), *near))
    lengths = [0.0 if one is None else float(np.hypot(one[2] - one[0], one[3] - one[1])) for one in leaders]
    chosen = room.choose(groups, extra=[LEADER_COST * max(length - LEADERS_PX[1], 0.0) for length in lengths])
    (x, y), _ = places[chosen]
    leader = leaders[chosen]
    return float(x), float(y), "" if leader is None else line(*leader)


def callout_svg(criterion: CriterionLine, at: FloatArray, room: Room) -> str:
    """An area's or a volume's value on a leader that ends in a dot where it lies, px."""
    dot = circle(float(at[0]), float(at[1]), 1.8, fill="@ink")
    return (
        f'<g class="dimline" data-c="{criterion.number}">{dot}{_free_label(criterion, at, room, room_for_u=True)}</g>'
    )


def _free_label(criterion: CriterionLine, at: FloatArray, room: Room, *, room_for_u: bool = False) -> str:
    """A value near a point, on a leader, wherever there is room; with `room_for_u` for its ± U too."""
    width = label_width(criterion, always_u=room_for_u)
    x, y, leader = _chosen([(place, at) for place in _places_about(at, width)], width, room)
    if x + width / 2 < at[0]:  # what is kept free for the ± U lies away from the leader
        x += width - label_width(criterion, always_u=False)
    return leader + value_label(x, y, criterion, always_u=False)
