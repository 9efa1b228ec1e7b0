"""Two pieces of one exercise are laid over one another by choice, as far as their readers may see both."""

import re

import pytest
from lxml import html

from kerfmark.sittings import beside


@pytest.fixture
def held(school):
    return school.sitting(), school.sitting()


def offered(browser, piece):
    page = html.fromstring(browser.get(f"/pieces/{piece}/beside").text)
    return [re.search(r"beside=(\w+)", link)[1] for link in page.xpath("//tbody//a/@href")]


def test_a_teacher_chooses_any_piece_of_the_exercise_the_same_seat_s_first(school, visit, held):
    here = school.measured(held[0], "l1")
    again = school.measured(held[0], "l1", content=b"again")
    other, elsewhere = school.measured(held[0], "l2", content=b"b"), school.measured(held[1], "l2", content=b"c")
    browser = visit("teacher")
    assert offered(browser, here) == [again, elsewhere, other]
    shown = browser.get(f"/pieces/{here}?beside={other}").text
    code = html.fromstring(browser.get(f"/pieces/{other}").text).xpath("string(//h1)").partition(",")[0]
    assert f'other="/pieces/{other}/scene.glb" other-name="{code}"' in shown


def test_a_learner_chooses_among_their_own_that_they_have_judged(school, visit, held):
    here, seen, unseen = (school.measured(held[0], "l1", content=c) for c in (b"a", b"b", b"c"))
    other = school.measured(held[0], "l2", content=b"d")
    school.judge(here)
    school.judge(seen)
    browser = visit("l1")
    assert offered(browser, here) == [seen]
    for hidden in (unseen, other):
        assert browser.get(f"/pieces/{here}?beside={hidden}").status_code == 404


def test_nobody_compares_with_a_piece_they_may_not_know_of_with_itself_or_with_nothing(school, visit, held):
    here = school.measured(held[0], "l1")
    for wrong in (here, "x", "0" * 20):
        assert visit("teacher").get(f"/pieces/{here}?beside={wrong}").status_code == 404
    assert visit("other-teacher").get(f"/pieces/{here}/beside").status_code == 404


def test_an_examiner_chooses_by_codes_where_marking_is_blind(school, visit):
    exam = school.sitting("exam")
    here = school.measured(exam, "l1")
    school.measured(exam, "l2", content=b"b")
    page = visit("e1").get(f"/pieces/{here}/beside").text
    assert "Lay over" in page
    assert "Name of l" not in page


def test_where_there_is_no_other_piece_the_page_says_what_will_come(school, visit, held):
    here = school.measured(held[0], "l1")
    assert "once it has been measured" in visit("teacher").get(f"/pieces/{here}/beside").text


def test_every_piece_is_reached_a_page_at_a_time(school, held, monkeypatch):
    monkeypatch.setattr(beside, "AT_ONCE", 2)
    here = school.measured(held[0], "l1", content=b"here")
    again = school.measured(held[0], "l1", content=b"again")
    others = [school.measured(held[k % 2], "l2", content=bytes([k])) for k in range(5)]
    pages, after = [], ""
    while after is not None:
        found = beside.pieces_beside(school.store, school["teacher"], here, kind="scene", after=after, most=2)
        pages.append([line.id for line in found.lines])
        after = found.after
    assert pages == [[again, *others[:2:-1]], others[2:0:-1], others[:1]]


def test_a_piece_is_found_by_its_code_its_sitting_or_a_name_that_may_be_known(school, visit):
    exam, practice = school.sitting("exam", title="Year two"), school.sitting(title="Group B")
    here = school.measured(exam, "l1")
    other, third = school.measured(exam, "l2", content=b"b"), school.measured(practice, "l2", content=b"c")
    code = (
        html.fromstring(visit("teacher").get(f"/pieces/{other}").text).xpath("string(//h1)").split(",")[0].split()[-1]
    )

    def found(who, asked):
        page = html.fromstring(visit(who).get(f"/pieces/{here}/beside", params={"q": asked}).text)
        return [re.search(r"beside=(\w+)", link)[1] for link in page.xpath("//tbody//a/@href")]

    assert found("teacher", code) == [other]
    assert found("teacher", "group b") == [third]
    assert found("teacher", "name of L2") == [third, other]
    assert found("e1", code) == [other]
    assert found("e1", "Name of l2") == [third]  # the exam is marked blind: what was found would tell
    assert found("teacher", "nobody's") == []
