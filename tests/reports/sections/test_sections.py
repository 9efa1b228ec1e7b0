"""Sections: what is cut, which readings lie in a plane, and dimensions drawn from their witnesses."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from kerfmark.records import SectionPlane, Witness
from kerfmark.reports.contents import contents_of
from kerfmark.reports.placement import Room
from kerfmark.reports.sections.dimensions import Extent, angle_svg, label_width, length_svg, value_texts
from kerfmark.reports.sections.drawing import CSS_PX_PER_MM, TRUE_SCALES, sections_of
from kerfmark.reports.sections.outlines import clipped_above, outlines_of
from kerfmark.reports.sections.planes import dimensioned_segments, flat, looking_words, planes_of, way_words

X, Y, Z = np.eye(3)
BL = SectionPlane("BL", np.zeros(3), -Y, Z)


@pytest.fixture(scope="module")
def drawn(piece_report):
    assessment, prepared, loaded = piece_report
    contents = contents_of(assessment, loaded)
    return contents, sections_of(assessment, prepared, contents, floor_mm=-2.0, limit_mm=0.15, size=(400, 424))


def test_a_curve_cut_by_a_level_ends_exactly_on_it():
    # Source: a circle of radius 2 cut at height 1: the chord ends at ± √3; a 1° polygon errs by r (1 − cos 0.5°).
    turn = np.radians(np.arange(0, 361))
    circle = 2.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    (part,) = clipped_above(circle, 1.0)
    np.testing.assert_allclose(part[[0, -1], 1], 1.0)
    np.testing.assert_allclose(np.sort(part[[0, -1], 0]), [-np.sqrt(3), np.sqrt(3)], atol=1e-3)


def test_a_curve_wholly_above_or_below_is_kept_or_left_out():
    curve = np.array([[0.0, 1.0], [1.0, 2.0]])
    assert len(clipped_above(curve, 0.0)) == 1
    assert clipped_above(curve, 3.0) == []


def test_plane_coordinates_run_right_and_up():
    np.testing.assert_allclose(flat(np.array([[9.0, -2.0, 3.0]]), BL), [[2.0, 3.0]])


@pytest.mark.parametrize(("sign", "way"), [(1, "mesial"), (-1, "distal")])
def test_sides_are_named_by_where_mesial_lies(sign, way):
    assert way_words(X, mesial_sign=sign) == way
    assert way_words(Y, mesial_sign=sign) == "buccal"
    assert looking_words(BL, mesial_sign=1) == ("looking mesially" if np.cross(-Y, Z)[0] < 0 else "looking distally")


def test_a_block_has_axes_instead_of_a_mouth():
    assert way_words(-X, mesial_sign=1, tooth=False) == "−x"
    assert way_words((X + Y) / np.sqrt(2), mesial_sign=1, tooth=False) == "+x+y"
    assert [p.name for p in planes_of((), mesial_sign=1, tooth=False)] == ["YZ", "XZ"]


def test_only_a_witness_in_the_plane_is_dimensioned():
    inside = Witness("length", segments_mm=np.array([[[0.0, 4.0, 1.0], [0.0, 3.0, 1.0]]]))
    beside = Witness("length", segments_mm=inside.segments_mm + np.array([2.0, 0, 0]))
    across = Witness("length", segments_mm=np.array([[[0.0, 0, 1.0], [0.3, 0, 1.0]]]))
    assert dimensioned_segments(inside, BL) is inside.segments_mm
    assert dimensioned_segments(beside, BL) is None
    assert dimensioned_segments(across, BL) is None
    assert dimensioned_segments(Witness("patch", points_mm=np.zeros((3, 3))), BL) is None


def test_an_upright_length_where_two_planes_meet_is_shown_in_the_one_it_was_taken_in():
    upright = np.array([[[0.1, 0.0, 0.0], [0.1, 0.0, 5.0]]])
    taken = SectionPlane("MD", np.zeros(3), np.array([1.0, 0.0, 0.0]), Z)
    witness = Witness("length", segments_mm=upright, plane=taken)
    assert dimensioned_segments(witness, BL) is None
    np.testing.assert_allclose(dimensioned_segments(witness, taken), upright)


def test_of_many_sections_the_one_in_the_plane_is_shown():
    # Widths of 1.0 at every azimuth of the buccal wall; the plane holds azimuth 0.
    turn = np.radians(np.arange(-45, 46, 5.0))
    outward = np.column_stack([np.sin(turn), np.cos(turn), np.zeros(len(turn))])
    curves = (5.0 * outward, 4.0 * outward + [0, 0, 0.3])
    segments = np.array([[curves[0][3], curves[0][3]], [curves[1][3], curves[1][3]]])
    shown = dimensioned_segments(Witness("length", segments_mm=segments, curves_mm=curves), BL)
    np.testing.assert_allclose(shown[0], [[0, 5, 0], [0, 4, 0]], atol=1e-12)
    diagonal = SectionPlane("MF-DL", np.zeros(3), -outward[-1], Z)
    assert dimensioned_segments(Witness("length", segments_mm=segments, curves_mm=curves), diagonal) is None


def test_planes_come_from_the_witnesses_and_always_hold_bl_and_md(piece_report):
    assert [p.name for p in planes_of(piece_report[0].readings, mesial_sign=-1)] == ["BL", "MD", "MF-DL", "ML-DF"]
    assert [p.name for p in planes_of((), mesial_sign=1)] == ["BL", "MD"]


def test_the_corridor_holds_the_target_and_is_as_wide_as_stated(piece_report):
    # Source: the corridor is |distance to target| < limit; its outline must read ± limit (grid 0.12 mm, raster 0.05 mm: 0.03).
    from kerfmark.geometry.grids import sample

    assessment, prepared, _ = piece_report
    outlines = outlines_of(BL, assessment.piece, prepared, floor_mm=-2.0, limit_mm=0.15)
    points = np.vstack(outlines.corridor)
    distance = np.abs(sample(prepared.target_grid, points[:, :1] * BL.across + points[:, 1:] * BL.up))
    at_edge = np.abs(distance - 0.15) < 0.03
    assert distance.max() < 0.18
    assert at_edge.mean() > 0.8
    assert len(outlines.piece) >= 1


def test_departures_say_how_far_and_on_which_side(piece_report):
    assessment, prepared, _ = piece_report
    plane = SectionPlane("MD", np.zeros(3), X, Z)
    found = outlines_of(plane, assessment.piece, prepared, floor_mm=-2.0, limit_mm=0.15).departures
    assert {d.side for d in found} == {"over"}
    assert all(d.worst_mm < -0.15 for d in found)


def test_every_section_is_well_formed_and_dimensioned(drawn):
    contents, sections = drawn
    assert [s.name for s in sections] == ["BL", "MD", "MF-DL", "ML-DF"]
    for section in sections:
        root = ET.fromstring(section.drawing)
        assert not re.search(r"\bnan\b|\binf\b", section.drawing, re.IGNORECASE)
        shown = {int(g.get("data-c")) for g in root.iter("{http://www.w3.org/2000/svg}g") if g.get("class") == "dim"}
        assert shown == set(section.numbers)
    angles = [line.number for line in contents.lines if line.reading.id == "crown.total_occlusal_convergence_deg"]
    assert [n for s in sections for n in s.numbers if n in angles] == angles


def test_values_on_a_section_do_not_cover_each_other(drawn):
    for section in drawn[1]:
        boxes = []
        for group in ET.fromstring(section.drawing).iter("{http://www.w3.org/2000/svg}g"):
            if group.get("class") == "dim" and not group.get("transform"):
                text = group.find("{http://www.w3.org/2000/svg}text")
                x, y = float(text.get("x")), float(text.get("y"))
                boxes.append((x - 21, y - 12, x + 6.0 * len(text.text), y))
        for i, a in enumerate(boxes):
            for b in boxes[:i]:
                assert not (a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


def test_paper_sections_stand_at_a_true_round_scale(piece_report):
    assessment, prepared, loaded = piece_report
    contents = contents_of(assessment, loaded)
    sections = sections_of(
        assessment, prepared, contents, floor_mm=-2.0, limit_mm=0.15, size=(348, 330), true_scale=True
    )
    assert {s.paper_scale for s in sections} <= set(TRUE_SCALES)
    assert sections[0].px_per_mm == pytest.approx(sections[0].paper_scale * CSS_PX_PER_MM)


def ends_of_arc(svg):
    found = re.search(r"M([-0-9.]+) ([-0-9.]+)A([0-9.]+) [0-9.]+ 0 0 (\d) ([-0-9.]+) ([-0-9.]+)", svg)
    x1, y1, r, sweep, x2, y2 = map(float, found.groups())
    return np.array([x1, y1]), np.array([x2, y2]), r, int(sweep)


@pytest.mark.parametrize("lean", [3.0, 8.0, 15.0])
def test_an_angle_is_an_arc_about_the_true_meeting_point(drawn, lean):
    # Source: two walls 100 px apart at their foot, each leaning by `lean`, meet at height 50 / tan(lean) above it.
    criterion = drawn[0].lines[0]
    tan = np.tan(np.radians(lean))
    walls = np.array([[[150 + tan * h, 300 - h] for h in (20, 90)], [[250 - tan * h, 300 - h] for h in (20, 90)]])
    svg = angle_svg(criterion, walls, Extent(150, 180, 250, 300), Room(400, 400))
    first, second, radius, _ = ends_of_arc(svg)
    apex = np.array([200.0, 300.0 - 50.0 / tan])
    assert np.hypot(*(first - apex)) == pytest.approx(radius, abs=0.1)
    assert np.hypot(*(second - apex)) == pytest.approx(radius, abs=0.1)
    between = np.degrees(np.arccos((first - apex) @ (second - apex) / radius**2))
    assert between == pytest.approx(2 * lean, abs=0.1)
    assert max(first[1], second[1]) < 180


def test_a_short_length_has_its_arrows_outside(drawn):
    criterion = next(c for c in drawn[0].lines if c.reading.id == "crown.finish_line_width_mm")
    segments = np.array([[[100.0, 250.0], [124.0, 250.0]], [[124.0, 250.0], [124.0, 240.0]]])
    svg = length_svg(criterion, segments, Extent(90, 100, 300, 350), Room(400, 400))
    tips = re.findall(r"M([0-9.]+) [0-9.]+L([0-9.]+) ", re.sub(r'class="fitted".*?</g>', "", svg))
    heads = {float(tip): float(tail) for tip, tail in tips}
    assert heads[100.0] < 100.0
    assert heads[124.0] > 124.0


def test_a_value_without_room_beside_the_piece_stays_outside_it_over_its_own_arrows(drawn):
    # Asked for: nothing written across the section where it need not be. The dimensioned length ends at 98 px, the piece begins there.
    criterion = next(c for c in drawn[0].lines if c.reading.id == "crown.finish_line_width_mm")
    segments = np.array([[[79.0, 250.0], [98.0, 250.0]], [[98.0, 250.0], [98.0, 240.0]]])
    svg = length_svg(criterion, segments, Extent(79, 100, 270, 350), Room(348, 400))
    begin = float(re.findall(r'<text x="([0-9.]+)"[^>]*font-size="12.5"', svg)[0]) - 21.0
    assert begin >= 2.0
    assert begin + label_width(criterion, always_u=False) <= 98.0


def test_a_median_of_many_sections_says_so(drawn):
    width = next(c for c in drawn[0].lines if c.reading.id == "crown.finish_line_width_mm")
    angle = drawn[0].lines[0]
    assert value_texts(width)[0].startswith("med. ")
    assert re.fullmatch(r"[0-9.]+°", value_texts(angle)[0])
    assert value_texts(angle)[1].endswith("°")
