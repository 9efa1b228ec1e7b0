"""An implant planned in a real browser: drawn, dragged, tilted, undone and handed in by mouse, by finger and by keys alone."""

import re
import sys
from pathlib import Path
from urllib.parse import parse_qsl, urlencode

import pytest

from kerfmark.exercise.folder import save_exercise
from kerfmark.exercise.prepared import prepare
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.pieces import pieces
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import seat_learners
from kerfmark.web.planning.desk import Desk

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
PLACED = {"em": "0", "ef": "0", "eo": "0", "tm": "0", "tf": "0", "long": "10", "diameter": "4.1", "at": "10"}
FIELDS = "Object.fromEntries(['arch','em','ef','eo','tm','tf','long','at'].map(n => [n, document.getElementById('plan-form').elements[n].value]))"


@pytest.fixture(scope="module")
def planned(served, settings, tmp_path_factory):
    """The phantom plan in the served school: its id, and a sitting in which ines has a seat."""
    from implant_phantoms import planned_exercise

    folder = tmp_path_factory.mktemp("phantom-plan")
    loaded = planned_exercise()
    save_exercise(folder, loaded.exercise, loaded.assets)
    Desk(prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits))  # seconds, which no page waits for then
    exercise = import_exercise(served.store, PROGRAM, folder, settings=settings, prove=False)
    teacher = actor_of(served.store, served.ids["tessa"])
    sitting = open_sitting(served.store, teacher, title="Planning", site_id=served.ids["site"], exercise_id=exercise)
    seat_learners(served.store, teacher, sitting, [served.ids["ines"]])
    return exercise, sitting


class Bench:
    """The page of planning in a browser."""

    def __init__(self, seated, exercise, **given):
        self.page, self.address = seated.page, f"/exercises/{exercise}/plan"
        seated.go(f"{self.address}?{urlencode(given)}")
        self.page.wait_for_selector(".with-script")

    def fields(self) -> dict[str, float | str]:
        found = self.page.evaluate(FIELDS)
        return {name: value if name == "arch" or not value else float(value) for name, value in found.items()}

    def settled(self, act) -> dict[str, float | str]:
        """Do something, wait until the server has drawn what came of it, and say what is planned then."""
        with self.page.expect_response(lambda answer: "/plan/trial?" in answer.url):
            act()
        self.page.wait_for_selector("#plan-form:not([aria-busy])")
        return self.fields()

    def grip(self, figure, name, index=None):
        at = "" if index is None else f'[data-index="{index}"]'
        return self.page.locator(f'svg[data-figure="{figure}"] .grip[data-grip="{name}"]{at}')

    def drag(self, figure, name, across_px, up_px, index=None):
        box = self.grip(figure, name, index).locator("circle").first.bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.mouse.move(x + across_px, y - up_px, steps=4)
        self.page.mouse.up()

    def scale(self, figure):
        """Pixels of the screen in a millimetre."""
        return self.page.evaluate(
            f"(() => {{ const s = document.querySelector('svg[data-figure={figure}]'); return s.dataset.scale * s.getBoundingClientRect().width / s.viewBox.baseVal.width; }})()"
        )

    def clearance(self):
        text = self.page.locator("[data-part=readings] tbody tr").first.locator("td").inner_text()
        return float(re.search(r"[\d.]+", text)[0])


def test_the_implant_follows_the_mouse_by_as_many_millimetres_and_its_clearance_with_it(desk, planned):
    bench = Bench(desk("ines"), planned[0], **PLACED)
    assert bench.clearance() == pytest.approx(3.75, abs=0.01)  # the phantom's own number
    by = bench.scale("mesial")
    now = bench.settled(lambda: bench.drag("mesial", "entry", 1.0 * by, -2.0 * by))
    assert now["em"] == pytest.approx(1.0, abs=0.06)
    assert now["eo"] == pytest.approx(-2.0, abs=0.06)
    assert bench.clearance() == pytest.approx(3.75 + now["eo"], abs=0.05)
    tilted = bench.settled(lambda: bench.drag("facial", "apex", 1.0 * bench.scale("facial"), 0.0))
    assert tilted["tf"] == pytest.approx(-5.71, abs=0.6)  # 1 mm at 10 mm, to the lingual side: right in the figure
    assert (tilted["em"], tilted["long"]) == (now["em"], 10.0)
    back = bench.settled(lambda: bench.page.keyboard.press("Control+z"))
    assert back == now
    assert bench.settled(lambda: bench.page.get_by_role("button", name="Redo").click()) == tilted


def test_everything_is_planned_and_handed_in_by_keys_alone(desk, planned, served):
    bench = Bench(desk("ines"), planned[0])
    page = bench.page
    page.get_by_role("button", name="Draw the arch anew").focus()
    bench.settled(lambda: page.keyboard.press("Enter"))
    page.wait_for_selector('[data-grip="cross"]')
    page.locator('[data-grip="cross"]').focus()
    for key, times in (
        ("Shift+ArrowLeft", 2),
        ("Enter", 1),
        ("Shift+ArrowRight", 2),
        ("Enter", 1),
        ("Shift+ArrowRight", 2),
    ):
        for _ in range(times):
            page.keyboard.press(key)
    bench.settled(lambda: page.keyboard.press("Enter"))
    drawn = [float(row.split(",")[0]) for row in bench.fields()["arch"].split()]
    assert (drawn[1] - drawn[0], drawn[2] - drawn[1]) == (10.0, 10.0)
    bench.settled(lambda: page.keyboard.press("Escape"))
    page.get_by_label("Where one looks along the arch, mm").focus()
    bench.settled(lambda: [page.keyboard.press(key) for key in ["Home", *["ArrowRight"] * 42]])
    page.get_by_role("button", name="Place it here").focus()
    placed = bench.settled(lambda: page.keyboard.press("Enter"))
    assert placed["em"] == pytest.approx(0.0, abs=0.3)
    bench.grip("mesial", "apex").focus()
    tilted = bench.settled(lambda: page.keyboard.press("Shift+ArrowRight"))
    assert tilted["tm"] == pytest.approx(2.86, abs=0.02)  # atan(0.5 / 10)
    assert page.evaluate("document.activeElement.dataset.grip") == "apex"
    page.get_by_label("Length, mm").focus()
    assert bench.settled(lambda: page.keyboard.press("ArrowUp"))["long"] == 10.5
    page.get_by_role("button", name="Hand in this plan").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/pieces/**")
    assert any(
        line.sitting_id == planned[1] for line in pieces(served.store, actor_of(served.store, served.ids["ines"]))
    )


def test_a_finger_moves_the_arch_and_a_point_is_added_and_taken_away(desk, planned):
    at = desk("ines", viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
    bench = Bench(at, planned[0], **PLACED)
    grip = bench.grip("above", "arch", 1)
    grip.scroll_into_view_if_needed()
    box = grip.locator("circle").first.bounding_box()
    assert min(box["width"], box["height"]) >= 38  # reached by a finger although the figure is small
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = bench.fields()["arch"].split()
    touch = at.page.context.new_cdp_session(at.page)

    def slide():
        for kind, points in (
            ("touchStart", [{"x": x, "y": y}]),
            ("touchMove", [{"x": x + 5, "y": y}]),
            ("touchMove", [{"x": x + 20, "y": y}]),
            ("touchEnd", []),
        ):
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    after = bench.settled(slide)["arch"].split()
    by = float(after[1].split(",")[0]) - float(before[1].split(",")[0])
    assert by == pytest.approx(20.0 / bench.scale("above"), abs=0.2)
    assert after[0] == before[0]
    assert len(bench.settled(lambda: bench.page.get_by_role("button", name="Add a point").click())["arch"].split()) == 5
    assert (
        len(bench.settled(lambda: bench.page.get_by_role("button", name="Remove point").click())["arch"].split()) == 4
    )


def test_without_a_script_every_field_and_button_still_plans(chromium, served, planned):
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{served.address}/sign-in")
    page.fill("#login", "ines")
    page.fill("#password", "four plain words here")
    page.get_by_role("button", name="Sign in").click()
    page.goto(f"{served.address}/exercises/{planned[0]}/plan?at=10")
    page.get_by_role("button", name="Place it here").click()
    page.get_by_label("Apex tilted mesially, °").fill("5")
    page.get_by_role("button", name="Show", exact=True).click()
    assert dict(parse_qsl(page.url.partition("?")[2]))["tm"] == "5"
    assert page.locator("[data-part=readings] tbody tr").count() > 4
    assert not page.get_by_role("button", name="Undo").is_visible()
    context.close()


@pytest.mark.parametrize("look", ["light", "dark", "phone"])
def test_the_page_is_for_everybody_and_runs_over_no_edge(desk, planned, look):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    looks = {
        "light": {},
        "dark": {"color_scheme": "dark"},
        "phone": {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True},
    }
    bench = Bench(desk("ines", **looks[look]), planned[0], **PLACED)
    told = axe.run(bench.page, options=RULES).response["violations"]
    assert [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in told] == []
    assert bench.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
