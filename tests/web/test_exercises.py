"""Importing an exercise: read and proved in a process apart."""

import pytest


def send(browser, content):
    return browser.send(
        "POST",
        "/exercises/import",
        data={"form_token": browser.token()},
        files={"zip": ("exercise.zip", content, "application/zip")},
    )


def test_what_is_no_exercise_is_refused_with_a_sentence(school, visit):
    answer = send(visit("teacher"), b"this is no zip")
    assert answer.status_code == 422
    assert "zip" in answer.text


def test_nothing_chosen_is_said(school, visit):
    answer = visit("teacher").post("/exercises/import", {"builtin": "no-such-one"})
    assert "expected an exercise as a zip, or a built-in one" in answer.text


@pytest.mark.parametrize("who", ["l1", "e1", "auditor", "technician"])
def test_who_may_not_import_is_refused_before_anything_is_read(school, visit, who):
    assert send(visit(who), b"x").status_code == 403


def test_the_list_says_what_was_proved(school, visit):
    page = visit("teacher").get("/exercises").text
    assert "layered-block" in page
    assert "can be cut" in page
    assert "A built-in one" in page
    assert "Import an exercise" not in visit("e1").get("/exercises").text
