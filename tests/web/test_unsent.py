"""Nothing that somebody wrote is lost because a session ended, a token was stale or a flow refused: it comes back in the answer."""

import pytest
from lxml import html

from kerfmark.sittings import access
from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.sittings.rights import PROGRAM

WORDS = "The axial wall leans mesially; look at the <line angle>.\n\nSecond paragraph, עברית 😀."
HERE = {"sec-fetch-site": "same-origin"}


@pytest.fixture
def piece(school):
    made = school.measured(school.sitting(), "l1", ["out", "on"])
    school.judge(made)
    return made


def shown(answer):
    return {
        area.get("id"): area.text.lstrip("\n") for area in html.fromstring(answer.text).xpath("//textarea[@readonly]")
    }


def fields(page, action):
    form = html.fromstring(page.text).xpath(f"//form[@action='{action}']")[0]
    return {one.get("name"): one.get("value", "") for one in form.xpath(".//input")}


def signed_out(browser):
    browser.client.cookies.delete("kerfmark-session")


def test_what_was_written_when_the_session_ended_is_sent_after_signing_in(school, visit, piece):
    browser, action = visit("teacher"), f"/pieces/{piece}/notes"
    token = browser.token()
    signed_out(browser)
    asked = browser.send("POST", action, data={"text": WORDS, "form_token": token})
    assert asked.status_code == 401
    assert list(shown(asked).values()) == [WORDS]
    wrong = {**fields(asked, "/sign-in"), "login": "teacher", "password": "not this one at all"}
    again = browser.send("POST", "/sign-in", data=wrong)
    assert again.status_code == 401
    entered = browser.send(
        "POST", "/sign-in", data={**fields(again, "/sign-in"), "login": "teacher", "password": "four plain words here"}
    )
    assert entered.status_code == 200
    assert list(shown(entered).values()) == [WORDS]
    assert piece_page(school.store, PROGRAM, piece).notes == ()  # nothing happens by itself
    assert browser.send("POST", action, data=fields(entered, action)).status_code == 303
    assert [note.text.replace("\r\n", "\n") for note in piece_page(school.store, PROGRAM, piece).notes] == [WORDS]


def test_what_is_carried_goes_to_no_other_server_and_holds_no_password(visit):
    browser = visit(None)
    page = browser.get("/sign-in")
    held = '["//elsewhere.example/x", [["text", "words"]], false]'
    data = {**fields(page, "/sign-in"), "held": held, "login": "teacher", "password": "four plain words here"}
    assert browser.send("POST", "/sign-in", data=data).headers["location"] == "/"
    signed_out(browser)
    given = {
        "login": "teacher",
        "old": "four plain words here",
        "password": "another four plain words",
        "form_token": "",
    }
    assert "plain words" not in browser.send("POST", "/account/password", data=given).text


def test_a_form_with_a_stale_token_comes_back_with_what_was_written_and_can_be_sent_again(school, visit, piece):
    browser, action = visit("teacher"), f"/pieces/{piece}/notes"
    refused = browser.send("POST", action, data={"text": WORDS, "form_token": "0" * 64}, headers=HERE)
    assert refused.status_code == 403
    assert list(shown(refused).values()) == [WORDS]
    assert browser.send("POST", action, data=fields(refused, action)).status_code == 303
    unknown = browser.send("POST", action, data={"text": WORDS, "form_token": "0" * 64})
    assert html.fromstring(unknown.text).xpath(f"//form[@action='{action}']") == []  # it may come from elsewhere


@pytest.mark.parametrize(
    ("who", "place", "name", "more"),
    [
        ("teacher", "/pieces/{piece}/notes", "text", {"criterion": "99"}),
        ("l1", "/pieces/{piece}/appeal", "reason", {}),
        ("teacher", "/sittings/{sitting}/roster", "rows", {}),
        ("lead", "/admin/people", "name", {"role": "learner", "code": ""}),
        ("technician", "/rigs/calibrations", "note", {"done_at": "soon"}),
        ("lead", "/evidence/papers/actions", "what", {"exercise": "layered-block"}),
    ],
    ids=["a note on no criterion", "an appeal before signing", "a roster without names", "a person without a code", "a calibration", "an action"],
)  # fmt: skip
def test_words_that_a_flow_refuses_come_back(school, visit, piece, who, place, name, more):
    sitting = piece_page(school.store, PROGRAM, piece).sitting_id
    refused = visit(who).post(place.format(piece=piece, sitting=sitting), {name: WORDS, **more})
    assert refused.status_code in (409, 422)
    assert WORDS in shown(refused).values()


def test_the_second_of_two_windows_is_told_and_keeps_its_words(school, visit, piece):
    browser = visit("e1")
    given = {"word-2": "met", "note-2": WORDS, "note": "On the whole it is sound."}
    assert browser.post(f"/pieces/{piece}/decide", given).status_code == 303
    second = browser.post(f"/pieces/{piece}/decide", given)
    assert second.status_code == 409
    assert WORDS in shown(second).values()


def test_signing_twice_or_going_back_to_sign_is_told_in_a_sentence(school, visit, piece):
    visit("e1").post(f"/pieces/{piece}/decide", {"word-2": "met", "note-2": "Clear."})
    lead = visit("lead")
    assert lead.post(f"/pieces/{piece}/sign").status_code == 303
    again = lead.post(f"/pieces/{piece}/sign")
    assert again.status_code == 409
    assert "signed" in html.fromstring(again.text).xpath("string(//*[@role='alert'])")


def test_a_session_that_was_ended_elsewhere_asks_to_sign_in_and_comes_back(school, visit):
    browser = visit("lead")
    access.end_sign_in(school.store, browser.client.cookies["kerfmark-session"])
    assert browser.get("/limits").headers["location"] == "/sign-in?next=/limits"


def test_signing_in_leads_to_the_very_page_that_was_asked_for(visit, school):
    browser = visit(None)
    asked = browser.get("/evidence?ask=1&exercise=a b").headers["location"]
    form = fields(browser.get(asked), "/sign-in")
    entered = {**form, "login": "lead", "password": "four plain words here"}
    assert browser.send("POST", "/sign-in", data=entered).headers["location"] == "/evidence?ask=1&exercise=a%20b"


def test_what_answers_a_form_names_the_page_that_the_form_stands_on(school, visit, piece):
    """A browser that goes back asks for that page, and sends nothing again."""
    browser, action = visit("teacher"), f"/pieces/{piece}/notes"
    token, here = browser.token(), {"referer": f"http://127.0.0.1/pieces/{piece}?done=x"}
    signed_out(browser)
    asked = browser.send("POST", action, data={"text": WORDS, "form_token": token}, headers=here)
    page = html.fromstring(asked.text)
    assert page.xpath("string(//body/@data-came-from)") == f"/pieces/{piece}?done=x"
    assert fields(asked, "/sign-in")["next"] == f"/pieces/{piece}?done=x"
    elsewhere = {"referer": "http://127.0.0.1.elsewhere.example/x"}
    asked = browser.send("POST", action, data={"text": WORDS, "form_token": token}, headers=elsewhere)
    assert html.fromstring(asked.text).xpath("string(//body/@data-came-from)") == "/"
    assert html.fromstring(browser.get("/sign-in").text).xpath("//body/@data-came-from") == []
