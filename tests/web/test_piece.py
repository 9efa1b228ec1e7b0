"""The inspection sheet of one piece."""

import json
import re
from dataclasses import replace

import pytest

from kerfmark.sittings.pieces import piece as piece_page
from kerfmark.web.pages.piece import piece_cells
from kerfmark.web.words import words_in


@pytest.fixture
def piece(school):
    made = school.measured(school.sitting(), "l1", ["out", "on"])
    school.judge(made)
    return made


def test_every_criterion_has_its_number_limits_reading_and_ruling(piece, school, visit):
    page = visit("teacher").get(f"/pieces/{piece}").text
    assert re.findall(r'id="c-(\d+)"', page) == [str(c.number) for c in school.criteria]
    assert page.count('class="reading"') == len(school.criteria)
    assert "1 not met, 1 too close" in page


def test_the_own_view_stands_under_the_strip_where_it_may_be_seen(piece, visit):
    assert "Own view: inside, sure." in visit("teacher").get(f"/pieces/{piece}").text
    assert "Own view" not in visit("e1").get(f"/pieces/{piece}").text


def test_the_view_is_given_the_scene_and_notes_and_without_it_a_picture_stands_there(piece, visit):
    browser = visit("teacher")
    browser.post(f"/pieces/{piece}/notes", {"text": "Rough here.", "x_mm": "1.5", "y_mm": "-2", "z_mm": "0.25"})
    page = browser.get(f"/pieces/{piece}").text
    notes = json.loads(re.search(r'notes="([^"]*)"', page)[1].replace("&#34;", '"'))
    assert notes == [{"letter": "a", "point_mm": [1.5, -2.0, 0.25], "words": "Rough here.", "by": "Name of teacher"}]
    assert f'scene="/pieces/{piece}/scene.glb"' in page
    assert 'id="whole-still"' in page


def test_a_note_is_escaped_withdrawn_by_its_author_and_by_nobody_else(piece, visit):
    author, other = visit("teacher"), visit("lead")
    author.post(f"/pieces/{piece}/notes", {"text": "<script>alert(1)</script>", "criterion": "2"})
    page = author.get(f"/pieces/{piece}").text
    assert "<script>alert" not in page
    address = re.search(rf'action="(/pieces/{piece}/notes/[0-9a-f]+/withdraw)"', page)[1]
    assert address not in other.get(f"/pieces/{piece}").text
    assert other.post(address).status_code == 404
    assert author.post(address).status_code == 303
    assert "&lt;script&gt;alert" not in author.get(f"/pieces/{piece}").text


def test_files_for_the_view_are_what_they_say(piece, visit):
    answer = visit("teacher").get(f"/pieces/{piece}/scene.glb")
    assert answer.headers["content-type"] == "model/gltf-binary"
    assert answer.content == b"glTF of everything"


def test_a_piece_that_is_set_aside_says_why_and_asks_for_no_own_view(school, visit):
    piece = school.set_aside(school.sitting())
    page = visit("l1").get(f"/pieces/{piece}")
    assert page.status_code == 200
    assert "it is no surface. Scan it again." in page.text


def test_a_piece_that_is_being_measured_says_so(school, visit):
    piece = school.received(school.sitting())
    assert "Being measured" in visit("teacher").get(f"/pieces/{piece}").text


def test_a_settled_mark_gives_a_bundle_that_makes_it_again(school, visit):
    piece = school.measured(school.sitting(), "l1")
    school.judge(piece)
    answer = visit("l1").get(f"/pieces/{piece}/bundle.zip")
    assert answer.status_code == 200
    assert answer.content.startswith(b"PK")


def test_a_remark_from_reading_the_file_stands_on_the_sheet(piece, visit):
    assert "3 pinholes closed" in visit("teacher").get(f"/pieces/{piece}").text


def test_a_piece_set_aside_is_measured_again_from_its_page_and_from_the_sittings(school, visit):
    held = school.sitting()
    made = school.set_aside(held)
    assert "Measure again" not in visit("l1").get(f"/pieces/{made}").text
    teacher = visit("teacher")
    assert "Measure again" in teacher.get(f"/pieces/{made}").text
    assert teacher.post(f"/pieces/{made}/measure-again").headers["location"] == f"/pieces/{made}?done=measuring"
    assert "It waits to be measured once more." in teacher.get(f"/pieces/{made}?done=measuring").text
    other = school.set_aside(held, "l2", content=b"another broken file")
    assert "Measure 1 set aside again" in teacher.get(f"/sittings/{held}").text
    told = teacher.post(f"/sittings/{held}/measure-again").headers["location"]
    assert "1 piece waits to be measured again." in teacher.get(told).text
    assert teacher.post(f"/pieces/{other}/measure-again").status_code == 409


def test_the_attempt_before_is_offered_to_be_laid_over_this_one_where_both_may_be_seen(school, visit):
    held = school.sitting()
    first, second = school.measured(held, "l1"), school.measured(held, "l1", content=b"another piece")
    offered = f'other="/pieces/{first}/scene.glb" other-name="attempt 1"'
    assert offered in visit("teacher").get(f"/pieces/{second}").text
    assert "other=" not in visit("teacher").get(f"/pieces/{first}").text
    school.judge(second)
    assert "other=" not in visit("l1").get(f"/pieces/{second}").text  # their own view of the first is not in yet
    school.judge(first)
    assert offered in visit("l1").get(f"/pieces/{second}/reveal").text
    assert visit("l1").get(f"/pieces/{first}/scene.glb").status_code == 200


def test_a_mark_above_the_pass_line_says_which_critical_criterion_stopped_it(school):
    made = school.measured(school.sitting(), "l1", ["in", "out"], content=b"c")
    found = piece_page(school.store, school["teacher"], made)
    strict = tuple(replace(c, critical=c.position in (1, 2)) for c in found.criteria)
    cells = piece_cells(replace(found, criteria=strict, percent=90.0, outcome="fail"), words_in("en"))
    assert "pass line 60, not passed: critical 2 not met" in [cell.more for cell in cells]
