"""The limits bench: every stored piece ruled anew, nothing changed until it is put into force."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.marking import Code
from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.web.drawings.bench import MOST_DOTS, BenchReadings, bench_svg, too_close_mm
from kerfmark.web.pages.limits import limits_of_query, trial_text


@pytest.fixture
def cohort(school):
    """Two pieces: one with its first criterion inside, one outside."""
    sitting = school.sitting()
    return sitting, school.measured(sitting, "l1", ["in"]), school.measured(sitting, "l2", ["out"], content=b"another")


def readings(n, *, side="over", now=(0.8, 1.2)):
    rng = np.random.default_rng(3)
    value, u = rng.normal(1.0, 0.2, n), np.full(n, 0.03)
    code = np.where(
        value > now[1] + 0.05, Code.NOT_MET, np.where(value < now[0] - 0.05, Code.NOT_MET, Code.MET)
    ).astype(np.int8)
    before = code.copy()
    before[0] = Code.TOO_CLOSE
    return BenchReadings("Width", "mm", 2, side, (0.8, 1.2), now, value, u, before, code)


def test_the_zone_too_close_to_call_is_as_wide_as_jcgm_106_makes_it():
    # Source: JCGM 106:2012, 8: a normal reading is met at 0.95 where it lies 1.6449 u inside its limit.
    assert too_close_mm(1.0, 0.95) == pytest.approx(1.644854, abs=1e-6)


def test_each_piece_is_one_mark_and_what_changes_is_ringed():
    drawn = bench_svg(readings(40))
    marks = drawn.count('r="3"') + drawn.count('width="6" height="6"')
    assert marks == 40
    assert drawn.count('r="4.1"') == 1


def test_more_pieces_than_can_be_told_apart_are_drawn_as_bars():
    drawn = bench_svg(readings(MOST_DOTS + 1))
    assert 'r="3"' not in drawn
    assert drawn.count("<rect") > 20


def test_jaws_are_sliders_that_say_their_value():
    drawn = bench_svg(readings(10))
    assert drawn.count('role="slider"') == 2
    assert 'aria-valuetext="1.20 mm"' in drawn
    assert 'role="group"' in drawn


def test_the_picture_turns_round_where_large_means_material_left():
    assert 'data-flipped="1"' in bench_svg(readings(10, side="left"))
    assert 'data-flipped="0"' in bench_svg(readings(10, side="over"))


def test_ten_thousand_pieces_are_drawn_whole():
    assert len(bench_svg(readings(10_000))) < 60_000


def test_a_trial_comes_back_out_of_its_address():
    tried = limits_of_query("3:0.8:1.25,5::0.05", {})
    assert limits_of_query(trial_text(tried), {}).limits == tried.limits == {3: (0.8, 1.25), 5: (-math.inf, 0.05)}


@pytest.mark.parametrize("t", ["x:1:2", "1:2:1", "1:nan:", "1:a:b"])
def test_a_trial_that_makes_no_sense_is_refused(t):
    with pytest.raises(InputError):
        limits_of_query(t, {})


def test_a_wider_limit_turns_not_met_into_met_and_says_so(school, cohort, visit):
    low = school.criteria[0].limits[0]
    browser = visit("teacher")
    before = browser.get(f"/limits/{school.exercise}?c=1").text
    after = browser.get(f"/limits/{school.exercise}/trial?c=1&low={low - 50:g}").text
    assert "a trial, nothing changed yet" not in before
    assert '<th scope="row">met</th><td class="num">1</td><td class="num strong">2</td><td class="num">+1</td>' in after
    assert "<html" not in after


def test_a_trial_changes_nothing_and_force_marks_the_sitting_anew(school, cohort, visit):
    sitting, _, outside = cohort
    low = school.criteria[0].limits[0]
    visit("teacher").get(f"/limits/{school.exercise}?c=1&low={low - 50:g}")
    assert piece_page(school.store, school["teacher"], outside).by_limits[0].ruling == "not met"
    given = {"sitting": sitting, "t": f"1:{low - 50:g}:", "reason": "The course agreed on it."}
    assert visit("teacher").post(f"/limits/{school.exercise}/change", given).status_code == 403
    answer = visit("lead").post(f"/limits/{school.exercise}/change", given)
    assert answer.headers["location"].endswith("done=changed&n=2")
    assert piece_page(school.store, school["teacher"], outside).by_limits[0].ruling == "met"


def test_an_exercise_without_pieces_says_when_it_can_be_tried(school, visit):
    assert "as soon as there are some" in visit("teacher").get(f"/limits/{school.exercise}").text


def test_where_a_limit_stood_is_said_inside_the_picture_at_either_edge():
    near = replace(readings(10, now=(0.9, 1.3)), value=np.linspace(0.95, 1.25, 10))
    words = re.findall(r"<text[^>]*>was", bench_svg(near, width=366))
    assert len(words) == 2
    for t in words:
        x = float(re.search(r' x="([\d.]+)"', t)[1])
        assert x > 55 if 'text-anchor="end"' in t else x < 310


def test_a_band_with_one_limit_is_said_to_be_open_and_not_infinite_times_as_wide(school, cohort, visit):
    one = next(c for c in school.criteria if not all(math.isfinite(x) for x in c.limits))
    two = next(c for c in school.criteria if all(math.isfinite(x) for x in c.limits))
    browser = visit("lead")
    page = browser.get(f"/limits/{school.exercise}?c={one.number}").text
    assert "with one limit only" in page
    assert "times 4 u" not in page
    assert "times 4 u" in browser.get(f"/limits/{school.exercise}?c={two.number}").text
