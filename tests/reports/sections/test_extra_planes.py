"""Sections that a reading places: through a cavity's isthmus, across the tooth, through a plan and where a bed ended."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Reading, SectionPlane, Witness
from kerfmark.reports.sections.drawing import _closed_by_break
from kerfmark.reports.sections.outlines import Outlines, outlines_of
from kerfmark.reports.sections.planes import dimensioned_segments, looking_words, planes_of, title_of

X, Y, Z = np.eye(3)


def read(reading, witness, *, unit="mm"):
    return Reading(reading, None, None, 1.4, unit, 0.02, "measured", None, (), witness)


def isthmus(first, second):
    level = np.array([first, second], dtype=float)
    feet = [np.array([end, end - [0, 0, 0.3]]) for end in level]
    return read("cavity.isthmus_width_mm", Witness("length", level, np.array([level, *feet])))


def test_a_slanted_isthmus_has_a_section_of_its_own_in_which_it_is_dimensioned():
    # Source: BL and MD show what lies within 12° of them; this one runs at 45°.
    readings = (isthmus([1.0, 0.0, 4.0], [2.0, 1.0, 4.0]),)
    planes = {p.name: p for p in planes_of(readings, mesial_sign=1)}
    assert list(planes) == ["BL", "MD", "isthmus"]
    own = planes["isthmus"]
    np.testing.assert_allclose(np.abs(own.across @ [1.0, 1.0, 0.0]), np.sqrt(2.0))
    assert dimensioned_segments(readings[0].witness, own) is not None
    assert title_of("isthmus") == "isthmus"


def test_an_isthmus_that_the_tooth_s_own_plane_shows_needs_none():
    assert [p.name for p in planes_of((isthmus([0.0, -0.7, 4.0], [0.0, 0.7, 4.0]),), mesial_sign=1)] == ["BL", "MD"]


@pytest.mark.parametrize("sign", [1, -1])
def test_a_cut_across_the_tooth_is_looked_at_from_above(sign):
    across = SectionPlane("level", 2.0 * Z, -sign * X, Y)
    reading = read("cavity.axial_depth_mm", Witness("length", segments_mm=np.array([[Z, Z + X]]), plane=across))
    level = next(p for p in planes_of((reading,), mesial_sign=sign) if p.name == "level")
    assert looking_words(level, mesial_sign=sign) == "looking gingivally"


def test_the_section_of_a_bed_holds_the_plan_and_the_end_of_the_bed():
    plan, bed = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, -10.0]]), np.array([[0.1, 0.0, 0.0], [0.6, 0.8, -10.2]])
    readings = (
        read("implant.angle_deg", Witness("angle", segments_mm=np.array([plan, bed])), unit="deg"),
        read("implant.apex_deviation_mm", Witness("length", segments_mm=np.array([[bed[1], plan[1]]]))),
    )
    tilt, *others = planes_of(readings, mesial_sign=1)
    assert [tilt.name, *(p.name for p in others)] == ["tilt", "BL", "MD"]
    normal = np.cross(tilt.across, tilt.up)
    np.testing.assert_allclose([(point - tilt.origin_mm) @ normal for point in (*plan, bed[1])], 0.0, atol=1e-12)


def test_an_outline_whose_scan_ends_above_the_drawing_s_foot_is_closed_there_and_a_stretch_of_wall_is_not():
    stump = np.array([[0.0, 90.0], [10.0, 20.0], [40.0, 20.0], [50.0, 92.0]])
    area, wave = _closed_by_break(stump, 200.0)
    assert area.endswith("Z")
    assert wave
    assert _closed_by_break(np.array([[0.0, 20.0], [10.0, 60.0], [12.0, 92.0]]), 200.0) == ("", "")


def test_a_neighbour_is_cut_too_and_shown_next_to_the_tooth_alone(piece_report):
    # Source: the subject itself, moved aside by more than its width: its near wall stays within 2.2 mm of the tooth, the far one does not.
    assessment, prepared, _ = piece_report
    width = float(np.ptp(prepared.subject.vertices_mm[:, 0]))
    aside = replace(prepared.subject, vertices_mm=prepared.subject.vertices_mm + np.array([width + 0.3, 0.0, 0.0]))
    beside = SimpleNamespace(**{**vars(prepared), "neighbours": {"distal": aside}})
    plane = SectionPlane("MD", np.zeros(3), X, Z)
    found: Outlines = outlines_of(plane, assessment.piece, beside, floor_mm=-2.0, limit_mm=0.15)
    right = float(np.vstack([*found.piece, *found.subject])[:, 0].max())
    points = np.vstack(found.neighbours)
    assert right < points[:, 0].min() < right + 1.0
    assert points[:, 0].max() <= right + 2.2 + 1e-9
    assert outlines_of(plane, assessment.piece, prepared, floor_mm=-2.0, limit_mm=0.15).neighbours == ()
