"""Planning an implant in the page: what it shows, what it reads, what is handed in, and who may."""

import io
import re
import sys
from pathlib import Path
from urllib.parse import parse_qsl, urlencode

import numpy as np
import pytest
from lxml import html

from kerfmark.exercise.folder import save_exercise
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.volumes import sample_volume
from kerfmark.pipeline import assess_prepared
from kerfmark.planned import read_plan_bytes
from kerfmark.settings import Limits
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.piece_files import piece_files
from kerfmark.sittings.pieces import piece
from kerfmark.sittings.rights import PROGRAM

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

PLACED = {"em": "0", "ef": "0", "eo": "0", "tm": "0", "tf": "0", "long": "10", "diameter": "4.1"}


@pytest.fixture(scope="session")
def phantom(settings, tmp_path_factory):
    """The phantom plan: loaded, prepared, and its folder."""
    from implant_phantoms import planned_exercise

    folder = tmp_path_factory.mktemp("phantom-plan")
    loaded = planned_exercise()
    save_exercise(folder, loaded.exercise, loaded.assets)
    return loaded, prepare(loaded, cache_dir=settings.cache_dir, limits=Limits()), folder


@pytest.fixture
def desk(school, phantom, settings):
    """The phantom in the school's store, a sitting of it for l1 and l2, and where it is planned."""
    exercise = import_exercise(school.store, PROGRAM, phantom[2], settings=settings, prove=False)
    sitting = school.sitting(exercise_id=exercise)
    return exercise, sitting, f"/exercises/{exercise}/plan"


def test_the_readings_of_a_placed_implant_are_its_distances(visit, desk):
    # Source: the phantom's own numbers: canal 15 − 10 − 1.25 mm below, roots of 2 mm at 6.5 and 7.5 mm from an axis of 2.05 mm.
    page = html.fromstring(visit("l1").get(f"{desk[2]}?{urlencode(PLACED)}").text)
    shown = {row.findtext("th"): row.xpath("string(td)") for row in page.xpath("//tbody/tr")}
    value = {name: float(re.match(r"\s*([\d.]+)", text)[1]) for name, text in shown.items()}
    assert value["To the canal"] == pytest.approx(3.75, abs=0.011)
    assert value["To the root, mesial"] == pytest.approx(2.45, abs=0.011)
    assert value["To the root, distal"] == pytest.approx(3.45, abs=0.011)
    assert value["Axis to the crown's axis"] == 0.0


def test_a_plan_in_the_air_says_why_nothing_is_read_of_it(visit, desk):
    page = html.fromstring(visit("l1").get(f"{desk[2]}?{urlencode(PLACED | {'eo': '9'})}").text)
    shown = {row.findtext("th"): row.xpath("string(td)") for row in page.xpath("//tbody/tr")}
    assert "outside the bone" in shown["To the canal"]


def test_a_plan_for_a_bed_is_not_offered_to_be_handed_in(visit, desk, school, phantom, settings, tmp_path):
    loaded = phantom[0]
    asked = loaded.exercise.criteria[0].model_copy(update={"where": "bed"})
    bed = loaded.exercise.model_copy(update={"id": "phantom-of-beds", "criteria": (asked,)})
    save_exercise(tmp_path / "beds", bed, loaded.assets)
    exercise = import_exercise(school.store, PROGRAM, tmp_path / "beds", settings=settings, prove=False)
    school.sitting(exercise_id=exercise)
    assert "Hand in this plan" in visit("l1").get(f"{desk[2]}?{urlencode(PLACED)}").text
    assert "Hand in this plan" not in visit("l1").get(f"/exercises/{exercise}/plan?{urlencode(PLACED)}").text
    offered = html.fromstring(visit("l1").get("/pieces/new").text).xpath("//a[contains(@href, '/plan')]/@href")
    assert offered == [desk[2]]


def test_every_picture_of_the_jaw_has_a_scale_in_millimetres(visit, desk):
    # Source: the figure's own px a mm, which the script moves grips by.
    page = html.fromstring(visit("l1").get(f"{desk[2]}?{urlencode(PLACED)}").text)
    figures = page.xpath("//svg[@data-figure]")
    assert {figure.get("data-figure") for figure in figures} >= {"above", "facial", "mesial", "along", "strip"}
    for figure in figures:
        (bar,) = figure.xpath(".//g[@class='scale']")
        length = float(re.match(r"(\d+) mm", bar.xpath("string(.//text)"))[1])
        begin, end = map(float, re.match(r"M([\d.]+) [\d.]+ ([\d.]+)", bar.find("path").get("d")).groups())
        assert end - begin == pytest.approx(length * float(figure.get("data-scale")), abs=0.2)


def test_a_learner_sees_nothing_of_the_teachers_plan_and_a_teacher_begins_with_it(visit, desk):
    learner, teacher = (visit(who).get(desk[2]).text for who in ("l1", "teacher"))
    assert "No implant yet" in learner
    assert "off the plan" not in learner
    assert html.fromstring(learner).xpath("string(//input[@name='em']/@value)") == ""
    assert html.fromstring(teacher).xpath("string(//input[@name='long']/@value)") == "10.0"


def test_no_limit_and_no_ruling_is_shown_while_one_plans(visit, desk):
    text = html.fromstring(visit("l1").get(f"{desk[2]}?{urlencode(PLACED)}").text).xpath("string(//main)")
    assert [word for word in ("limits", "met", "too close") if re.search(rf"\b{word}\b", text)] == []


def test_an_implant_placed_here_stands_on_the_bone_over_the_arch(visit, desk):
    page = html.fromstring(visit("l1").get(f"{desk[2]}?at=10&do=place").text)
    at = {name: float(page.xpath(f"string(//input[@name='{name}']/@value)")) for name in ("em", "ef", "eo", "tm", "tf")}
    assert at["eo"] == pytest.approx(0.0, abs=0.02)  # the phantom's bone is level at 0
    assert abs(at["em"]) < 0.3
    assert at["tm"] == at["tf"] == 0.0


def test_a_picture_shows_the_greys_that_lie_in_its_plane(visit, desk, phantom):
    # Source: the volume read at the pixels' own places.
    from kerfmark.web.planning.desk import Desk

    page = html.fromstring(visit("l1").get(desk[2]).text)
    address = page.xpath("//svg[@data-figure='above']/image/@href")[0]
    answer = visit("l1").get(address)
    assert answer.headers["content-type"] == "image/png"
    assert "private" in answer.headers["cache-control"]
    asked, made = dict(parse_qsl(address.partition("?")[2])), Desk(phantom[1])
    grey = _greys_of(answer.content)
    rows, columns = grey.shape
    p = made.pixel_mm
    centre = np.array([float(v) for v in asked["o"].split(",")])
    row, column = rows // 3, columns // 4
    spot = centre + np.array([-0.5 * float(asked["w"]) + p * column, float(asked["t"]) - p * row, 0.0])
    low, high = made.grey_window
    share = np.clip((sample_volume(made.volume, spot[None])[0] - low) / (high - low), 0.0, 1.0)
    assert grey[row, column] == pytest.approx(24 + 221 * share, abs=1.0)


def _greys_of(png: bytes) -> np.ndarray:
    image = pytest.importorskip("PIL.Image").open(io.BytesIO(png))
    return np.asarray(image)[..., 0]


def test_a_plan_handed_in_is_a_piece_and_is_marked_as_it_was_shown(visit, desk, phantom, school, settings, tmp_path):
    browser, (_exercise, sitting, address) = visit("l1"), desk
    tilted = {**PLACED, "em": "0.4", "tm": "3", "tf": "-2"}
    shown = html.fromstring(browser.get(f"{address}?{urlencode(tilted)}").text)
    answer = browser.post(address, {"plan": urlencode(tilted), "sitting": sitting})
    assert answer.status_code == 303
    piece_id = answer.headers["location"].split("/")[2].partition("?")[0]
    assert piece(school.store, PROGRAM, piece_id).file_name == "plan.toml"
    files = piece_files(school.store, PROGRAM, piece_id, tmp_path)
    loaded, prepared, _ = phantom
    found = assess_prepared(loaded, prepared, files.piece, settings=settings)
    read = {r.key: r.value for r in found.readings}
    canal = float(re.match(r"\s*([\d.]+)", shown.xpath("string(//tbody/tr[1]/td)"))[1])
    assert canal == pytest.approx(read["implant.canal_clearance_mm", None, None], abs=0.0051)
    way = np.array([np.tan(np.radians(3.0)), np.tan(np.radians(-2.0)), -1.0])
    turned = np.degrees(np.arccos(1.0 / np.linalg.norm(way)))
    assert read["implant.angle_deg", None, None] == pytest.approx(turned, abs=0.01)
    assert read["implant.entry_deviation_mm", None, None] == pytest.approx(0.4, abs=1e-3)


def test_a_saved_plan_opens_as_it_was(visit, desk, phantom):
    browser, address = visit("l1"), desk[2]
    state = {**PLACED, "em": "1.25", "tf": "4.5", "arch": "-9,1,-6;0,0.5,-6;9,1,-6", "at": "9"}
    file = browser.get(f"{address}.toml?{urlencode(state)}")
    read = read_plan_bytes(file.content, phantom[1], name="plan.toml", limits=Limits())
    assert read.arch_mm.round(2).tolist() == [[-9, 1, -6], [0, 0.5, -6], [9, 1, -6]]
    answer = browser.post(f"{address}/open", files={"file": ("plan.toml", file.content)})
    assert answer.status_code == 303
    again = dict(parse_qsl(answer.headers["location"].partition("?")[2]))
    for name in ("em", "ef", "eo", "tm", "tf", "long", "diameter", "arch"):
        assert again[name] == state[name], name


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"em": "x", "ef": "0", "eo": "0"}, "platform: 'x' was given"),
        ({**PLACED, "long": "900"}, "length: '900' was given"),
        ({**PLACED, "tm": "80"}, "tilt: '80' was given"),
        ({"arch": "1,2"}, "2 numbers, expected three"),
        ({"arch": "1,2,3;1,2,3"}, "are the same"),
        ({"arch": "0,0,0;0,0,9"}, "straight up"),
        ({"arch": ";".join(["1,2,3"] * 41)}, "at most 40"),
    ],
)
def test_what_cannot_be_planned_is_said_in_a_sentence(visit, desk, given, words):
    answer = visit("l1").get(f"{desk[2]}?{urlencode(given)}")
    assert answer.status_code == 422
    assert words in html.fromstring(answer.text).xpath("string(//*[@role='alert'])")


@pytest.mark.parametrize(
    "query",
    ["kind=plane", "kind=plane&o=0,0,0&a=1,0,0&u=1,0,0&w=9&t=9&b=9", "kind=plane&o=nan,0,0&a=1,0,0&u=0,0,1&w=9&t=9&b=9",
     "kind=plane&o=0,0,0&a=1,0,0&u=0,0,1&w=9000&t=9&b=9", "kind=along", "kind=strip&arch=0,0,0", "kind=plane&o=1,2&a=1,0,0&u=0,0,1&w=9&t=9&b=9"],
)  # fmt: skip
def test_a_picture_of_nothing_is_refused_in_a_sentence(visit, desk, query):
    answer = visit("l1").get(f"{desk[2]}/picture.png?{query}")
    assert answer.status_code == 422
    assert "expected" in answer.text


def test_a_broken_plan_file_is_refused_in_a_sentence(visit, desk):
    answer = visit("l1").post(f"{desk[2]}/open", files={"file": ("plan.toml", b"format = 2\n\x00")})
    assert answer.status_code == 422
    assert "plan.toml" in html.fromstring(answer.text).xpath("string(//*[@role='alert'])")


@pytest.mark.parametrize(("who", "status"), [("l1", 200), ("l3", 404), ("other-l", 404), ("teacher", 200), ("e1", 200)])
def test_only_who_may_see_the_exercise_plans_in_it(visit, desk, who, status):
    browser = visit(who)
    for address in (desk[2], f"{desk[2]}/trial", f"{desk[2]}/picture.png?kind=along&arch=-9,1,-6;9,1,-6"):
        assert browser.get(address).status_code == status, address


def test_a_plan_without_an_implant_or_a_seat_is_not_handed_in(visit, desk):
    _exercise, sitting, address = desk
    nothing = visit("l1").post(address, {"plan": "at=3", "sitting": sitting})
    assert (nothing.status_code, "no implant yet" in nothing.text) == (422, True)
    stranger = visit("teacher").post(address, {"plan": urlencode(PLACED), "sitting": sitting})
    assert stranger.status_code == 422


def test_an_exercise_without_a_ct_is_not_planned_in(visit, school):
    sitting = school.sitting()
    assert sitting
    assert visit("l1").get(f"/exercises/{school.exercise}/plan").status_code == 404


def test_the_way_to_the_desk_stands_where_one_hands_in(visit, desk):
    assert desk[2] in visit("l1").get("/pieces/new").text
    assert desk[2] in visit("teacher").get(f"/exercises/{desk[0]}").text
