"""Importing an exercise: read and proved in a process apart."""

import io
import zipfile

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


def zipped(folder):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for file in folder.iterdir():
            archive.write(file, file.name)
    return packed.getvalue()


def test_an_exercise_is_imported_proved_and_put_before_learners(school, visit, small_exercise):
    """Through the pages alone: from a zip to an exam that is open."""
    teacher = visit("teacher")
    answer = send(teacher, zipped(small_exercise))
    assert answer.status_code == 303
    place = answer.headers["location"].partition("?")[0]
    page = teacher.get(answer.headers["location"]).text
    assert "the permitted instruments reach all of the target to within 0.1 mm" in page
    assert "Imported and proved." in page
    assert page.count('class="weak"') == 0
    again = send(teacher, zipped(small_exercise))
    assert again.headers["location"].partition("?")[0] == place
    asked = {
        "title": "Bed",
        "exercise": place.rpartition("/")[2],
        "site": school.site,
        "kind": "exam",
        "second": "none",
    }
    opened = teacher.post("/sittings/new", {**asked, "second_share": "10", "agree_percent": "10"})
    assert opened.status_code == 303
    assert "A bed in a small block" in teacher.get(opened.headers["location"]).text


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
