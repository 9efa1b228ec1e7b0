"""The page that says where to look first in an invented term; nowhere but where one is shown."""

import pytest

from kerfmark.web.app import create_app
from kerfmark.web.options import Demonstration, WebOptions
from kerfmark.web.pages.demo import WAYS


@pytest.fixture
def shown(school, settings, open_browser):
    """A browser at the school as a demonstration."""
    app = create_app(
        school.store, options=WebOptions(demonstration=Demonstration(["64 people at 2 sites"])), settings=settings
    )
    return open_browser(of=app)


def test_the_first_page_leads_there_and_it_says_what_was_made(shown):
    assert shown.get("/").headers["location"] == "/demo"
    page = shown.get("/demo").text
    assert "64 people at 2 sites" in page
    assert page.count("/demo/enter") == len(WAYS)
    assert "simulated" in page


def test_one_goes_on_as_somebody_without_a_password(shown):
    answer = shown.post("/demo/enter", {"login": "lead", "next": "/sittings"})
    assert answer.headers["location"] == "/sittings"
    assert shown.get("/sittings").status_code == 200


def test_a_school_s_own_server_has_no_such_door(visit, school):
    browser = visit(None)
    assert browser.get("/demo").status_code == 404
    assert browser.post("/demo/enter", {"login": "lead"}).status_code == 404
    assert browser.get("/account").status_code == 303


def test_behind_a_public_address_the_door_is_shut_whatever_was_asked(school, settings, open_browser):
    options = WebOptions(demonstration=Demonstration(), public_url="https://marks.school.example")
    browser = open_browser(
        of=create_app(school.store, options=options, settings=settings), base="https://marks.school.example"
    )
    assert browser.get("/demo").status_code == 404
    assert browser.post("/demo/enter", {"login": "lead"}).status_code == 404
