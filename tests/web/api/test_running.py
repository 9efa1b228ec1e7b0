"""A rig's running session stands on the sitting's page while somebody cuts, and goes when it ends or the rig falls silent."""

import pytest

from kerfmark.sittings import access
from kerfmark.sittings.opening import close_sitting
from kerfmark.web.running import SILENT_S, Running, RunningSessions


@pytest.fixture
def rig(school, school_app, open_browser):
    """A function that calls as the rig `Bench 4` of the first site."""
    _, secret = access.make_station_key(school.store, school["technician"], site_id=school.site, rig="Bench 4")
    browser = open_browser(of=school_app)

    def calling(method, path, body=None):
        return browser.send(method, f"/api/v1{path}", json=body, headers={"authorization": f"Bearer {secret}"})

    return calling


def told(sitting, learner="l1-code", recorded_s=65.4):
    return {"learner": learner, "sitting": sitting, "recorded_s": recorded_s}


def test_a_running_session_stands_on_the_sitting_s_page_until_it_is_over(school, school_app, rig, visit):
    held = school.sitting()
    watch = school_app.state.server.watch._number
    before = watch()
    assert rig("PUT", "/running/a1", told(held)).status_code == 200
    assert watch() == before + 1
    assert "cutting now on Bench 4, 1 min 05 s" in visit("teacher").get(f"/sittings/{held}/live").text
    assert "cutting now" in visit("l1").get(f"/sittings/{held}").text
    assert "cutting now" not in visit("l2").get(f"/sittings/{held}").text
    assert rig("DELETE", "/running/a1").status_code == 200
    assert "cutting now" not in visit("teacher").get(f"/sittings/{held}/live").text


def test_a_rig_tells_only_of_seats_it_may_hand_in_for(school, rig):
    held = school.sitting()
    assert rig("PUT", "/running/a1", told(held, learner="l3-code")).status_code == 404
    close_sitting(school.store, school["teacher"], held)
    assert rig("PUT", "/running/a1", told(held)).status_code == 409


def test_a_rig_that_falls_silent_is_taken_to_have_stopped():
    now = [0.0]
    sessions = RunningSessions(clock=lambda: now[0])
    sessions.tell("station s", "a1", Running("sitting", "seat", "Bench 4", 3.0))
    assert sessions.of("sitting")["seat"].recorded_s == 3.0
    assert sessions.of("another") == {}
    now[0] = SILENT_S
    assert sessions.changes == 1
    now[0] = SILENT_S + 0.1
    assert sessions.changes == 2
    assert sessions.of("sitting") == {}
