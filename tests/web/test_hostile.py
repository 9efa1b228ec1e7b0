"""Clumsy and hostile requests: a sentence, never a fault of our own, and nothing of another's shown."""

import re
import struct

import pytest
from fastapi.routing import APIRoute
from lxml import html

from kerfmark.sittings import access
from kerfmark.sittings.happened import last_audit_number
from kerfmark.sittings.overview import sitting as sitting_page
from kerfmark.sittings.pieces import pieces
from kerfmark.sittings.rights import PROGRAM
from kerfmark.storage import open_store
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions
from kerfmark.web.pages import ROUTERS
from kerfmark.web.security import passwords

IDS = ("x", "%00", "%ff", "..%2f..%2fetc", "a" * 400, "%F0%9F%98%80", "9" * 40)
ODD = ("99999999999999999999", "-1", "nan", "1e400", "a\x00b", "<b>&\"'", "\u202e😀", "a" * 2000)
ROUTES = [r for router in ROUTERS for r in router.routes if isinstance(r, APIRoute) and "events" not in r.path]


def said(answer):
    return " ".join(html.fromstring(answer.text).xpath("string((//*[@role='alert'])[1])").split())


@pytest.fixture
def beside_postgresql(postgresql, tmp_path, settings, open_browser):
    """A lead's browser at a school of nobody else, on PostgreSQL, which is the stricter of the two."""
    store = open_store(postgresql(), tmp_path / "files")
    access.finish_setup(
        store, access.begin_setup(store), name="Ruth", login="ruth", password_hash=passwords.hashed("four plain words here"), site="North"
    )  # fmt: skip
    yield open_browser("ruth", of=create_app(store, options=WebOptions(), settings=settings))
    store.close()


def test_no_address_with_a_typo_in_it_ends_in_a_fault(beside_postgresql):
    """The client raises what the application does not answer itself."""
    for route in (r for r in ROUTES if "GET" in r.methods and "{" in r.path):
        for odd in IDS:
            answer = beside_postgresql.get(re.sub(r"\{[^}]+\}", odd, route.path))
            assert answer.status_code < 500, (route.path, odd)
            assert answer.status_code < 400 or said(answer) or "json" in answer.headers["content-type"]


def test_no_odd_number_or_text_in_a_query_ends_in_a_fault(beside_postgresql):
    asked = 0
    for route in (r for r in ROUTES if "GET" in r.methods and "{" not in r.path):
        for name in [p.name for p in route.dependant.query_params]:
            for odd in ODD:
                assert beside_postgresql.get(route.path, params={name: odd}).status_code < 500, (route.path, name, odd)
                asked += 1
    assert asked > 80


def test_a_sign_in_with_odd_characters_is_refused_like_any_other(beside_postgresql, open_browser):
    for login in ("a\x00b", "\u202eruth", "'; drop table people; --"):
        assert beside_postgresql.post("/sign-in", {"login": login, "password": "x\x00"}).status_code in (401, 422)


def test_a_body_that_is_no_form_is_told_so_on_a_page(visit, school):
    browser = visit("teacher")
    for kind, body in (
        ("multipart/form-data", b"x"),
        ("multipart/form-data; boundary=x; charset=utf-7", b"--x--"),
        ("multipart/form-data; boundary=x", b"--y\r\n\r\n"),
        ("application/json", b"{}"),
    ):
        answer = browser.send("POST", "/sittings/new", content=body, headers={"content-type": kind})
        assert answer.status_code in (403, 422), kind
        assert "Open the page again" in said(answer)


def test_a_body_that_is_no_json_is_told_so_as_a_problem(visit, school):
    """Source: RFC 9457: a problem is `application/problem+json` with a status and a detail."""
    _, secret = access.make_token(school.store, school["lead"], name="a test", scopes=["read", "manage"])
    headers = {"authorization": f"Bearer {secret}", "content-type": "application/json"}
    for body in (b"{", b'{"title": "\xff"}', b"[" * 100_000, b"\x00"):
        answer = visit(None).send("POST", "/api/v1/sittings", content=body, headers=headers)
        assert answer.status_code in (400, 422)
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["detail"].endswith("send it again.")


def test_a_length_that_is_no_number_is_refused(visit):
    for length in ("²", "-1", "1e3"):
        headers = {"content-length": length.encode("latin-1")}
        assert visit(None).send("POST", "/look", content=b"x", headers=headers).status_code == 413


def test_what_is_refused_before_it_is_read_is_told_a_browser_on_a_page(visit, school):
    browser, read = visit("l1"), {"accept": "text/html,*/*;q=0.8"}
    large = browser.send("POST", "/pieces/new", content=b"x", headers={**read, "content-length": str(10**12)})
    assert large.status_code == 413
    assert "KERFMARK_LIMIT_FILE_MIB" in said(large)
    other = browser.send("POST", "/pieces/new", content=b"x", headers={**read, "sec-fetch-site": "cross-site"})
    assert other.status_code == 403
    assert "Open the page here" in said(other)
    assert (
        browser.send("GET", "/", headers={"host": "elsewhere.example"}).headers["content-type"].startswith("text/plain")
    )


def test_a_method_that_an_address_does_not_take_is_told_in_a_sentence(visit):
    browser = visit("teacher")
    for method, address in (("DELETE", "/sittings"), ("PUT", "/pieces/x"), ("POST", "/limits"), ("PATCH", "/")):
        answer = browser.send(method, address)
        assert (answer.status_code, said(answer)) == (405, "That cannot be done at this address.")


def test_what_is_sent_twice_from_two_windows_happens_once(school, visit):
    held = school.sitting("exam")
    piece = school.measured(held, "l1", ["on"])
    school.judge(piece)
    lead, examiner = visit("lead"), visit("e1")
    change = {"sitting": held, "t": "2:0.5:9", "reason": "The bed is deeper than the drawing."}
    answer = {"state": "rejected", "answer": "It stays."}
    steps = [
        (lead, f"/limits/{school.exercise}/change", change), (examiner, f"/pieces/{piece}/decide", {"word-1": "met", "note-1": "Clear."}),
        (lead, f"/pieces/{piece}/sign", {}), (lead, f"/sittings/{held}/close", {}), (lead, f"/sittings/{held}/release", {}),
        (visit("l1"), f"/pieces/{piece}/appeal", {"reason": "I see it inside."}),
    ]  # fmt: skip
    for browser, address, data in steps:
        assert browser.post(address, data).status_code == 303, address
        before = last_audit_number(school.store)
        assert browser.post(address, data).status_code == 409, address
        assert last_audit_number(school.store) == before
    appeal = re.search(r'"/appeals/(\w+)"', lead.get("/queue").text)[1]
    assert [lead.post(f"/appeals/{appeal}", answer).status_code for _ in range(2)] == [303, 409]


UPLOADS = {
    "empty": b"",
    "a PDF": b"%PDF-1.7\nx",
    "Latin-1": "a,b\nö,1\n".encode("latin-1"),
    "other columns": b"item,value\n1,2\n",
    "a broken zip": b"PK\x03\x04xxxx",
}


@pytest.mark.parametrize("content", UPLOADS.values(), ids=UPLOADS)
def test_a_wrong_file_at_any_upload_is_told_in_a_sentence(school, visit, content):
    """Pieces are read in a process apart: `intake` tests what is wrong with those. An empty one is refused at once."""
    lead = visit("lead")
    places = [
        ("/exercises/import", "zip"),
        *((f"/evidence/papers/{kind}", "file") for kind in ("panel", "earlier", "actions")),
    ]
    for address, name in places:
        answer = lead.post(address, {"exercise": "layered-block", "name": "x"}, files={name: ("a file.bin", content)})
        assert answer.status_code == 422, address
        assert len(said(answer)) > 40
        assert "Error(" not in said(answer)


def test_an_empty_second_scan_is_refused_at_once(school, visit):
    held = school.sitting()
    school.measured(held, "l1")
    data = {"sitting": held, "learner": "l1-code", "device": "scanner 2"}
    answer = visit("technician").post("/rigs/again", data, files={"file": ("again.stl", b"")})
    assert (answer.status_code, "empty (0 bytes)" in said(answer)) == (422, True)


ROSTERS = {
    "with a byte order mark": ("﻿code,name\nn-1,Zoë Ångström\n".encode(), 1, 0),
    "with semicolons and CRLF": (b"code;name;email\r\nn-1;Ann Field;ann@school.example\r\n", 1, 0),
    "with the same code twice": (b"code,name\nn-1,Ann Field\nn-1,Ann Again\n", 1, 0),
    "with the same address twice": (b"code,name,email\nn-1,Ann,a@school.example\nn-2,Bea,A@school.example\n", 1, 1),
    "with a formula": (b"code,name\n\"=cmd|' /C calc'!A0\",Ann\n@n-2,Bea\n", 0, 2),
    "with an address that is none": (b"code,name,email\nn-1,Ann,ann at school\n", 0, 1),
    "with a joiner in a name": ("code,name\nn-1,علی\u200cرضا\n".encode(), 1, 0),
    "with an override in a name": ("code,name\nn-1,\u202eAnn\n".encode(), 0, 1),
    "with HTML, right to left and emoji": ("code,name\nn-1,<b>Ann</b>\nn-2,שרה כהן\nn-3,😀 Kim\n".encode(), 3, 0),
    "with rows too short": (b"code,name\nn-1\n\n,\nn-2,Bea\n", 1, 1),
}


@pytest.mark.parametrize("roster", ROSTERS.values(), ids=ROSTERS)
def test_a_roster_is_taken_row_by_row(school, visit, roster):
    content, seated, passed = roster
    browser, sitting = visit("teacher"), school.sitting()
    before = len(sitting_page(school.store, PROGRAM, sitting).seats)
    answer = browser.post(f"/sittings/{sitting}/roster", files={"roster": ("roster.csv", content, "text/csv")})
    assert answer.status_code == 200
    page = html.fromstring(answer.text)
    now = len(sitting_page(school.store, PROGRAM, sitting).seats) - before
    assert (now, len(page.xpath("//*[@role='alert']//li"))) == (seated, passed)
    assert page.xpath("//td//b[text()='Ann']") == []


def test_a_roster_in_another_encoding_is_refused_and_seats_nobody(school, visit):
    browser, sitting = visit("teacher"), school.sitting()
    before = len(sitting_page(school.store, PROGRAM, sitting).seats)
    for content in (
        "code,name\nn-1,Zoë\n".encode("latin-1"),
        "code,name\nn-1,Zoë\n".encode("utf-16"),
        b"",
        b"PK\x03\x04\xff",
    ):
        answer = browser.post(f"/sittings/{sitting}/roster", files={"roster": ("roster.csv", content, "text/csv")})
        assert answer.status_code == 422
        assert said(answer)
    assert len(sitting_page(school.store, PROGRAM, sitting).seats) == before


def test_an_empty_file_is_refused_at_once_and_is_no_piece(school, visit):
    browser, sitting = visit("l1"), school.sitting()
    answer = browser.post("/pieces/new", {"sitting": sitting}, files={"piece": ("piece.stl", b"")})
    assert answer.status_code == 422
    assert "empty (0 bytes)" in said(answer)
    assert pieces(school.store, school["l1"]) == []


def test_a_piece_that_could_not_be_measured_is_not_asked_about(school, visit):
    piece = school.set_aside(school.sitting(), "l1", struct.pack("<80xI", 0))
    browser = visit("l1")
    assert "waits for your own view" not in (mine := browser.get("/pieces").text)
    assert "set aside" in mine
    assert browser.get(f"/pieces/{piece}/judge").headers["location"] == f"/pieces/{piece}/reveal"
    assert "Scan it again" in browser.get(f"/pieces/{piece}").text


def test_names_and_notes_are_words_and_never_markup(school, visit):
    piece = school.measured(school.sitting(), "l1")
    browser = visit("teacher")
    text = "<script>alert(1)</script><img src=x onerror=alert(2)> \u202e עברית 😀"
    assert (
        browser.post(f"/pieces/{piece}/notes", {"text": text, "x_mm": "0", "y_mm": "0", "z_mm": "1"}).status_code == 303
    )
    page = html.fromstring(browser.get(f"/pieces/{piece}").text)
    assert page.xpath("//script[not(@src)] | //img") == []
    assert any(text in note for note in page.xpath("//ul[contains(@class, 'notes')]//span/text()"))
    title = "</title><svg onload=alert(1)>"
    data = {"title": title, "exercise": school.exercise, "site": school.site, "kind": "practice"}
    made = browser.post("/sittings/new", data).headers["location"]
    assert title in html.fromstring(browser.get(made).text).xpath("string(//title)")


PLAUSIBLE = {
    "text": "Words.", "reason": "Because.", "note": "Clear.", "state": "upheld", "answer": "So it is.", "word-2": "met", "note-2": "Clear.",
    "part": "examiner", "role": "lead", "rows": "code,name\nn-1,Nora\n", "t": "1:0.1:0.9", "answer-0": "I would look.", "code": "n-2",
    "name": "Nora", "title": "A sitting", "rig": "Bench 1", "device": "Scanner", "done_at": "2026-03-02T09:00", "kind": "practice", "login": "nora",
}  # fmt: skip
"""What the forms might say; whose ids they name is put in by the test."""
OWN = ("/sign-in", "/sign-out", "/look", "/account/", "/setup/", "/link/", "/demo/")
"""Doors, and what a person sets for themselves."""


@pytest.mark.parametrize(
    "who", ["l2", "l3", "other-l", "other-e", "other-teacher", "other-lead", "auditor", "technician"]
)
def test_nobody_changes_what_is_not_theirs_by_sending_its_form(school, visit, who):
    """Every route that changes something of this piece, sitting, person or exercise: the log, which tells of every change, stays as it is."""
    held = school.sitting()
    piece = school.measured(held, "l1", ["out", "on"])
    school.judge(piece)
    ids = {
        "piece_id": piece, "sitting_id": held, "sitting": held, "person_id": school.ids["l1"], "person": school.ids["e2"], "site": school.site,
        "exercise_id": school.exercise, "exercise": school.exercise, "learner": "l1-code", "site_id": school.site,
    }  # fmt: skip
    views = {
        f"{name}-{n}": word
        for n in range(1, len(school.criteria) + 1)
        for name, word in (("view", "inside"), ("sure", "sure"))
    }
    browser = visit(who)
    before, tried = last_audit_number(school.store), 0
    for route in (r for r in ROUTES if "POST" in r.methods and not r.path.startswith(OWN)):
        if who == "technician" and (
            route.path.startswith("/rigs") or route.path.endswith("measure-again") or route.path == "/pieces/new"
        ):
            continue  # their own work, at their own site
        if (who, route.path) == ("auditor", "/admin/audit/verify"):
            continue  # that is their work, and changes nothing
        if route.path in (
            "/admin/people",
            "/sittings/new",
            "/exercises/import",
            "/admin/audit/verify",
            "/exercises/{exercise_id}/hide",
        ) and who.startswith("other-"):
            continue  # at their own site they may, and exercises are one stock for all sites
        address = re.sub(r"\{(\w+)[^}]*\}", lambda name: ids.get(name[1], "x" * 20), route.path)
        answer = browser.post(address, {**PLAUSIBLE, **views, **ids})
        tried += 1
        assert answer.status_code in (403, 404, 409, 422), (route.path, answer.status_code)
    assert tried > 25
    assert last_audit_number(school.store) == before


@pytest.mark.parametrize("who", ["l2", "other-l", "other-lead", "other-e", None])
def test_nobody_watches_or_fetches_what_is_not_theirs(school, visit, who):
    held = school.sitting()
    piece = school.measured(held, "l1")
    browser = visit(who)
    places = [
        f"/pieces/{piece}/{what}"
        for what in ("section", "scene.glb", "plain.glb", "assessment.json", "bundle.zip", "decide", "judge")
    ]
    places += [f"/learners/{school.ids['l1']}/record.zip", f"/learners/{school.ids['l1']}"]
    if who != "l2":  # who sits beside them, and sees their own seat only
        places += [f"/sittings/{held}/events", f"/sittings/{held}/live"]
    expected = {303} if who is None else {403, 404}
    assert {place: status for place in places if (status := browser.get(place).status_code) not in expected} == {}
