"""Which planes a report draws, what their ends are called, and which readings lie in them."""

from __future__ import annotations

from typing import Final

import numpy as np

from kerfmark.geometry.frames import azimuth_direction
from kerfmark.records import FloatArray, Reading, SectionPlane, Witness

__all__ = [
    "ABUTMENT_REACH_MM",
    "axial_plane",
    "dimensioned_segments",
    "end_words",
    "flat",
    "is_level",
    "is_named",
    "looking_words",
    "plain_planes",
    "planes_of",
    "reach_mm",
    "title_of",
    "view_planes",
    "way_words",
]

PLANE_AZIMUTHS: Final = {"BL": 0.0, "MD": 90.0, "MF-DL": 45.0, "ML-DF": 135.0}
EXTRA_PLANES: Final = ("isthmus", "level", "pulp")
"""Through a cavity's narrowest place, across the tooth, and the one that holds the way from a cavity to the pulp."""
LEAST_OFF_MM: Final = 0.05
ISTHMUS: Final = "cavity.isthmus_width_mm"
_TITLES: Final = {
    "isthmus": "isthmus",
    "level": "across the tooth",
    "pulp": "nearest to the pulp",
    "opening": "along the axis",
    "tilt": "plan and apex",
}
UPRIGHT: Final = "upright"
"""A section made for a criterion that runs along none of the tooth's own planes."""
NEAR_MM: Final = 0.4
AT_ENDS: Final = 3
ABUTMENT_REACH_MM: Final = 7.5
ALONG: Final = np.cos(np.radians(12.0))

_WAYS: Final = ("buccal", "mesiobuccal", "mesial", "mesiolingual", "lingual", "distolingual", "distal", "distobuccal")
_ADVERBS: Final = {way: way + "ly" for way in _WAYS}


def planes_of(readings: tuple[Reading, ...], *, mesial_sign: int, tooth: bool = True) -> tuple[SectionPlane, ...]:
    """The planes the readings were taken in, by name, each once; BL and MD through the long axis if there are none.

    The fitted angles' own planes come before others of the same name, since they hold the path of insertion.
    """
    if not tooth:
        return axial_plane("BL", mesial_sign, name="YZ"), axial_plane("MD", mesial_sign, name="XZ")
    found: dict[str, SectionPlane] = {}
    own = _abutments_planes(readings) or _ways_planes(readings) or _bed_planes(readings, mesial_sign)
    if own:
        return own
    with_plane = [r for r in readings if r.witness is not None and r.witness.plane is not None]
    for reading in sorted(with_plane, key=lambda r: r.witness is not None and r.witness.kind != "angle"):
        plane = reading.witness.plane if reading.witness else None
        if plane is not None and plane.name in PLANE_AZIMUTHS:
            found.setdefault(plane.name, plane)
    for name in ("BL", "MD"):
        found.setdefault(name, axial_plane(name, mesial_sign))
    for plane in (r.witness.plane for r in with_plane if r.witness is not None):
        if plane is not None and plane.name in EXTRA_PLANES:
            found.setdefault(plane.name, _from_above(plane) if is_level(plane) else plane)
    found |= _isthmus_plane(readings, found["BL"], found["MD"])
    return tuple(found[name] for name in (*PLANE_AZIMUTHS, *EXTRA_PLANES) if name in found)


def view_planes(readings: tuple[Reading, ...], *, mesial_sign: int, tooth: bool = True) -> tuple[SectionPlane, ...]:
    """The planes a reader may start from: of a tooth all four that have names, of a block the two of its axes.

    Where a reading was taken in a plane it is that one, else the one through the long axis with mesial or buccal on the right.
    """
    planes = planes_of(readings, mesial_sign=mesial_sign, tooth=tooth)
    if not tooth or any(_tooth_of(plane) for plane in planes):
        return planes
    taken = {r.witness.plane.name for r in readings if r.witness is not None and r.witness.plane is not None}
    found = {plane.name: plane for plane in planes if plane.name in taken}
    return tuple(found.get(name) or _turned_round(axial_plane(name, mesial_sign)) for name in PLANE_AZIMUTHS)


def plain_planes(readings: tuple[Reading, ...], *, mesial_sign: int, tooth: bool = True) -> tuple[SectionPlane, ...]:
    """`view_planes` for before own views are in: upright, through the long axis (of an abutment, to half a millimetre).

    Of the readings only which way round their planes look is used, so that a learner sees the same side before and after.
    """
    known = view_planes(readings, mesial_sign=mesial_sign, tooth=tooth)
    return tuple(_upright(plane, mesial_sign) for plane in known) if tooth else known


def _upright(plane: SectionPlane, mesial_sign: int) -> SectionPlane:
    up = np.array([0.0, 0.0, 1.0])
    if _tooth_of(plane):
        across = plane.across * [1.0, 1.0, 0.0]
        return SectionPlane(
            plane.name, np.round(2.0 * plane.origin_mm) / 2.0 * [1.0, 1.0, 0.0], across / np.linalg.norm(across), up
        )
    axial = axial_plane(plane.name, mesial_sign)
    return axial if axial.across @ plane.across > 0.0 else _turned_round(axial)


def _from_above(plane: SectionPlane) -> SectionPlane:
    """A cut across the tooth the way the occlusal view shows it."""
    return SectionPlane(plane.name, plane.origin_mm, np.array([-1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0]))


def _isthmus_plane(readings: tuple[Reading, ...], *shown: SectionPlane) -> dict[str, SectionPlane]:
    """The upright section along a cavity's narrowest width, by its name; nothing where one of the planes shows it already."""
    witness = next((r.witness for r in readings if r.id == ISTHMUS and r.value is not None), None)
    if witness is None or any(dimensioned_segments(witness, plane) is not None for plane in shown):
        return {}
    ends = witness.segments_mm[0]
    run = (ends[1] - ends[0]) * [1.0, 1.0, 0.0]
    # As the plane it is nearest to: buccal, or mesial, on the same end.
    across = max((sign * run for sign in (-1.0, 1.0)), key=lambda way: max(float(way @ p.across) for p in shown))
    if float(np.linalg.norm(across)) < 1e-9:
        return {}
    unit = across / np.linalg.norm(across)
    return {"isthmus": SectionPlane("isthmus", ends.mean(axis=0) * [1, 1, 0], unit, np.array([0.0, 0.0, 1.0]))}


def is_named(name: str) -> bool:
    """Whether a section is by a plane of the tooth, of an abutment or of a block, which the view lets its reader move.

    >>> [is_named(name) for name in ("BL", "36 MD", "XZ", "isthmus", "orifice 1")]
    [True, True, True, False, False]
    """
    return name.rpartition(" ")[2] in PLANE_AZIMUTHS or name in ("YZ", "XZ")


def title_of(name: str) -> str:
    """What a section is called on page and sheet: a plane of the tooth by its letters, another by what it shows.

    One made for a criterion ends with its number.

    >>> [title_of(name) for name in ("BL", "pulp", "level at 2", "upright at 5")]
    ['BL', 'nearest to the pulp', 'across the tooth at 2', 'through 5']
    """
    plane, at, number = name.partition(" at ")
    return f"through {number}" if plane == UPRIGHT else f"{_TITLES.get(plane, plane)}{at}{number}"


def _turned_round(plane: SectionPlane) -> SectionPlane:
    return SectionPlane(plane.name, plane.origin_mm, -plane.across, plane.up)


def _abutments_planes(readings: tuple[Reading, ...]) -> tuple[SectionPlane, ...]:
    """Of a bridge the two planes of each abutment, named `36 BL`, `36 MD`, and so on."""
    found: dict[str, SectionPlane] = {}
    for reading in readings:
        plane = None if reading.witness is None or reading.witness.kind != "angle" else reading.witness.plane
        if plane is not None and _tooth_of(plane):
            found.setdefault(plane.name, plane)
    teeth = dict.fromkeys(_tooth_of(plane) for plane in found.values())
    names = [f"{tooth} {plane}" for tooth in teeth for plane in ("BL", "MD")]
    return tuple(found[name] for name in names if name in found)


def _ways_planes(readings: tuple[Reading, ...]) -> tuple[SectionPlane, ...]:
    """Of an access the section of the straight way out of each orifice, named `orifice 1`, and so on."""
    angles = [r.witness.plane for r in readings if r.witness is not None and r.witness.kind == "angle"]
    found = {plane.name: plane for plane in angles if plane is not None and plane.name.startswith("orifice ")}
    return tuple(found.values())


def _bed_planes(readings: tuple[Reading, ...], mesial_sign: int) -> tuple[SectionPlane, ...]:
    """Of a bed that ends beside its plan, or a plan beside another, first the plane that holds the planned axis and both ends."""
    taken = {r.id: r.witness for r in readings if r.witness is not None and r.value is not None}
    angle, apex = taken.get("implant.angle_deg"), taken.get("implant.apex_deviation_mm")
    if angle is None or apex is None or len(angle.segments_mm) < 2 or not len(apex.segments_mm):
        return ()
    entry, end = angle.segments_mm[0]
    up = (entry - end) / np.linalg.norm(entry - end)
    off = angle.segments_mm[1][1] - end
    off = off - (off @ up) * up
    size = float(np.linalg.norm(off))
    if size < LEAST_OFF_MM:
        return ()
    both = tuple(axial_plane(name, mesial_sign) for name in ("BL", "MD"))
    way = off / size
    # As the tooth's own plane it is nearest to has it: buccal or mesial on the same end.
    nearest = max((p.across for p in both), key=lambda across: abs(float(way @ across)))
    return (SectionPlane("tilt", end, way if way @ nearest > 0.0 else -way, up), *both)


def _tooth_of(plane: SectionPlane) -> str:
    """The abutment a plane is named after; nothing for a plane of the whole piece."""
    tooth, _, name = plane.name.rpartition(" ")
    return tooth if name in PLANE_AZIMUTHS else ""


def reach_mm(plane: SectionPlane) -> float | None:
    """How far to either side of its middle a plane is drawn: of an abutment's only what is its own."""
    return ABUTMENT_REACH_MM if _tooth_of(plane) else None


def end_words(plane: SectionPlane, *, mesial_sign: int, tooth: bool = True) -> tuple[str, str]:
    """What the left and the right end of a section are called."""
    if _tooth_of(plane):
        right = PLANE_AZIMUTHS[plane.name.rpartition(" ")[2]]
        return _way_at(right + 180.0), _way_at(right)
    left, right_way = (way_words(sign * plane.across, mesial_sign=mesial_sign, tooth=tooth) for sign in (-1, 1))
    return left, right_way


def axial_plane(azimuth: str, mesial_sign: int, *, name: str | None = None) -> SectionPlane:
    """The upright plane of a name through the long axis, buccal or mesial on the left."""
    across = -azimuth_direction(PLANE_AZIMUTHS[azimuth], mesial_sign=mesial_sign)
    return SectionPlane(name or azimuth, np.zeros(3), across, np.array([0.0, 0.0, 1.0]))


def flat(points_mm: FloatArray, plane: SectionPlane) -> FloatArray:
    """Points (…, 3) in the plane's own coordinates (…, 2): across and up, mm."""
    return (np.asarray(points_mm, dtype=float) - plane.origin_mm) @ np.column_stack([plane.across, plane.up])


def dimensioned_segments(witness: Witness | None, plane: SectionPlane) -> FloatArray | None:
    """The segments (k, 2, 3) of an angle's or a length's witness that a section can show; None if it lies elsewhere.

    A length taken in many sections keeps both ends of all of them as two curves; then the pair in this plane is shown.
    """
    if witness is None or witness.kind not in ("angle", "length") or not len(witness.segments_mm):
        return None
    if _is_of_another(witness.plane, plane):
        return None
    if _lies_in(witness.segments_mm, witness.kind, plane):
        return witness.segments_mm
    if (
        witness.kind == "length"
        and len(witness.curves_mm) == 2
        and len(witness.curves_mm[0]) == len(witness.curves_mm[1])
    ):
        return _pair_in(witness, plane)
    return None


def _is_of_another(taken_in: SectionPlane | None, plane: SectionPlane) -> bool:
    """Whether it was taken in another of the tooth's planes: near the line in which they meet a length lies in both."""
    return taken_in is not None and taken_in.name != plane.name and is_named(taken_in.name) and is_named(plane.name)


def _pair_in(witness: Witness, plane: SectionPlane) -> FloatArray | None:
    outer, inner = witness.curves_mm
    normal = np.cross(plane.across, plane.up)
    off = np.abs((outer - plane.origin_mm) @ normal) + np.abs((inner - plane.origin_mm) @ normal)
    nearest = int(np.argmin(off))
    if not AT_ENDS <= nearest < len(outer) - AT_ENDS:  # where one wall passes into the next
        return None
    level = inner[nearest] + ((outer[nearest] - inner[nearest]) @ plane.up) * plane.up
    segments = np.array([[outer[nearest], level], [level, inner[nearest]]])
    return segments if _lies_in(segments, "length", plane) else None


def _lies_in(segments_mm: FloatArray, kind: str, plane: SectionPlane) -> bool:
    needed = segments_mm[:2] if kind == "angle" else segments_mm[:1]
    if not np.isfinite(needed).all() or (kind == "angle" and len(needed) < 2):
        return False
    normal = np.cross(plane.across, plane.up)
    off = np.abs((needed.reshape(-1, 3) - plane.origin_mm) @ normal)
    runs = needed[:, 1] - needed[:, 0]
    lengths = np.linalg.norm(runs, axis=1)
    in_plane = np.linalg.norm(runs - np.outer(runs @ normal, normal), axis=1)
    return bool(off.max() < NEAR_MM and lengths.min() > 1e-6 and (in_plane / lengths).min() > ALONG)


def is_level(plane: SectionPlane) -> bool:
    """Whether a plane cuts across the tooth, at right angles to its long axis."""
    return bool(abs(plane.up[2]) < 0.5 and abs(plane.across[2]) < 0.5)


def way_words(direction: FloatArray, *, mesial_sign: int, tooth: bool = True) -> str:
    """Which way a direction points across the tooth (buccal, mesiobuccal, mesial), or across a block (+y, +x+y, +x)."""
    if not tooth:
        return _axis_words(direction)
    return _way_at(float(np.degrees(np.arctan2(direction[0] * mesial_sign, direction[1]))))


def _way_at(azimuth_deg: float) -> str:
    return _WAYS[int(np.round(azimuth_deg / 45.0)) % 8]


def _axis_words(direction: FloatArray) -> str:
    parts = [(abs(float(direction[k])), f"{'+' if direction[k] > 0 else '−'}{name}") for k, name in enumerate("xy")]
    return "".join(word for size, word in parts if size > 0.38)  # the sine of 22.5°


def looking_words(plane: SectionPlane, *, mesial_sign: int, tooth: bool = True) -> str:
    """Which way the reader looks at a section."""
    if not tooth:
        return f"looking along {_axis_words(-np.cross(plane.across, plane.up))}"
    if is_level(plane):
        return "looking occlusally" if -np.cross(plane.across, plane.up)[2] > 0.0 else "looking gingivally"
    if _tooth_of(plane):
        return "looking " + _ADVERBS[_way_at(PLANE_AZIMUTHS[plane.name.rpartition(" ")[2]] - 90.0 * mesial_sign)]
    return "looking " + _ADVERBS[way_words(-np.cross(plane.across, plane.up), mesial_sign=mesial_sign)]
