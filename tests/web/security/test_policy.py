"""What is refused before anything reads it, and what every answer carries."""

import pytest

from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions
from kerfmark.web.security.policy import CONTENT_SECURITY_POLICY


def test_the_policy_allows_nothing_inline_and_nothing_from_elsewhere():
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    assert "http" not in CONTENT_SECURITY_POLICY
    assert CONTENT_SECURITY_POLICY.startswith("default-src 'none'")


def test_every_answer_carries_the_policy(open_browser):
    browser = open_browser()
    for address in ("/sign-in", "/keys", "/static/kerfmark.css", "/nowhere"):
        headers = browser.get(address).headers
        assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
        assert headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("address", ["/sign-in", "/static/kerfmark.css", "/static/mark.svg", "/nowhere", "/queue"])
def test_head_is_answered_as_get_without_its_body(open_browser, address):
    # Source: RFC 9110, 9.3.2.
    browser = open_browser()
    got, head = browser.get(address), browser.send("HEAD", address)
    assert head.status_code == got.status_code
    assert head.content == b""
    for name in ("content-type", "content-length", "location", "cache-control"):
        assert head.headers.get(name) == got.headers.get(name)


def test_head_of_a_form_that_can_only_be_sent_is_refused(open_browser):
    assert open_browser().send("HEAD", "/sign-out").status_code == 405


def test_a_host_name_that_is_not_ours_is_not_answered(open_browser):
    assert open_browser().get("/sign-in", headers={"host": "rebound.example"}).status_code == 421


def test_a_host_name_may_carry_a_port(open_browser):
    for host in ("127.0.0.1:8750", "localhost:1", "[::1]:8750"):
        assert open_browser().get("/sign-in", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
    ],
)
def test_a_form_from_another_site_is_refused_whatever_its_token(open_browser, headers):
    assert open_browser().post("/look", {"scheme": "dark"}, headers=headers).status_code == 403


def test_a_form_from_our_own_page_is_taken(open_browser):
    assert (
        open_browser()
        .post("/look", {"scheme": "dark"}, headers={"sec-fetch-site": "same-origin", "origin": "http://127.0.0.1"})
        .status_code
        == 303
    )


def test_a_body_past_the_limit_is_refused_by_its_length(store, settings, open_browser):
    browser = open_browser(of=create_app(store, options=WebOptions(upload_mib=1), settings=settings))
    answer = browser.send("POST", "/look", content=b"x" * (2**20 + 1))
    assert answer.status_code == 413
    assert "KERFMARK_LIMIT_FILE_MIB" in answer.text


def test_a_body_that_hides_its_length_is_cut_off_at_the_limit(store, settings, open_browser):
    browser = open_browser(of=create_app(store, options=WebOptions(upload_mib=1), settings=settings))

    async def endless():
        for _ in range(40):
            yield b"x" * 65536

    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert browser.send("POST", "/look", content=endless(), headers=headers).status_code == 413


def test_behind_tls_cookies_insist_on_it_and_browsers_are_told_to(store, settings, open_browser):
    app = create_app(store, options=WebOptions(public_url="https://marks.school.example"), settings=settings)
    answer = open_browser(of=app, base="https://marks.school.example").get("/sign-in")
    assert "max-age=31536000" in answer.headers["strict-transport-security"]
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-kerfmark-visit=")
    assert all(part in cookie for part in ("; Secure", "; HttpOnly", "; SameSite=Lax", "; Path=/"))


def test_pages_are_never_kept_by_anything_between(open_browser):
    browser = open_browser()
    assert browser.get("/sign-in").headers["cache-control"] == "no-store"
    assert "immutable" in browser.get("/static/kerfmark.css").headers["cache-control"]
