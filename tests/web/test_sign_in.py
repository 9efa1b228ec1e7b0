"""Coming in and going out."""

import pytest

from kerfmark.sittings import access
from kerfmark.sittings.people import add_person, stop_person
from kerfmark.sittings.roles import actor_of
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions

PASSWORD = "four plain words here"


@pytest.fixture
def browser(lead, open_browser):
    return open_browser()


def test_the_right_password_lets_in_and_the_session_s_secret_is_hidden_from_scripts(browser):
    answer = browser.post("/sign-in", {"login": "ruth", "password": PASSWORD, "next": "/account"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/account")
    cookie = answer.headers["set-cookie"]
    assert all(part in cookie for part in ("kerfmark-session=", "HttpOnly", "SameSite=Lax", "Path=/"))
    assert "Ruth Adeyemi" in browser.get("/account").text


@pytest.mark.parametrize(
    ("login", "password"), [("ruth", "another"), ("nobody", PASSWORD), ("", ""), ("ruth", "x" * 1500)]
)
def test_a_wrong_name_and_a_wrong_password_are_told_in_the_same_words(browser, login, password):
    answer = browser.post("/sign-in", {"login": login, "password": password})
    assert answer.status_code == 401
    assert "Account name or password is not right." in answer.text


def test_after_eight_failures_of_a_name_even_the_right_password_waits(browser):
    for _ in range(8):
        browser.post("/sign-in", {"login": "ruth", "password": "wrong"})
    answer = browser.post("/sign-in", {"login": "ruth", "password": PASSWORD})
    assert answer.status_code == 429
    assert "Wait 10 minutes" in answer.text


def test_signing_out_ends_the_session_on_the_server_too(browser, open_browser, app):
    browser.sign_in("ruth")
    kept = dict(browser.client.cookies)
    browser.post("/sign-out")
    assert browser.get("/account").status_code == 303
    thief = open_browser()
    thief.client.cookies.update(kept)
    assert thief.get("/account").status_code == 303


def test_a_person_who_is_stopped_is_out_at_the_next_request(browser, store, lead, open_browser):
    ruth = actor_of(store, lead)
    person_id = add_person(store, ruth, code="t-1", name="Tom Field", login="tom", roles=[("lead", None)])
    link = access.invite(store, ruth, person_id)
    browser.post(f"/link/{link}", {"password": PASSWORD, "again": PASSWORD})
    tom = open_browser("tom")
    assert tom.get("/account").status_code == 200
    stop_person(store, ruth, person_id)
    assert tom.get("/account").status_code == 303


def test_a_link_for_a_password_works_once(browser, store, lead):
    link = access.invite(store, actor_of(store, lead), lead)
    new = "another four plain words"
    assert browser.post(f"/link/{link}", {"password": new, "again": "something else here"}).status_code == 422
    assert browser.post(f"/link/{link}", {"password": new, "again": new}).status_code == 303
    assert browser.post(f"/link/{link}", {"password": new, "again": new}).status_code == 422
    assert browser.sign_in("ruth", new).status_code == 303


def test_a_page_that_needs_somebody_leads_to_the_sign_in_and_then_back(browser):
    answer = browser.get("/account")
    assert answer.headers["location"] == "/sign-in?next=/account"
    assert 'name="next" value="/account"' in browser.get("/sign-in?next=/account").text


@pytest.mark.parametrize(
    "elsewhere",
    ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "javascript:alert(1)", "/a\nb"],
)
def test_nobody_is_sent_elsewhere_after_the_sign_in(browser, elsewhere):
    answer = browser.post("/sign-in", {"login": "ruth", "password": PASSWORD, "next": elsewhere})
    assert answer.headers["location"] == "/"


def test_nobody_can_plant_a_session_the_secret_after_the_sign_in_is_a_fresh_one(browser):
    planted = "planted-by-somebody-else-entirely"
    browser.client.cookies.set("kerfmark-session", planted)
    given = browser.sign_in("ruth").headers["set-cookie"]
    assert "kerfmark-session=" in given
    assert planted not in given


def test_behind_tls_the_session_cookie_is_host_bound(store, settings, lead, open_browser):
    app = create_app(store, options=WebOptions(public_url="https://marks.school.example"), settings=settings)
    browser = open_browser(of=app, base="https://marks.school.example")
    answer = browser.sign_in("ruth")
    assert answer.headers["set-cookie"].startswith("__Host-kerfmark-session=")
    assert "Secure" in answer.headers["set-cookie"]
