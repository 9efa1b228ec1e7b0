"""Handing a piece in through the page."""

import pytest

from kerfmark.sittings.pieces import pieces
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions


@pytest.fixture
def sitting(school):
    return school.sitting()


def hand_in(browser, sitting, content=b"solid piece", name="piece.stl", **more):
    files = {"piece": (name, content, "application/octet-stream")} if content is not None else {}
    return browser.send(
        "POST", "/pieces/new", data={"form_token": browser.token(), "sitting": sitting, **more}, files=files
    )


def test_a_learner_hands_in_a_file_and_is_led_to_the_piece(school, sitting, visit):
    browser = visit("l1")
    answer = hand_in(browser, sitting)
    (line,) = pieces(school.store, school["l1"])
    assert answer.headers["location"] == f"/pieces/{line.id}?done=received"
    assert line.word == "received"


def test_the_same_file_twice_is_one_piece(school, sitting, visit):
    browser = visit("l1")
    first, again = hand_in(browser, sitting), hand_in(browser, sitting)
    assert again.headers["location"] == first.headers["location"].replace("received", "again")
    assert len(pieces(school.store, school["l1"])) == 1


def test_a_teacher_hands_in_for_a_learner_by_code(school, sitting, visit):
    hand_in(visit("teacher"), sitting, learner="l2-code")
    assert len(pieces(school.store, school["l2"])) == 1


def test_no_learner_hands_in_for_another(school, sitting, visit):
    answer = hand_in(visit("l1"), sitting, learner="l2-code")
    assert answer.status_code == 422
    assert pieces(school.store, school["l2"]) == []


def test_without_a_file_the_page_says_what_is_taken(sitting, visit):
    answer = hand_in(visit("l1"), sitting, content=None)
    assert answer.status_code == 422
    assert "expected a surface (STL, PLY, OBJ, 3MF, GLB)" in answer.text


def test_a_closed_sitting_takes_nothing_in(school, sitting, visit):
    visit("teacher").post(f"/sittings/{sitting}/close")
    assert "the sitting is closed" in hand_in(visit("l1"), sitting).text


def test_too_many_in_a_minute_have_to_wait(school, sitting, settings, open_browser):
    browser = open_browser(
        "l1", of=create_app(school.store, options=WebOptions(submissions_a_minute=2), settings=settings)
    )
    answers = [hand_in(browser, sitting, content=b"piece %d" % k) for k in range(3)]
    assert [a.status_code for a in answers] == [303, 303, 422]
    assert "too many pieces in a minute" in answers[2].text


def test_a_worker_is_woken_when_something_was_handed_in(school, sitting, settings, open_browser):
    woken = []
    app = create_app(school.store, options=WebOptions(), settings=settings, wake=lambda: woken.append(1))
    hand_in(open_browser("l1", of=app), sitting)
    assert woken == [1]


def test_the_list_says_which_wait_for_an_own_view(school, sitting, visit):
    school.measured(sitting, "l1")
    page = visit("l1").get("/pieces").text
    assert "Judge it first" in page
    assert "±" not in page


def test_a_learner_of_several_sittings_has_to_say_which_and_sees_the_exams(school, sitting, visit):
    exam, browser = school.sitting("exam"), visit("l1")
    page = browser.get("/pieces/new").text
    assert '<option value="" selected>' in page
    assert "A exam (exam)" in page
    assert '<option value="" selected>' not in browser.get(f"/pieces/new?sitting={exam}").text
