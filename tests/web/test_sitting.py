"""A sitting's page: counts that add up, the roster, appointments, closing, signing, release; news as they come."""

import asyncio
import re

import pytest

from kerfmark.sittings.happened import last_audit_number
from kerfmark.sittings.overview import sitting as sitting_page
from kerfmark.web.live import Watch


@pytest.fixture
def sitting(school):
    return school.sitting()


def test_seats_and_pieces_add_up_and_the_page_says_so(school, sitting, visit):
    school.measured(sitting, "l1", ["on"])
    school.set_aside(sitting, "l2")
    page = visit("teacher").get(f"/sittings/{sitting}").text
    assert "Nothing lost: 2 of 2 accounted for" in page
    assert "2 handed in" in page
    assert "1 wait for an examiner" in page
    assert "1 set aside" in page


def test_a_roster_seats_people_and_says_what_it_passed_over(school, sitting, visit):
    rows = "code,name\nn-1,Nora Field\n,Nobody\nl3-code,Name of l3\n"
    answer = visit("teacher").post(f"/sittings/{sitting}/roster", {"rows": rows})
    assert "2 seated, 1 people new, 1 known already." in answer.text
    assert "row 3:" in answer.text
    assert len(sitting_page(school.store, school["teacher"], sitting).seats) == 4


def test_a_roster_as_a_file_may_begin_with_a_byte_order_mark(school, sitting, visit):
    browser = visit("teacher")
    files = {"roster": ("roster.csv", "\ufeffcode;name\nn-1;Nóra Field\n".encode(), "text/csv")}
    answer = browser.send("POST", f"/sittings/{sitting}/roster", data={"form_token": browser.token()}, files=files)
    assert "Nóra Field" in answer.text


def test_a_roster_that_is_no_text_is_refused_with_what_to_do(sitting, visit):
    browser = visit("teacher")
    files = {"roster": ("roster.xls", b"\xd0\xcf\x11\xe0\xa1", "application/octet-stream")}
    answer = browser.send("POST", f"/sittings/{sitting}/roster", data={"form_token": browser.token()}, files=files)
    assert answer.status_code == 422
    assert "Save it as CSV, UTF-8" in answer.text


def test_names_are_hidden_from_examiners_of_a_blind_sitting(school, visit):
    exam = school.sitting("exam")
    page = visit("e1").get(f"/sittings/{exam}").text
    assert "Name of l1" not in page
    assert "names are hidden until release" in page
    assert "Name of l1" in visit("lead").get(f"/sittings/{exam}").text


def test_a_learner_sees_their_own_seat_alone(sitting, visit):
    page = visit("l1").get(f"/sittings/{sitting}").text
    assert "Your seat" in page
    assert "Name of l2" not in page


def test_closing_and_opening_again(sitting, visit):
    browser = visit("teacher")
    browser.post(f"/sittings/{sitting}/close")
    assert "Open again" in browser.get(f"/sittings/{sitting}").text
    browser.post(f"/sittings/{sitting}/reopen")
    assert "Close sitting" in browser.get(f"/sittings/{sitting}").text


def test_a_release_waits_until_everything_is_signed_and_says_what_is_left(school, visit):
    exam = school.sitting("exam")
    school.measured(exam, "l1", ["on"])
    school.measured(exam, "l2", content=b"another")
    lead = visit("lead")
    lead.post(f"/sittings/{exam}/close")
    assert lead.post(f"/sittings/{exam}/sign").headers["location"].endswith("done=signed&n=1")
    answer = lead.post(f"/sittings/{exam}/release")
    assert answer.status_code == 409
    assert "1 waits for examiner" in answer.text


def test_only_who_may_open_sittings_is_offered_to(sitting, visit):
    for who, offered in (("teacher", True), ("lead", True), ("auditor", False), ("technician", False), ("l1", False)):
        assert ("Seat learners" in visit(who).get(f"/sittings/{sitting}").text) is offered, who


def test_examiners_are_appointed_from_the_site_s_own(school, sitting, visit):
    page = visit("teacher").get(f"/sittings/{sitting}").text
    offered = re.findall(
        r'<option value="([0-9a-f]{20})"', page.partition('name="person"')[2].partition("</select>")[0]
    )
    assert school.ids["e1"] in offered
    assert school.ids["other-e"] not in offered


def test_an_open_page_hears_of_what_moved(school, sitting):
    """Source of the form: HTML standard, 9.2 (server-sent events)."""

    async def listening() -> list[bytes]:
        watch = Watch(lambda: last_audit_number(school.store), every_s=0.01)
        heard, stream = [], watch.events(most=200)
        async for event in stream:
            heard.append(event)
            if len(heard) == 1:
                await asyncio.to_thread(school.received, sitting, "l1")
            if event.startswith(b"event: moved"):
                break
        await stream.aclose()
        return heard

    heard = asyncio.run(listening())
    assert heard[0].startswith(b"retry: ")
    assert re.fullmatch(rb"event: moved\nid: \d+\ndata: \d+\n\n", heard[-1])


def test_all_who_watch_ask_the_store_once_each_interval():
    asked = []

    async def watching() -> None:
        watch = Watch(lambda: asked.append(1) or len(asked), every_s=0.02)

        async def one() -> None:
            async for _ in watch.events(most=5):
                pass

        await asyncio.gather(*(one() for _ in range(20)))

    asyncio.run(watching())
    assert len(asked) < 20


def test_the_live_part_is_the_part_of_the_page_that_moves(school, sitting, visit):
    browser = visit("teacher")
    before = browser.get(f"/sittings/{sitting}/live").text
    school.received(sitting, "l1")
    after = browser.get(f"/sittings/{sitting}/live").text
    assert "2 nothing yet" in before
    assert "1 nothing yet" in after
    assert "<html" not in after


def test_head_of_a_stream_that_never_ends_comes_back_at_once(school, visit):
    answer = visit("teacher").send("HEAD", f"/sittings/{school.sitting()}/events")
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert answer.content == b""


def test_release_is_the_first_thing_to_do_only_once_every_mark_is_signed(school, visit):
    exam = school.sitting("exam")
    made = school.measured(exam, "l1", ["in"])
    lead = visit("lead")
    lead.post(f"/sittings/{exam}/close")

    def first():
        return re.findall(r'<button class="first">([^<]+)<', lead.get(f"/sittings/{exam}").text)

    assert first() == ["Sign 1 settled"]
    lead.post(f"/pieces/{made}/sign")
    assert first() == ["Release"]
