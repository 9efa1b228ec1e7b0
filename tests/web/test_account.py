"""What people set for themselves."""

import re

from kerfmark.sittings.access import actor_of_secret


def test_light_dark_and_language_are_kept_in_this_browser(lead, open_browser):
    browser = open_browser("ruth")
    assert 'data-scheme="dark"' not in browser.get("/account").text
    browser.post("/look", {"scheme": "dark", "language": "en"})
    assert 'data-scheme="dark"' in browser.get("/account").text
    browser.post("/look", {"scheme": ""})
    assert "data-scheme" not in browser.get("/account").text


def test_a_look_that_is_not_offered_is_refused(lead, open_browser):
    assert open_browser("ruth").post("/look", {"scheme": "purple"}).status_code == 422


def test_single_letter_keys_can_be_switched_off(lead, open_browser):
    # Source: WCAG 2.2, 2.1.4 Character Key Shortcuts.
    browser = open_browser("ruth")
    assert 'data-keys="on"' in browser.get("/account").text
    browser.post("/look", {"keys": "off"})
    assert 'data-keys="off"' in browser.get("/account").text


def test_a_token_is_shown_once_and_works_until_it_is_stopped(lead, store, open_browser):
    browser = open_browser("ruth")
    shown = browser.post("/account/tokens", {"name": "marks to the office", "scope": "read"}).text
    secret = re.search(r'class="secret">(kt_[A-Za-z0-9_-]+)<', shown)[1]
    assert actor_of_secret(store, secret).person_id == lead
    page = browser.get("/account").text
    assert secret not in page
    browser.post(re.search(r'action="(/account/tokens/[0-9a-f]+/stop)"', page)[1])
    assert actor_of_secret(store, secret) is None


def test_a_password_is_changed_only_by_who_knows_the_old_one(lead, open_browser):
    browser, new = open_browser("ruth"), "a new one of four words"
    given = {"login": "ruth", "password": new, "again": new}
    assert browser.post("/account/password", {**given, "old": "wrong"}).status_code == 422
    assert browser.post("/account/password", {**given, "old": "four plain words here"}).status_code == 303
    assert browser.get("/account").status_code == 200
    assert open_browser().sign_in("ruth", new).status_code == 303


def test_every_key_stands_on_the_keys_page(lead, open_browser):
    page = open_browser("ruth").get("/keys").text
    for key in "/?OBLMDPTN123QWE":
        assert f"<kbd>{key}</kbd>" in page
