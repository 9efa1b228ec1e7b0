"""The rules of the gauge strip, as numbers. Source of every position: docs/look.md, section "Gauge strip"."""

import re
from math import inf

import pytest

from kerfmark.records import Reading, Ruling
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.strips import Judged, choosing_svg, judging_svg, strip_scale, strip_svg


def criterion(value, u, limits, side, *, reading="crown.finish_line_width_mm", unit="mm"):
    status = "measured" if value is not None else "not_measurable"
    taken = Reading(reading, "distal", None, value, unit, u, status, None if value is not None else "no scan")
    ruling = Ruling(reading, "distal", None, limits, 0.5, "too close to call", 1.0, False)
    return CriterionLine(
        3, "Width, distal", "Finish line width, distal", limits, taken, ruling, None, "", side, None, 2
    )


def without_ends(svg):
    """The strip without the triangles that say which side is which."""
    return re.sub(r'<path d="M0 12.5[^"]*" fill="@\w+"/>', "", svg)


def uprights(svg):
    """Positions (%) and colours of the upright lines, limits first."""
    return [(float(x), colour) for x, colour in re.findall(r'<line x1="([0-9.]+)%" x2="\1%" [^>]*stroke="@(\w+)"', svg)]


def bars(svg):
    """Begin, width (%) and colour of the rectangles, corridor first."""
    return [
        (float(x), float(w), c)
        for x, w, c in re.findall(r'<rect x="([0-9.]+)%" width="([0-9.]+)%" [^>]*fill="@?(\w+)"', svg)
    ]


def test_two_limits_stand_at_one_and_three_quarters():
    scale = strip_scale((6.0, 16.0), "over")
    assert [scale.at(x) for x in (6.0, 11.0, 16.0, 21.0)] == [0.25, 0.5, 0.75, 1.0]


def test_the_scale_turns_round_where_large_means_material_left():
    scale = strip_scale((1.0, 2.0), "left")
    assert [scale.at(x) for x in (2.0, 1.0, 2.5)] == [0.25, 0.75, 0.0]
    assert scale.corridor == (0.25, 0.75)


def test_an_upper_limit_stands_at_three_quarters_with_nought_at_one():
    scale = strip_scale((-inf, 0.030), "over")
    assert (scale.at(0.0), scale.at(0.030), scale.corridor) == (0.25, 0.75, (0.0, 0.75))


def test_a_lower_limit_reaches_to_one_and_a_half_times_itself():
    scale = strip_scale((3.5, inf), "left")
    assert scale.at(3.5) == pytest.approx(0.75)
    assert scale.at(5.25) == pytest.approx(0.25)
    assert scale.corridor == (0.0, 0.75)


def test_a_limit_that_guards_against_material_left_stands_at_one_quarter():
    for limits, side in (((0.95, inf), "over"), ((-inf, 0.2), "left")):
        scale = strip_scale(limits, side)
        assert scale.at(next(x for x in limits if abs(x) != inf)) == pytest.approx(0.25)
        assert scale.corridor == (0.25, 1.0)


@pytest.mark.parametrize("limits", [(-inf, 0.0), (0.0, inf), (-inf, -2.0), (-3.0, inf), (-1.0, 1.0), (-inf, inf)])
@pytest.mark.parametrize("side", ["left", "over", None])
def test_left_is_material_left_for_every_kind_of_limit(limits, side):
    scale = strip_scale(limits, side)
    assert abs(scale.at(1.0)) < inf
    if abs(limits[0]) != inf or abs(limits[1]) != inf:
        assert (scale.at(1.0) > scale.at(0.0)) == (side == "over" or (side is None and limits[1] != inf))


def test_the_needle_and_its_bar_are_to_scale():
    # 1.10 ± 2 × 0.05 between 0.8 and 1.2: needle at 0.25 + 0.5 × 0.75, bar from 1.0 to 1.2.
    svg = strip_svg(criterion(1.10, 0.05, (0.8, 1.2), "over"))
    assert uprights(svg) == [(25.0, "ink"), (75.0, "ink"), (62.5, "ink")]
    assert bars(svg) == [(25.0, 50.0, "corr"), (50.0, 25.0, "ink3")]


@pytest.mark.parametrize(
    ("limits", "side", "ends"),
    [
        ((0.8, 1.2), "over", ["left", "over"]), ((-inf, 0.3), "left", ["left"]), ((1.5, inf), "left", ["over"]),
        ((-inf, 6.0), None, []), ((2.0, inf), None, []),
    ],
)  # fmt: skip
def test_a_strip_s_ends_say_which_side_is_which_where_it_has_sides(limits, side, ends):
    # Source: docs/look.md: blue triangle left, orange right, beyond a limit that guards against that side.
    svg = strip_svg(criterion(1.0, 0.01, limits, side))
    assert re.findall(r'<path d="M0 12.5[^"]*" fill="@(\w+)"', svg) == ends


def test_what_reaches_beyond_a_limit_takes_its_sides_colour():
    # 1.27 ± 0.10: from 1.17 (inside) to 1.37; the needle stands outside.
    over = strip_svg(criterion(1.27, 0.05, (0.8, 1.2), "over"))
    assert uprights(over)[2] == (83.75, "over")
    assert bars(over)[1:] == [(71.25, 3.75, "ink3"), (75.0, 21.25, "o3")]
    left = strip_svg(criterion(0.75, 0.01, (0.8, 1.2), "over"))
    assert uprights(left)[2][1] == "left"
    assert bars(left)[1][2] == "l3"


def test_without_a_side_what_lies_beyond_is_hatched_ink():
    svg = strip_svg(criterion(70.0, 2.0, (-inf, 60.0), None, unit="um"))
    assert "stroke-dasharray" in svg
    assert not re.search(r"@[lo]3|@left|@over", svg)


@pytest.mark.parametrize(("value", "colour"), [(0.3, "left"), (2.0, "over")])
def test_off_the_strip_only_chevrons_are_drawn(value, colour):
    svg = strip_svg(criterion(value, 0.02, (0.8, 1.2), "over"))
    assert len(uprights(svg)) == 2
    assert len(bars(svg)) == 1
    assert f'fill="@{colour}"' in svg


def test_far_into_the_open_side_of_a_corridor_nothing_is_coloured():
    # At least 0.4, large means material left: 1.12 lies off the strip on the left, inside the limits.
    svg = strip_svg(criterion(1.12, 0.005, (0.4, inf), "left", unit="1"))
    assert not re.search(r"@left|@over", without_ends(svg))


def test_not_measured_is_a_dashed_line_in_the_corridor():
    svg = strip_svg(criterion(None, None, (0.8, 1.2), "over"))
    assert len(uprights(svg)) == 2
    assert re.search(r'x1="25%" x2="75%"[^>]*stroke-dasharray', svg)


def test_a_count_that_must_be_nought_stands_inside_when_it_is():
    svg = strip_svg(criterion(0.0, 0.0, (-inf, 0.0), "over", unit="1"))
    assert uprights(svg) == [(75.0, "ink"), (25.0, "ink")]


def test_a_strip_reads_aloud_as_one_sentence():
    svg = strip_svg(criterion(1.27, 0.03, (0.8, 1.2), "over"))
    assert 'aria-label="Finish line width, distal: 1.27 ± 0.06 mm, limits 0.80 to 1.20, too close to call."' in svg


def brackets(svg):
    """Begin and end (%) of every open bracket: level lines that are 1.3 px wide."""
    return [
        (float(a), float(b))
        for a, b in re.findall(
            r'<line x1="([0-9.]+)%" x2="([0-9.]+)%" y1="[0-9.]+" y2="[0-9.]+" stroke="@ink" stroke-width="1.3"', svg
        )
    ]


def test_an_own_view_of_inside_is_a_bracket_from_limit_to_limit_under_the_strip():
    drawn = strip_svg(criterion(1.0, 0.03, (0.8, 1.2), "over"), own=Judged("inside", "fairly sure"))
    assert brackets(drawn) == [(25.0, 75.0)]
    assert 'y1="24" y2="24"' in drawn
    assert "Own view: inside, fairly sure." in drawn


def test_an_own_view_of_outside_is_two_brackets_one_beyond_each_limit():
    both = strip_svg(criterion(1.0, 0.03, (0.8, 1.2), "over"), own=Judged("outside", "guess"))
    assert brackets(both) == [(0.0, 25.0), (75.0, 100.0)]
    one_sided = strip_svg(criterion(0.01, 0.003, (-inf, 0.03), "over"), own=Judged("outside", "guess"))
    assert brackets(one_sided) == [(75.0, 100.0)]


def test_who_cannot_tell_draws_a_dashed_bracket_over_the_full_width_without_strokes():
    drawn = judging_svg((0.8, 1.2), "over", "Width, distal.", own=Judged("cannot tell"))
    assert brackets(drawn) == [(0.0, 100.0)]
    assert "stroke-dasharray" in drawn
    assert drawn.count('x1="-2"') == drawn.count('x1="0"') == 0


@pytest.mark.parametrize(("confidence", "strokes"), [("guess", 1), ("fairly sure", 2), ("sure", 3)])
def test_how_sure_is_the_number_of_strokes_across_the_bracket(confidence, strokes):
    drawn = judging_svg((0.8, 1.2), "over", "Width, distal.", own=Judged("inside", confidence))
    assert len(re.findall(r'<line x1="(-?[0-9.]+)" x2="\1" y1="26" y2="32"', drawn)) == strokes


def test_before_the_reveal_a_strip_holds_its_limits_and_no_needle():
    drawn = judging_svg((0.8, 1.2), "over", "Width, distal.")
    assert [at for at, _ in uprights(drawn)] == [25.0, 75.0]


def test_a_strip_to_choose_on_holds_each_view_once_and_each_degree_of_sureness_where_it_is_asked():
    drawn = choosing_svg((0.8, 1.2), "over", "Width, distal.")
    assert re.findall(r'data-view="([a-z ]+)"', drawn) == ["inside", "outside", "cannot tell"]
    assert re.findall(r'data-sure="([a-z ]+)"', drawn) == ["guess", "fairly sure", "sure"] * 2
