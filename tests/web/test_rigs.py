"""Rigs: calibrations, pieces read again, and station keys."""

import re

from kerfmark.sittings.access import actor_of_secret


def test_a_calibration_is_written_down_and_taken_back(school, visit):
    browser = visit("technician")
    given = {"device": "scanner 4", "site": school.site, "done_at": "2026-01-05T09:00", "note": "ball plate 0.8 µm"}
    assert browser.post("/rigs/calibrations", given).headers["location"] == "/rigs?done=calibrated"
    page = browser.get("/rigs?done=calibrated").text
    assert "scanner 4" in page
    assert "2026-01-05" in page
    assert "ball plate 0.8 µm" in page
    browser.post(re.search(r'action="(/rigs/calibrations/[0-9a-f]+/withdraw)"', page)[1])
    assert "2026-01-05" not in browser.get("/rigs").text


def test_a_calibration_that_lies_ahead_is_refused_beside_the_form(school, visit):
    answer = visit("technician").post(
        "/rigs/calibrations", {"device": "A", "site": school.site, "done_at": "2226-01-05T09:00"}
    )
    assert answer.status_code == 422
    assert "lies ahead" in answer.text


def test_a_scan_of_a_measured_piece_is_taken_in_to_be_read_again(school, visit):
    sitting = school.sitting()
    school.measured(sitting, "l1")
    browser = visit("technician")
    given = {"sitting": sitting, "learner": "l1-code", "device": "scanner 4"}
    sent = browser.post("/rigs/again", given, files={"file": ("again.stl", b"another scan")})
    assert sent.headers["location"] == "/rigs?done=again"
    assert (
        "no piece of &#39;l9&#39;"
        in browser.post("/rigs/again", {**given, "learner": "l9"}, files={"file": ("again.stl", b"x")}).text
    )
    assert "none was chosen" in browser.post("/rigs/again", given).text


def test_a_key_is_shown_once_works_and_is_stopped(school, visit):
    browser = visit("technician")
    secret = re.search(
        r'class="secret">(ks_[\w-]+)<', browser.post("/rigs/keys", {"rig": "rig 7", "site": school.site}).text
    )[1]
    assert actor_of_secret(school.store, secret).station_id
    page = browser.get("/rigs").text
    assert secret not in page
    browser.post(re.search(r'action="(/rigs/keys/[0-9a-f]+/stop)"', page)[1])
    assert actor_of_secret(school.store, secret) is None


def test_a_technician_gives_no_keys_elsewhere(school, visit):
    assert visit("technician").post("/rigs/keys", {"rig": "rig 7", "site": school.other_site}).status_code == 403
