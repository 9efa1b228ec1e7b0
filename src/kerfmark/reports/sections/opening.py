"""A cavity seen along its axis: the outline planned and the outline cut, with the readings taken across the opening."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from kerfmark.measurement.cavity.pit import Pit
from kerfmark.measurement.cavity.view import View
from kerfmark.records import Assessment, FloatArray
from kerfmark.reports.canvas import CHAIN_DOUBLE, DASHED, NARROW, circle, departure_patterns, path, path_data, svg, text
from kerfmark.reports.contents import CriterionLine, PieceContents
from kerfmark.reports.placement import Box, Room, along
from kerfmark.reports.sections.dimensions import Extent, Frame2, callout_svg, length_svg
from kerfmark.reports.sections.key import DECAY, decay_pattern
from kerfmark.reports.sections.needed import is_urgent
from kerfmark.reports.seen_along import opening_svg, silhouette

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["NAME", "Opening", "across_opening", "opening_of", "opening_svg_of"]

NAME: Final = "opening"
SHOWN: Final = (
    "cavity.isthmus_width_mm",
    "cavity.marginal_ridge_mm",
    "cavity.extension_mm",
    "cavity.box_width_mm",
    "cavity.proximal_clearance_mm",
)
"""Lengths a teacher looks for from there; depths stand in the sections."""
OVERLAP, TO_INTERCUSPAL = "cavity.outline_overlap", "cavity.isthmus_to_intercuspal"
CORRIDOR_MM: Final = 0.25
BESIDE_MM: Final = 2.0
LEVEL: Final = 0.25
"""The most of a length along the axis that is still seen as lying across it."""


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """What is drawn, across and up (n, 2), mm: crown before cutting, neighbours, outline planned, margins cut, decay left, the lesion's outline."""

    view: View
    crown: FloatArray
    neighbours: tuple[FloatArray, ...]
    plan: FloatArray | None
    cut: tuple[FloatArray, ...]
    decay: FloatArray
    lesion: FloatArray | None = None

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Of the crown alone."""
        return self.crown.min(axis=0), self.crown.max(axis=0)


def opening_of(assessment: Assessment, prepared: Prepared, *, floor_mm: float) -> Opening | None:
    """The cavity as looked at along its axis; None where the exercise is no cavity or nothing was cut.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    floor_mm : float
        Height (z of the tooth frame) below which nothing is drawn.
    """
    by_id = {(r.id, r.where): r.witness for r in assessment.readings if r.witness is not None}
    margin = by_id.get(("cavity.outline_area_mm2", None))
    if margin is None or not margin.curves_mm or prepared.subject is None:
        return None
    view = View(assessment.piece, prepared, Pit(assessment.piece, prepared).axis_side)
    subject, beside = prepared.subject.vertices_mm, {**prepared.neighbours, **assessment.piece.neighbours}

    def seen(points: FloatArray) -> FloatArray:
        return _turned(view, points)

    decay = by_id.get(("cavity.caries_left_mm3", None))
    return Opening(
        view=view,
        crown=silhouette(seen(subject[subject[:, 2] > floor_mm])),
        neighbours=tuple(silhouette(seen(s.vertices_mm[s.vertices_mm[:, 2] > floor_mm])) for s in beside.values()),
        plan=None if prepared.outline is None else seen(np.asarray(prepared.outline, dtype=float)),
        cut=tuple(seen(curve) for curve in margin.curves_mm),
        decay=np.empty((0, 2)) if decay is None or not len(decay.points_mm) else seen(decay.points_mm),
        lesion=silhouette(seen(prepared.layers[DECAY].vertices_mm)) if DECAY in prepared.layers else None,
    )


def _turned(view: View, points: FloatArray) -> FloatArray:
    """Points (n, 3) of the tooth frame across and up (n, 2), as the report's picture from that side: from above, lingual is up."""
    flat = view.to_view(points)[:, :2]
    return -flat if view.side == "occlusal" else flat


def opening_svg_of(
    opening: Opening, contents: PieceContents, frame: Frame2, *, size: tuple[int, int]
) -> tuple[str, tuple[int, ...], tuple[str, str]]:
    """The drawing, the criteria dimensioned on it, and what its left and right ends are called."""
    width, height = size
    room = Room(width, height)
    ends = _ends(opening)
    body = f"<defs>{departure_patterns(NAME)}{decay_pattern(NAME)}</defs>" + _grid(frame, width, height)
    chain: dict[str, Any] = {"stroke": "@ink2", "stroke_width": NARROW, "stroke_dasharray": CHAIN_DOUBLE}
    body += path(frame.px(opening.crown), closed=True, **chain)
    body += path(_near(opening, frame), **chain)
    plan = "" if opening.plan is None else path_data(frame.px(opening.plan), closed=True)
    cut = "".join(path_data(frame.px(curve), closed=True) for curve in opening.cut)
    corridor = _corridor_mm(contents) * frame.px_per_mm
    body += opening_svg(plan, cut, key=NAME, corridor_px=corridor, dash=DASHED) + _decay(opening, frame)
    body += _side_words(ends, room)
    extent = Extent(*frame.px(np.array([opening.bounds[0][0], opening.bounds[1][1]])),
                    *frame.px(np.array([opening.bounds[1][0], opening.bounds[0][1]])))  # fmt: skip
    dimensions, numbers = _dimensions(opening, contents, frame, extent, room)
    words = "" if opening.lesion is None else "hatched: decay left" if len(opening.decay) else "no decay left"
    foot = text(12, height - 12, words, size=12, fill="@ink3", halo=True) if words else ""
    said = f"The cavity seen from the {opening.view.side} side, along its axis, {ends[0]} on the left, {ends[1]} on the right, grid 1 mm"
    return svg(width, height, body + foot + dimensions, label=said, class_="section"), numbers, (ends[0], ends[1])


def _ends(opening: Opening) -> tuple[str, str, str, str]:
    """What lies left, right, above and below."""
    ways = np.array([[-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])
    ways = -ways if opening.view.side == "occlusal" else ways
    left, right, top, foot = (max(opening.view.sides.items(), key=lambda side: float(side[1] @ way))[0] for way in ways)
    return left, right, top, foot


def _side_words(ends: tuple[str, str, str, str], room: Room) -> str:
    middle = room.width / 2
    spots = (
        (12.0, 16.0, "start"),
        (room.width - 12.0, 16.0, "end"),
        (middle, 16.0, "middle"),
        (middle, room.height - 12.0, "middle"),
    )
    body = ""
    for word, (x, y, anchor) in zip(ends, spots, strict=True):
        body += text(x, y, word, size=12, anchor=anchor, fill="@ink2", halo=True)
        begin = {"start": x, "end": x - 60.0, "middle": x - 30.0}[anchor]
        room.take(Box(begin - 4, y - 14, begin + 64, y + 4))
    return body


def _grid(frame: Frame2, width: float, height: float) -> str:
    """Lines every millimetre, from the tooth's own axis."""
    step = frame.px_per_mm
    data = "".join(f"M{x:.1f} 0V{height:g}" for x in np.arange(frame.x0 % step, width, step))
    data += "".join(f"M0 {y:.1f}H{width:g}" for y in np.arange(frame.y0 % step, height, step))
    return path(data, stroke="@hair", stroke_width=NARROW)


def _near(opening: Opening, frame: Frame2) -> list[FloatArray]:
    """The stretches of the neighbours' outlines next to the crown."""
    low, high = opening.bounds
    found = []
    for ring in opening.neighbours:
        inside = ((ring > low - BESIDE_MM) & (ring < high + BESIDE_MM)).all(axis=1)
        if inside.all() or not inside.any():
            continue
        first = int(np.flatnonzero(~inside)[0])
        turned, kept = np.roll(ring, -first, axis=0), np.roll(inside, -first)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], kept.astype(np.int8), [0]])))
        found += [frame.px(turned[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
    return found


def _corridor_mm(contents: PieceContents) -> float:
    """Half width of the corridor about the plan: the widest limit set on an extension, or 0.25 mm."""
    limits = [abs(x) for line in contents.lines if line.ruling.reading == "cavity.extension_mm" for x in line.limits]
    return max([x for x in limits if isfinite(x) and x > 0.0], default=CORRIDOR_MM)


def _decay(opening: Opening, frame: Frame2) -> str:
    """Where decay is left, as small hatched squares, and the lesion before cutting, dashed."""
    lesion: dict[str, Any] = {"stroke": "@ink2", "stroke_width": NARROW, "stroke_dasharray": DASHED}
    around = "" if opening.lesion is None else path(frame.px(opening.lesion), closed=True, **lesion)
    spots = frame.px(opening.decay) if len(opening.decay) else np.empty((0, 2))
    data = "".join(f"M{x - 2:.1f} {y - 2:.1f}h4v4h-4Z" for x, y in spots)
    return around + f'<path d="{data}" fill="url(#{DECAY}-{NAME})"/>' if data else around


def _dimensions(
    opening: Opening, contents: PieceContents, frame: Frame2, extent: Extent, room: Room
) -> tuple[str, tuple[int, ...]]:
    body, numbers = "", []
    for segment in (across_opening(opening, criterion) for criterion in contents.lines):
        if segment is not None:
            first, second = frame.px(segment).tolist()
            for box in along(tuple(first), tuple(second)):
                room.take(box)
    for criterion in contents.lines:
        segment = across_opening(opening, criterion)
        if segment is None:
            continue
        body += length_svg(criterion, frame.px(segment)[None], extent, room)
        numbers.append(criterion.number)
    for criterion in contents.lines:
        spot = _pointed_at(opening, criterion)
        if spot is not None:
            body += _to_intercuspal(opening, criterion, frame) + callout_svg(criterion, frame.px(spot), room)
            numbers.append(criterion.number)
    return body, tuple(sorted(numbers))


def _pointed_at(opening: Opening, criterion: CriterionLine) -> FloatArray | None:
    """Where a share that was not met is pointed at: the overlap where the cut lies farthest off the plan, the isthmus between the cusps."""
    reading = criterion.reading
    if not is_urgent(criterion) or reading.witness is None:
        return None
    if reading.id == OVERLAP and opening.plan is not None and len(opening.cut):
        cut = np.vstack(opening.cut)
        off = np.linalg.norm(cut[:, None] - opening.plan[None], axis=2).min(axis=1)
        return np.asarray(cut[int(np.argmax(off))])
    if reading.id == TO_INTERCUSPAL and len(reading.witness.segments_mm) > 1:
        cusps = _turned(opening.view, reading.witness.segments_mm[1])
        return np.asarray(0.85 * cusps[0] + 0.15 * cusps[1])
    return None


def _to_intercuspal(opening: Opening, criterion: CriterionLine, frame: Frame2) -> str:
    """The line between the cusps that an isthmus is compared with."""
    witness = criterion.reading.witness
    if criterion.reading.id != TO_INTERCUSPAL or witness is None:
        return ""
    cusps = frame.px(_turned(opening.view, witness.segments_mm[1]))
    ends = "".join(circle(float(x), float(y), 2.2, fill="@sheet", stroke="@ink", stroke_width=NARROW) for x, y in cusps)
    return path(cusps, stroke="@ink2", stroke_width=NARROW) + ends


def across_opening(opening: Opening, criterion: CriterionLine) -> FloatArray | None:
    """The measured length (2, 2) as seen from there; None where it is not one that lies across the axis."""
    witness, reading = criterion.reading.witness, criterion.reading
    if reading.id not in SHOWN or reading.value is None or witness is None or not len(witness.segments_mm):
        return None
    ends = witness.segments_mm[0]
    run = ends[1] - ends[0]
    length = float(np.linalg.norm(run))
    if not np.isfinite(ends).all() or length < 1e-6 or abs(float(run @ opening.view.axis)) > LEVEL * length:
        return None
    return _turned(opening.view, ends)
