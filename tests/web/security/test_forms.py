"""Every route that changes something wants the token of its form."""

import re

from fastapi.routing import APIRoute

from kerfmark.web.pages import ROUTERS
from kerfmark.web.security.forms import form_token, is_form_token


def changing_routes():
    return sorted(
        {
            route.path
            for router in ROUTERS
            for route in router.routes
            if isinstance(route, APIRoute) and "POST" in route.methods
        }
    )


def test_there_are_routes_that_change_something():
    assert {"/sign-in", "/sign-out", "/account/tokens"} <= set(changing_routes())


def test_no_page_changes_anything_by_a_get():
    methods = {method for router in ROUTERS for route in router.routes for method in route.methods}
    assert methods == {"GET", "POST"}


def test_every_route_that_changes_something_refuses_a_form_without_its_token(open_browser, lead):
    browser = open_browser("ruth")
    for path in changing_routes():
        address = re.sub(r"\{[^}]+\}", "x", path)
        for data in ({}, {"form_token": ""}, {"form_token": form_token("another cookie")}):
            assert browser.send("POST", address, data=data).status_code == 403, (path, data)


def test_a_token_belongs_to_one_cookie():
    assert is_form_token(form_token("mine"), "mine")
    assert not is_form_token(form_token("mine"), "yours")
    assert not is_form_token(form_token(""), "")


def test_a_token_from_before_the_sign_in_does_not_serve_after_it(open_browser, lead):
    browser = open_browser()
    before = browser.token()
    browser.sign_in("ruth")
    assert browser.send("POST", "/look", data={"form_token": before, "scheme": "dark"}).status_code == 403
