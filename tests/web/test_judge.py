"""Own view first: nothing measured reaches the learner before it is in."""

import re

import pytest

READINGS = re.compile(r"±|probability|not met|met</|whole-still|/scene\.glb")


@pytest.fixture
def piece(school):
    return school.measured(school.sitting(), "l1", ["out", "on"])


def filled(school, view="inside", sure="sure"):
    return {f"view-{c.number}": view for c in school.criteria} | {f"sure-{c.number}": sure for c in school.criteria}


def test_a_learner_is_led_to_judge_before_the_piece_is_shown(piece, visit):
    browser = visit("l1")
    for address in ("", "/reveal"):
        assert browser.get(f"/pieces/{piece}{address}").headers["location"] == f"/pieces/{piece}/judge"


def test_the_page_of_judging_holds_nothing_measured(piece, visit):
    page = visit("l1").get(f"/pieces/{piece}/judge").text
    assert READINGS.findall(page) == []
    assert 'id="bare-still"' in page


def test_the_keyboard_reaches_the_questions_past_the_view(piece, visit):
    page = visit("l1").get(f"/pieces/{piece}/judge").text
    assert '<a class="skip" href="#questions">' in page
    assert page.count('id="questions"') == 1
    assert f"/pieces/{piece}/plain.glb" in page


def test_every_criterion_is_asked_with_three_views_and_three_degrees_of_sureness(piece, school, visit):
    page = visit("l1").get(f"/pieces/{piece}/judge").text
    for c in school.criteria:
        assert page.count(f'name="view-{c.number}"') == page.count(f'name="sure-{c.number}"') == 3


def test_what_is_missing_is_named_and_what_was_said_stays(piece, school, visit):
    browser = visit("l1")
    answer = browser.post(f"/pieces/{piece}/judge", filled(school) | {"view-3": "", "sure-5": ""})
    assert answer.status_code == 422
    assert "criterion 3, 5: no view, or not how sure" in answer.text
    assert answer.text.count('data-part="view" checked') == len(school.criteria) - 1
    assert READINGS.findall(answer.text) == []


def test_cannot_tell_counts_as_a_view_and_needs_no_sureness(piece, school, visit):
    browser = visit("l1")
    answer = browser.post(f"/pieces/{piece}/judge", filled(school, "cannot tell", ""))
    assert answer.headers["location"] == f"/pieces/{piece}/reveal?done=judged"


def test_a_view_is_kept_once(piece, school, visit):
    browser = visit("l1")
    assert browser.post(f"/pieces/{piece}/judge", filled(school)).status_code == 303
    assert browser.post(f"/pieces/{piece}/judge", filled(school, "outside")).status_code == 409
    assert "inside, sure" in browser.get(f"/pieces/{piece}/reveal").text


def test_a_view_that_is_not_offered_is_refused(piece, school, visit):
    assert visit("l1").post(f"/pieces/{piece}/judge", filled(school, "perfect")).status_code == 422


def test_nobody_judges_for_another(piece, school, visit):
    for who in ("teacher", "lead", "e1"):
        assert visit(who).post(f"/pieces/{piece}/judge", filled(school)).status_code in (403, 409), who
    assert visit("l2").post(f"/pieces/{piece}/judge", filled(school)).status_code == 404
