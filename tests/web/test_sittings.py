"""The list of sittings, and a new one."""

import re


def given(school, **more):
    return {
        "title": "Crown practice, group B",
        "exercise": school.exercise,
        "site": school.site,
        "kind": "practice",
        "own_view": "on",
        **more,
    }


def test_a_teacher_opens_a_sitting_and_goes_on_to_its_roster(school, visit):
    browser = visit("teacher")
    answer = browser.post("/sittings/new", given(school, prompts="What next time?\n\nAnything else?"))
    assert re.fullmatch(r"/sittings/[0-9a-f]{20}\?done=opened", answer.headers["location"])
    assert "Crown practice, group B" in browser.get("/sittings").text


def test_what_is_wrong_is_said_and_what_was_typed_stays(school, visit):
    answer = visit("teacher").post(
        "/sittings/new", given(school, opens_at="2026-03-02T10:00", closes_at="2026-03-02T09:00")
    )
    assert answer.status_code == 422
    assert "closes before it opens" in answer.text
    assert 'value="Crown practice, group B"' in answer.text


def test_times_are_taken_as_utc_and_nonsense_is_refused(school, visit):
    browser = visit("teacher")
    answer = browser.post("/sittings/new", given(school, opens_at="tomorrow"))
    assert "expected a date and a time" in answer.text
    browser.post("/sittings/new", given(school, title="Timed", opens_at="2026-03-02T09:00"))
    assert "2026-03-02 09:00" in browser.get("/sittings").text


def test_who_may_not_open_sittings_is_refused(school, visit):
    for who in ("l1", "e1", "technician", "auditor", "other-teacher"):
        assert visit(who).post("/sittings/new", given(school)).status_code == 403, who


def test_a_sitting_of_another_site_does_not_stand_in_the_list(school, visit):
    school.sitting(title="Ours alone")
    assert "Ours alone" in visit("teacher").get("/sittings").text
    assert "Ours alone" not in visit("other-teacher").get("/sittings").text


def test_an_empty_list_says_what_will_come_and_how(school, visit):
    assert "No sittings yet. Open one" in visit("teacher").get("/sittings").text
    assert "once somebody seats or appoints you" in visit("l3").get("/sittings").text
