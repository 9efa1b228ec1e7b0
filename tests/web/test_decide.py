"""An examiner decides what is too close to call, blind, with words the learner reads."""

import pytest
from lxml import html


@pytest.fixture
def exam(school):
    return school.sitting("exam")


@pytest.fixture
def piece(school, exam):
    return school.measured(exam, "l1", ["on"])


def test_what_is_too_close_comes_to_the_queue_and_leads_to_the_page(piece, visit):
    browser = visit("e1")
    page = browser.get("/queue").text
    assert f'href="/pieces/{piece}/decide"' in page
    assert "Name of l1" not in page
    decide = browser.get(f"/pieces/{piece}/decide").text
    assert "1 to decide" in decide
    assert "Name of l1" not in decide
    assert "marked blind" in decide


def test_a_ruling_with_its_words_is_kept_and_shown(piece, visit):
    browser = visit("e1")
    answer = browser.post(
        f"/pieces/{piece}/decide",
        {"word-1": "met", "note-1": "The floor is clear.", "note": "Sound work.", "grade": "4"},
    )
    assert answer.headers["location"] == f"/pieces/{piece}?done=decided"
    page = visit("lead").get(f"/pieces/{piece}").text
    assert "The floor is clear." in page
    assert "met by examiner" in page


def test_what_is_left_open_is_named_and_what_was_typed_stays(school, exam, visit):
    piece = school.measured(exam, "l2", ["on", "on"])
    answer = visit("e1").post(f"/pieces/{piece}/decide", {"word-1": "met", "note-1": "Clear."})
    assert answer.status_code == 422
    assert "criterion 2 is not decided" in answer.text
    assert ">Clear.</textarea>" in answer.text


def test_a_clear_criterion_is_seen_otherwise_only_with_words(piece, visit):
    browser = visit("e1")
    given = {"word-1": "met", "note-1": "", "word-2": "not met"}
    assert browser.post(f"/pieces/{piece}/decide", given).status_code == 422
    assert browser.post(f"/pieces/{piece}/decide", given | {"note-2": "Undercut at the corner."}).status_code == 303


def test_the_second_examiner_sees_nothing_of_the_first(school, visit):
    piece = school.measured(school.sitting("exam", second="all"), "l1", ["on"])
    visit("e1").post(f"/pieces/{piece}/decide", {"word-1": "met", "note-1": "words of the first"})
    second = visit("e2")
    assert "words of the first" not in second.get(f"/pieces/{piece}").text + second.get(f"/pieces/{piece}/decide").text


def test_nobody_who_is_not_appointed_decides(piece, visit):
    assert visit("other-e").post(f"/pieces/{piece}/decide", {"word-1": "met"}).status_code == 404
    assert visit("teacher").post(f"/pieces/{piece}/decide", {"word-1": "met"}).status_code == 403


def test_after_keeping_the_next_piece_opens(school, exam, piece, visit):
    other = school.measured(exam, "l2", ["on"], content=b"another")
    answer = visit("e1").post(f"/pieces/{piece}/decide", {"word-1": "met", "note-1": "Clear.", "onwards": "on"})
    assert answer.headers["location"] == f"/pieces/{other}/decide?done=next"


def test_in_an_exam_who_examined_does_not_sign(piece, visit):
    examiner = visit("e1")
    examiner.post(f"/pieces/{piece}/decide", {"word-1": "met", "note-1": "Clear."})
    assert examiner.post(f"/pieces/{piece}/sign").status_code == 403
    assert f"/pieces/{piece}/sign" not in examiner.get(f"/pieces/{piece}").text
    lead = visit("lead")
    assert f"/pieces/{piece}/sign" in lead.get("/queue").text
    assert lead.post(f"/pieces/{piece}/sign").headers["location"] == f"/pieces/{piece}?done=signed"
    assert "Signed by Name of lead" in lead.get(f"/pieces/{piece}").text


def test_an_upheld_appeal_marks_the_piece_anew(school, exam, piece, visit):
    school.judge(piece)
    visit("e1").post(f"/pieces/{piece}/decide", {"word-1": "not met", "note-1": "Not clear."})
    lead, learner = visit("lead"), visit("l1")
    for step in (f"/pieces/{piece}/sign", f"/sittings/{exam}/close", f"/sittings/{exam}/release"):
        assert lead.post(step).status_code == 303
    assert learner.post(f"/pieces/{piece}/appeal", {"reason": "Look at the corner again."}).status_code == 303
    page = lead.get("/queue").text
    assert "Look at the corner again." in page
    address = page.partition('action="/appeals/')[2].partition('"')[0]
    assert lead.post(f"/appeals/{address}", {"state": "upheld", "answer": "We look again."}).status_code == 303
    assert "We look again." in learner.get(f"/pieces/{piece}").text
    assert "waits for examiner" in lead.get(f"/pieces/{piece}").text


def test_who_signs_a_settled_mark_sees_it_first(school, visit):
    made = school.measured(school.sitting("exam"), "l1", ["in"])
    page = html.fromstring(visit("e2").get("/queue").text)
    (row,) = page.xpath(f"//section[@aria-labelledby='sign-h']//tr[.//a[@href='/pieces/{made}']]")
    assert [cell.text_content() for cell in row.xpath("./td")][1:3] == ["100", "passed"]


def test_the_keyboard_reaches_what_is_to_be_decided_past_the_view_and_is_told_that_the_last_is_kept(visit, piece):
    page = html.fromstring(visit("e1").get(f"/pieces/{piece}/decide?done=next").text)
    assert page.xpath("//a[@class='skip'][@href='#decide-h']")
    assert page.xpath("count(//*[@id='decide-h'])") == 1
    assert "are kept" in page.xpath("string(//*[@role='status'])")
