"""Where the server may listen, and what it says when it starts."""

import pytest

from kerfmark.errors import InputError
from kerfmark.web.options import OidcOptions, WebOptions
from kerfmark.web.serving import address_of, check_address, check_public_url, setup_line


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "marks.school.example"])
def test_an_address_others_can_reach_is_refused_without_tls_in_front(host):
    with pytest.raises(InputError, match=r"passwords in the clear.*--public-url"):
        check_address(host, WebOptions())
    check_address(host, WebOptions(public_url="https://marks.school.example"))


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1", "127.0.0.9"])
def test_this_machine_alone_needs_no_tls(host):
    check_address(host, WebOptions())


@pytest.mark.parametrize(
    "url",
    [
        "http://marks.school.example",
        "marks.school.example",
        "https://",
        "https://a.example/path",
        "https://u@a.example",
    ],
)
def test_a_public_address_is_https_and_a_host(url):
    with pytest.raises(InputError, match="expected https://HOST"):
        check_public_url(url)


def test_a_public_address_keeps_its_port():
    assert check_public_url("https://marks.school.example:8443/") == "https://marks.school.example:8443"


def test_the_address_to_type_is_the_public_one_where_there_is_one():
    assert address_of("127.0.0.1", 8750, WebOptions()) == "http://127.0.0.1:8750"
    assert address_of("::1", 8750, WebOptions()) == "http://[::1]:8750"
    assert address_of("0.0.0.0", 8750, WebOptions(public_url="https://a.example")) == "https://a.example"


def test_the_first_start_gives_a_link_that_makes_the_lead_and_later_ones_do_not(store, open_browser):
    line = setup_line(store, "http://127.0.0.1")
    link = line.rsplit(" ", 1)[1]
    browser = open_browser()
    given = {
        "name": "Ruth",
        "login": "ruth",
        "site": "North Quay",
        "password": "four plain words here",
        "again": "four plain words here",
    }
    assert browser.get(link).status_code == 200
    assert browser.post(link, given).headers["location"] == "/sign-in?done=password"
    assert browser.post(link, {**given, "login": "eve"}).status_code == 422
    assert setup_line(store, "http://127.0.0.1") is None


def test_secrets_do_not_stand_in_what_is_printed_of_options():
    assert "hush" not in repr(WebOptions(oidc=OidcOptions("https://a.example", "kerfmark", "hush")))
