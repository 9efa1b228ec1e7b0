"""Rigs: a placeholder that says so, and station keys."""

import re

from kerfmark.sittings.access import actor_of_secret


def test_the_page_says_what_it_does_not_keep_yet(school, visit):
    assert "This version keeps no calibrations yet" in visit("technician").get("/rigs").text


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
