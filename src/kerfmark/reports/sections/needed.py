"""Which sections a report has: the tooth's own, placed where they show most of what failed, and one more for each failure they miss."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from kerfmark.records import FloatArray, Reading, SectionPlane, Witness
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.sections.planes import (
    NEAR_MM,
    PLANE_AZIMUTHS,
    axial_plane,
    dimensioned_segments,
    flat,
    is_level,
    planes_of,
    reach_mm,
    view_planes,
)

__all__ = [
    "MOST_SECTIONS",
    "callout_spot",
    "is_urgent",
    "sections_planes",
    "shown_segments",
    "starting_planes",
    "urgency",
]

MOST_SECTIONS: Final = 7
"""Of one report, besides a cavity seen along its axis."""
FAILED, CLOSE, CRITICAL = 100.0, 10.0, 2.0
LEAST_WEIGHT: Final = 0.1
FROM_ABOVE: Final = ".outline_overlap"
"""Pointed at where the opening is seen along its axis."""
WAY_OUT: Final = "orifice "
HOW_DONE: Final = ("process.", "implant.drill_order", "implant.contact_time", "line.time", "line.steering")
UPRIGHT: Final = 0.2
"""A length whose level part is shorter than this part of it is shown by any upright section through it."""
LEVEL: Final = 0.7
AS_NAMED: Final = np.cos(np.radians(12.0))
NO_DIMENSION: Final = ("_sd_", "_rms_", "lateral_95", "deviation")
Z_UP: Final = np.array([0.0, 0.0, 1.0])


def urgency(line: CriterionLine) -> float:
    """How much a criterion asks to be drawn: not met before too close to call before met, the heaviest first."""
    weight = max(line.ruling.weight, LEAST_WEIGHT) + (CRITICAL if line.ruling.critical else 0.0)
    return weight * {"notmet": FAILED, "close": CLOSE}.get(line.state, 1.0)


def is_urgent(line: CriterionLine) -> bool:
    """Whether a criterion must be drawn: it is not met, or too close to call."""
    return line.state in ("notmet", "close") and line.reading.value is not None


def is_dimension(reading: Reading) -> bool:
    """True for an angle or a length whose value is what its witness shows; a ratio or a spread is no dimension."""
    kind = reading.witness.kind if reading.witness is not None else ""
    return (
        reading.value is not None
        and (kind, reading.unit) in (("angle", "deg"), ("length", "mm"), ("length", "um"))
        and reading.stat != "excess"
        and (reading.id.startswith("implant.") or not any(word in reading.id for word in NO_DIMENSION))
    )


def shown_segments(reading: Reading, plane: SectionPlane, *, number: int = 0) -> FloatArray | None:
    """The segments (k, 2, 3) by which a section dimensions a reading; None where it does not.

    The section made for a criterion, by its `number`, shows it as seen square to the plane: the lines of an angle need not meet.
    """
    if not is_dimension(reading) or _is_of_another_orifice(reading, plane):
        return None
    witness = reading.witness
    if number and plane.name.endswith(f" at {number}") and witness is not None:
        return witness.segments_mm
    segments = dimensioned_segments(witness, plane)
    return segments if segments is not None and _is_within(segments, plane) else None


def callout_spot(line: CriterionLine, plane: SectionPlane) -> tuple[FloatArray, int] | None:
    """Where a section points at an area or a volume that was not met, and how many of its points lie there; None where none does.

    The spot (3,) is the one nearest to the middle of those within `NEAR_MM` of the plane.
    """
    witness = line.reading.witness
    if not is_urgent(line) or is_dimension(line.reading) or witness is None or not _has_place(line.reading):
        return None
    points = _spots(witness)
    near = points[np.abs((points - plane.origin_mm) @ np.cross(plane.across, plane.up)) < NEAR_MM]
    if not len(near) or not _is_within(near[:, None], plane):
        return None
    return near[np.argmin(np.linalg.norm(near - near.mean(axis=0), axis=1))], len(near)


def _has_place(reading: Reading) -> bool:
    """Whether a reading lies anywhere a section shows: not an overlap, and not how a piece was done."""
    return not reading.id.endswith(FROM_ABOVE) and not reading.id.startswith(HOW_DONE)


def _spots(witness: Witness) -> FloatArray:
    """(n, 3) points of an area, a volume or a curve."""
    parts = [witness.points_mm, *witness.curves_mm] if witness.kind in ("patch", "region", "points", "curve") else []
    points = np.vstack([np.empty((0, 3)), *parts])
    return np.asarray(points[np.isfinite(points).all(axis=1)])


def _is_within(segments_mm: FloatArray, plane: SectionPlane) -> bool:
    """Whether a dimension belongs to what a plane shows: an abutment's plane runs on through the other one."""
    reach = reach_mm(plane)
    return reach is None or bool(np.abs(flat(segments_mm, plane)[..., 0]).max() < reach)


def _is_of_another_orifice(reading: Reading, plane: SectionPlane) -> bool:
    """Whether a way out belongs to another orifice's section: where both lie in one plane their angles would cover one another."""
    own = None if reading.witness is None else reading.witness.plane
    return reading.id == "access.straight_line_deg" and own is not None and own.name != plane.name


def sections_planes(
    lines: Iterable[CriterionLine],
    readings: tuple[Reading, ...],
    *,
    mesial_sign: int,
    tooth: bool = True,
    seen: Callable[[CriterionLine], bool] | None = None,
) -> tuple[SectionPlane, ...]:
    """The planes of a report's sections, at most `MOST_SECTIONS`.

    BL and MD of a cavity stand where they show most of what was not met. Each criterion not met, then each too close to call,
    the heaviest first, that lies in no plane yet has one of its own, named after the plane it runs along and its number: `BL at 4`.
    What shows no reading at all goes first where there are too many.

    Parameters
    ----------
    lines : iterable of CriterionLine
    readings : tuple of Reading
        All of the piece: they place the planes that every report of the family has.
    mesial_sign : {-1, 1}
    tooth : bool
    seen : callable
        Whether a criterion is dimensioned elsewhere, as where the cavity is seen along its axis.
    """
    asked = sorted(
        (line for line in lines if line.reading.value is not None), key=lambda line: (-urgency(line), line.number)
    )
    both = tuple(axial_plane(name, mesial_sign) for name in ("BL", "MD"))
    planes = list(planes_of(readings, mesial_sign=mesial_sign, tooth=tooth))
    if any(reading.id.startswith("cavity.") for reading in readings):
        planes = [_best(plane, asked, both) for plane in planes]
    if not tooth:
        return tuple(planes)
    added: list[SectionPlane] = []
    for line in asked:
        if is_urgent(line) and not (seen and seen(line)) and not _shows_any(line, (*planes, *added)):
            own = own_plane(line, both)
            added += [own] if own is not None else []
    kept = _enough(planes, asked, room=MOST_SECTIONS - len(added))
    found = [*kept, *added[:MOST_SECTIONS]]
    if any(plane.name.startswith(WAY_OUT) for plane in kept):  # an access: what failed stands before the ways out
        found.sort(key=lambda plane: -max((urgency(line) for line in asked if _shows_any(line, (plane,))), default=0.0))
    return tuple(found[:MOST_SECTIONS])


def starting_planes(
    lines: Iterable[CriterionLine], readings: tuple[Reading, ...], *, mesial_sign: int, tooth: bool = True
) -> tuple[SectionPlane, ...]:
    """The planes a reader may start from, as `view_planes`, where the report's sections have them."""
    planes = view_planes(readings, mesial_sign=mesial_sign, tooth=tooth)
    if not tooth:
        return planes
    own = {p.name: p for p in sections_planes(lines, readings, mesial_sign=mesial_sign)}
    return tuple(own.get(plane.name, plane) for plane in planes)


def _shows_any(line: CriterionLine, planes: Iterable[SectionPlane]) -> bool:
    return any(
        shown_segments(line.reading, plane, number=line.number) is not None or callout_spot(line, plane) is not None
        for plane in planes
    )


def _best(plane: SectionPlane, asked: list[CriterionLine], both: tuple[SectionPlane, ...]) -> SectionPlane:
    """Of the planes along BL or MD that a cavity's readings ask for, the one that shows most of what failed."""
    if plane.name not in ("BL", "MD"):
        return plane
    along = [
        one for line in asked if (one := own_plane(line, both)) is not None and one.name.startswith(f"{plane.name} ")
    ]
    named = [plane, *(replace(one, name=plane.name) for one in along)]
    return max(named, key=lambda one: round(sum(urgency(line) for line in asked if _shows_any(line, (one,))), 6))


def _enough(planes: list[SectionPlane], asked: list[CriterionLine], *, room: int) -> list[SectionPlane]:
    """Without those placed by a reading that show none, and no more than there is room for, the most telling; in their order."""
    shown = {p.name: sum(urgency(line) for line in asked if _shows_any(line, (p,))) for p in planes}
    left = [p for p in planes if p.name in PLANE_AZIMUTHS or shown[p.name] > 0.0] or planes
    most = sorted(left, key=lambda p: (p.name not in PLANE_AZIMUTHS, -shown[p.name]))[: max(room, 2)]
    return [p for p in left if any(p is one for one in most)]


def own_plane(line: CriterionLine, both: tuple[SectionPlane, ...]) -> SectionPlane | None:
    """A plane that holds a reading's length, or both directions of its angle; None where it has no run."""
    witness = line.reading.witness
    if witness is None or not np.isfinite(witness.segments_mm[:2]).all():
        return None
    if not is_dimension(line.reading):
        return _through_spots(line, both)
    plane = witness.plane
    if plane is None or dimensioned_segments(witness, plane) is None:
        plane = _through_angle(witness, both) if witness.kind == "angle" else _through_length(witness, both)
    return None if plane is None else replace(plane, name=f"{_named(plane, both)} at {line.number}")


def _through_spots(line: CriterionLine, both: tuple[SectionPlane, ...]) -> SectionPlane | None:
    """The upright plane along BL or MD, through the middle of an area or a volume, that meets more of it."""
    points = np.empty((0, 3)) if line.reading.witness is None else _spots(line.reading.witness)
    if not len(points) or not _has_place(line.reading):
        return None
    middle = points[np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1))] * [1.0, 1.0, 0.0]
    own = [replace(plane, name=f"{plane.name} at {line.number}", origin_mm=middle) for plane in both]
    return max(own, key=lambda plane: (callout_spot(line, plane) or (None, 0))[1])


def _named(plane: SectionPlane, both: tuple[SectionPlane, ...]) -> str:
    """What a plane runs along: BL, MD, across the tooth, or none of them."""
    if is_level(plane):
        return "level"
    return next((p.name for p in both if abs(float(p.across @ plane.across)) > AS_NAMED), "upright")


def _through_length(witness: Witness, both: tuple[SectionPlane, ...]) -> SectionPlane | None:
    """The upright plane along a length; one along the tooth's own plane where the length stands upright itself."""
    ends = witness.segments_mm[0]
    run, level = ends[1] - ends[0], (ends[1] - ends[0]) * [1.0, 1.0, 0.0]
    if float(np.linalg.norm(run)) < 1e-9:
        return None
    if float(np.linalg.norm(level)) < UPRIGHT * float(np.linalg.norm(run)):
        level = both[0].across if witness.plane is None or is_level(witness.plane) else witness.plane.across
    return SectionPlane("own", ends.mean(axis=0) * [1.0, 1.0, 0.0], _as_both(level, both), Z_UP)


def _through_angle(witness: Witness, both: tuple[SectionPlane, ...]) -> SectionPlane | None:
    """The plane along both lines of an angle, through the middle of the first and upright as that is."""
    first, second = (part[1] - part[0] for part in witness.segments_mm[:2])
    square = np.cross(first, second)
    if float(np.linalg.norm(square)) < 1e-9:
        return None
    through = witness.segments_mm[0].mean(axis=0)
    if abs(square[2]) > LEVEL * float(np.linalg.norm(square)):  # a cut across the tooth, seen as from above
        normal = np.sign(square[2]) * square / np.linalg.norm(square)
        across = np.array([-1.0, 0.0, 0.0]) + normal[0] * normal
        across /= np.linalg.norm(across)
        return SectionPlane("own", through, across, np.cross(normal, across))
    up = first if abs(first[2]) >= abs(second[2]) else second
    up = up if abs(up[2]) > 0.5 * float(np.linalg.norm(up)) else Z_UP - (Z_UP @ square) * square / (square @ square)
    up = np.sign(up[2]) * up / np.linalg.norm(up)
    return SectionPlane("own", through, _as_both(np.cross(up, square), both), up)


def _as_both(across: FloatArray, both: tuple[SectionPlane, ...]) -> FloatArray:
    """A unit direction, turned so that buccal or mesial is on the same end as in the tooth's plane nearest to it."""
    unit = np.asarray(across, dtype=float) / np.linalg.norm(across)
    nearest = max((p.across for p in both), key=lambda way: abs(float(unit @ way)))
    return np.asarray(unit if unit @ nearest >= 0.0 else -unit)
