"""Which sections a report has: every criterion that was not met lies in one, the heaviest first, and none is there for nothing."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Reading, Ruling, SectionPlane, Witness
from kerfmark.reports.sections.needed import (
    MOST_SECTIONS,
    callout_spot,
    is_dimension,
    sections_planes,
    shown_segments,
    urgency,
)
from kerfmark.reports.sections.planes import title_of

X, Y, Z = np.eye(3)
STATES = {"met": "met", "notmet": "not met", "close": "too close to call"}


def line(number, reading, witness, *, state="notmet", unit="mm", weight=1.0, value=1.4):
    read = Reading(reading, str(number), None, value, unit, 0.02, "measured", None, (), witness)
    ruling = Ruling(reading, str(number), None, (0.0, 1.0), 0.0, STATES[state], weight, False)
    return SimpleNamespace(number=number, reading=read, ruling=ruling, state=state)


def length(begin, end, plane=None):
    return Witness("length", segments_mm=np.array([[begin, end]], dtype=float), plane=plane)


def chosen(*lines, **told):
    return sections_planes(lines, tuple(one.reading for one in lines), mesial_sign=1, **told)


def is_shown(one, planes):
    return any(
        shown_segments(one.reading, p, number=one.number) is not None or callout_spot(one, p) is not None
        for p in planes
    )


def test_whatever_was_not_met_lies_in_a_section_however_it_runs():
    # Source: the rule that no number stands without its witness. Lengths at 30°, 45° and upright, an area, an angle of lines that never meet.
    skew = np.array([[0.0 * Z, 5.0 * Z], [2.0 * X + 0.0 * Z, 2.0 * X + 5.0 * Z + Y]])
    lines = (
        line(1, "access.gouge_depth_mm", length([3.0, 0.2, -2.0], [3.5, 0.5, -1.5])),
        line(2, "access.wall_left_mm", length([-4.0, 0.0, 1.0], [-4.2, 0.2, 1.0])),
        line(3, "cavity.pulpal_depth_mm", length([2.0, 2.0, 1.0], [2.0, 2.0, 3.0])),
        line(4, "cavity.unsupported_enamel_mm3", Witness("region", points_mm=np.array([[1.5, 3.0, 4.0]])), unit="mm3"),
        line(5, "implant.angle_deg", Witness("angle", segments_mm=skew), unit="deg"),
    )
    planes = chosen(*lines)
    assert [one.number for one in lines if not is_shown(one, planes)] == []
    for plane in planes:
        np.testing.assert_allclose([plane.across @ plane.up, plane.across @ plane.across], [0.0, 1.0], atol=1e-12)


def test_a_section_made_for_an_angle_holds_both_of_its_directions():
    first, second = Z * 8.0, 8.0 * Z + X + 0.5 * Y
    skew = np.array([[0.0 * Z, first], [2.0 * Y, 2.0 * Y + second]])
    planes = chosen(line(4, "implant.angle_deg", Witness("angle", segments_mm=skew), unit="deg"))
    own = next(p for p in planes if p.name.endswith(" at 4"))
    square = np.cross(own.across, own.up)
    np.testing.assert_allclose([square @ first, square @ second], 0.0, atol=1e-12)


def test_an_angle_across_the_tooth_is_seen_as_from_above():
    # Source: the level section of a cavity has mesial, here +x, on the left and lingual up, and is looked at gingivally.
    wedge = np.array([[[2.0, 0.0, 5.0], [3.0, 1.0, 5.1]], [[2.0, 0.0, 5.0], [3.0, -0.2, 5.0]]])
    planes = chosen(line(3, "cavity.bevel_angle_deg", Witness("angle", segments_mm=wedge), unit="deg"))
    own = next(p for p in planes if p.name == "level at 3")
    assert own.across @ X < -0.9
    assert own.up @ Y < -0.9
    np.testing.assert_allclose(np.cross(own.across, own.up) @ (wedge[:, 1] - wedge[:, 0]).T, 0.0, atol=1e-12)


def test_there_are_no_more_than_said_and_the_heaviest_come_first():
    lines = [
        line(n, "access.gouge_depth_mm", length([0.9 * n, 0.0, 1.0], [0.9 * n + 0.3, 0.3, 1.0]), weight=float(n))
        for n in range(1, 12)
    ]
    planes = chosen(*lines)
    assert len(planes) == MOST_SECTIONS
    assert is_shown(lines[-1], planes)
    assert not is_shown(lines[0], planes)


def test_not_met_comes_before_too_close_and_that_before_met():
    order = [line(1, "a", None, state=state, weight=2.0) for state in ("notmet", "close", "met")]
    assert sorted(order, key=urgency, reverse=True) == order


def test_the_tooth_s_own_plane_stands_where_a_cavity_shows_most_of_what_failed():
    plane = SectionPlane("BL", X, -Y, Z)
    met = line(1, "cavity.extension_mm", length([1.0, 0.0, 4.0], [1.0, 0.4, 4.0], plane), state="met")
    failed = line(2, "cavity.pulpal_depth_mm", length([-2.0, 0.0, 2.0], [-2.0, 0.0, 5.0]), weight=2.0)
    found = {p.name: p for p in chosen(met, failed)}
    assert (
        shown_segments(failed.reading, found["BL"]) is not None
        or shown_segments(failed.reading, found["MD"]) is not None
    )
    assert not any(" at " in name for name in found)


def test_a_section_that_a_reading_placed_and_nothing_lies_in_is_left_out():
    across = SectionPlane("level", 2.0 * Z, -X, Y)
    tilted = line(1, "cavity.axial_depth_mm", length(Z, Z + X), state="met")
    seen = replace(tilted.reading, witness=replace(tilted.reading.witness, plane=across))
    tilted.reading = seen  # it lies 1 mm from the plane it names
    assert [p.name for p in chosen(tilted)] == ["BL", "MD"]


def test_what_is_seen_elsewhere_needs_no_section():
    one = line(1, "cavity.box_width_mm", length([3.0, 3.0, 2.0], [3.4, 3.4, 2.0]))
    assert any(p.name.endswith(" at 1") for p in chosen(one))
    assert [p.name for p in chosen(one, seen=bool)] == ["BL", "MD"]


def test_an_area_is_pointed_at_where_it_was_not_met_and_not_where_it_was():
    spots = Witness("region", points_mm=np.array([[0.0, 3.0, 4.0], [0.1, 3.2, 4.0], [5.0, 0.0, 0.0]]))
    plane = SectionPlane("BL", 0.0 * X, -Y, Z)
    spot, count = callout_spot(line(1, "cavity.unsupported_enamel_mm3", spots, unit="mm3"), plane)
    assert count == 2
    assert abs(spot[0]) < 0.2
    assert callout_spot(line(1, "cavity.unsupported_enamel_mm3", spots, unit="mm3", state="met"), plane) is None
    assert not is_dimension(line(1, "cavity.unsupported_enamel_mm3", spots, unit="mm3").reading)


def test_of_an_access_what_failed_stands_before_the_ways_out_and_abutments_keep_their_order():
    up = np.array([[0.0 * Z, 4.0 * Z], [0.0 * Z, 4.0 * Z + 0.3 * X]])
    way = line(1, "access.straight_line_deg", Witness("angle", segments_mm=up, plane=SectionPlane("orifice 1", 0.0 * X, X, Z)),
               state="met", unit="deg")  # fmt: skip
    gouge = line(2, "access.gouge_depth_mm", length([3.0, 3.0, 1.0], [3.5, 3.4, 1.0]))
    assert [p.name for p in chosen(way, gouge)] == ["upright at 2", "orifice 1"]
    walls = [
        line(n, "crown.taper_deg", Witness("angle", segments_mm=up + 9.0 * n * X, plane=SectionPlane(name, 9.0 * n * X, X, Z)),
             state=state, unit="deg")
        for n, (name, state) in enumerate([("36 MD", "met"), ("38 MD", "notmet")], 1)
    ]  # fmt: skip
    assert [p.name for p in chosen(*walls)] == ["36 MD", "38 MD"]


@pytest.mark.parametrize("reading", ["implant.drill_order", "process.path_mm", "cavity.outline_overlap"])
def test_how_a_piece_was_done_and_an_overlap_have_no_spot_in_a_section(reading):
    # Source: the path of the tip crosses every plane somewhere, and none of these places is where the order went wrong.
    path = Witness("curve", curves_mm=(np.array([[0.0, 0.0, 1.0], [0.1, 0.0, 2.0]]),))
    assert callout_spot(line(1, reading, path, unit="1"), SectionPlane("BL", 0.0 * X, -Y, Z)) is None


@pytest.mark.parametrize(("name", "title"), [("MD at 14", "MD at 14"), ("upright at 5", "through 5")])
def test_a_section_made_for_a_criterion_says_its_number(name, title):
    assert title_of(name) == title
