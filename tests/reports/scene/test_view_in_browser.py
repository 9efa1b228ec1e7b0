"""The view in a real browser: what it shows, how it turns, what it asks for, and that it says the same without eyes."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from kerfmark.geometry.closest import ClosestPoint
from kerfmark.reports.drawn import piece_scene
from kerfmark.reports.scene import plain_scene, scene_bytes, section_at, still_at
from kerfmark.reports.scene.container import read_container, written

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def data(piece_report):
    return scene_bytes(*piece_report)


@pytest.fixture(scope="module")
def drawn(piece_report):
    return piece_scene(*piece_report)


@pytest.fixture
def page(serve, data, drawn):
    def section(plane, offset, turn, size):
        return section_at(drawn, plane=plane, offset_mm=offset, turn_deg=turn, size=size)

    return serve.Page(data, section, still_at(drawn), {"chosen": "2", "can-note": ""})


@pytest.fixture
def plain_page(serve, data, drawn):
    def section(plane, offset, turn, size):
        return section_at(drawn, plane=plane, offset_mm=offset, turn_deg=turn, size=size, plain=True)

    return serve.Page(plain_scene(data), section, still_at(drawn, plain=True), {})


def test_it_comes_up_within_the_policy_and_takes_the_still_picture_s_place(show, page):
    shown = show(page)
    shown.rest()
    assert shown.said == []
    assert len(shown.heard("ready")) == 1
    assert shown.page.locator(".still").is_hidden()


@pytest.mark.parametrize("sign", [1, -1])
def test_too_far_is_orange_left_is_blue_and_plain_is_grey(show, page, data, sign):
    # The simulated piece was cut too far over a patch; turned round, the same patch is material left.
    whole = read_container(data)
    parts = [
        replace(p, attributes={**p.attributes, "_DEVIATION_MM": sign * p.attributes["_DEVIATION_MM"]})
        if p.name == "piece"
        else p
        for p in whole.parts
    ]
    shown = show(replace(page, scene=written(replace(whole, parts=tuple(parts)))))
    shown.press("occlusal")
    shown.rest()
    x, y = spot_of(shown, next(p["words"] for p in whole.facts["patches"] if p["words"].startswith(("−", "over −"))))
    red, _, blue = shown.pixels()[y, x]
    assert sign * (red - blue) > 50
    shown.press("Plain")
    shown.rest()
    assert np.ptp(shown.pixels()[y, x]) < 14


def spot_of(shown, words):
    text = shown.page.locator(".kv-patch", has_text=words).first
    text.wait_for(state="attached", timeout=30_000)
    return round(float(text.get_attribute("x"))), round(float(text.get_attribute("y"))) - 4


def test_the_scale_bar_is_true(show, plain_page, data):
    # Source: from above, a parallel projection shows the piece as wide as it is: its extent along x, in mm, times px per mm of the bar.
    part, floor = read_container(data).part("piece"), read_container(data).facts["floor_mm"]
    points = part.attributes["POSITION"]
    wide_mm = np.ptp(points[points[:, 2] > floor, 0])
    shown = show(plain_page)
    shown.press("Before cutting", "occlusal")
    shown.rest()
    bar = shown.page.locator(".kv-over line").all()[-3]
    words = shown.page.locator(".kv-over text").last.text_content()
    length_px = float(bar.get_attribute("x2")) - float(bar.get_attribute("x1"))
    pixels = shown.pixels()
    covered = np.abs(pixels - pixels[2, 2]).sum(axis=2) > 60
    seen_px = np.ptp(np.flatnonzero(covered.any(axis=0)))
    assert seen_px / length_px * float(words.split()[0]) == pytest.approx(wide_mm, rel=0.02)


def test_a_drag_turns_it_and_letters_turn_it_to_a_side(show, page):
    shown = show(page)
    shown.rest()
    box = shown.page.locator(".kv-stage").bounding_box()
    shown.page.mouse.move(box["x"] + 250, box["y"] + 200)
    shown.page.mouse.down()
    shown.page.mouse.move(box["x"] + 330, box["y"] + 240, steps=3)
    shown.page.mouse.up()
    assert shown.page.locator(".kv-from [aria-pressed=true]").count() == 0
    shown.keys("m")
    shown.page.locator('.kv-from [aria-label="mesial"][aria-pressed=true]').wait_for(timeout=30_000)
    assert shown.page.locator(".kv-spoken").inner_text() == "Seen mesial."


def test_arrow_keys_turn_it_and_nought_shows_the_whole(show, page):
    shown = show(page)
    shown.rest()
    before = shown.over()
    shown.keys("ArrowLeft", "ArrowLeft", "+")
    shown.rest()
    assert shown.over() != before


def test_letters_act_only_with_focus_and_can_be_switched_off(show, page):
    shown = show(page)
    shown.rest()
    shown.page.evaluate("document.activeElement.blur()")
    shown.page.keyboard.press("o")
    assert shown.page.locator('[aria-label="occlusal"]').get_attribute("aria-pressed") == "false"
    shown.page.get_by_text("Keys", exact=True).click()
    shown.page.get_by_label("Single letters act while the view has focus").uncheck()
    shown.keys("o")
    assert shown.page.locator('[aria-label="occlusal"]').get_attribute("aria-pressed") == "false"


def test_bracket_keys_move_the_plane_and_the_section_is_the_report_s_own(show, page, drawn):
    shown = show(page)
    shown.rest()
    with shown.page.expect_response(lambda r: "offset_mm=0.10" in r.url) as answer:
        shown.keys("]")
    asked = dict(part.split("=") for part in answer.value.url.split("?")[1].split("&"))
    size = int(asked["width"]), int(asked["height"])
    assert answer.value.text() == section_at(drawn, plane="BL", offset_mm=0.1, size=size)
    assert shown.page.get_by_label("moved, mm").input_value() == "0.10"
    shown.page.locator('.kv-figure svg[aria-label^="Section BL"]').wait_for(timeout=30_000)


def test_the_plane_is_dragged_by_its_grip_as_far_as_the_pointer_goes(show, page):
    shown = show(page)
    shown.press("occlusal")
    shown.rest()
    grip = shown.page.locator(".kv-grip rect").bounding_box()
    bar = shown.page.locator(".kv-over line").all()[-3]
    px_per_mm = (float(bar.get_attribute("x2")) - float(bar.get_attribute("x1"))) / float(
        shown.page.locator(".kv-over text").last.text_content().split()[0]
    )
    x, y = grip["x"] + 5, grip["y"] + 5
    shown.page.mouse.move(x, y)
    shown.page.mouse.down()
    shown.page.mouse.move(x + 20, y, steps=2)
    shown.page.mouse.move(x + 40, y, steps=2)
    shown.page.mouse.up()
    moved = abs(float(shown.page.get_by_label("moved, mm").input_value()))
    assert moved == pytest.approx(40 / px_per_mm, abs=0.05)


def test_choosing_in_the_table_chooses_everywhere(show, page):
    shown = show(page)
    shown.rest()
    shown.page.get_by_text("The same as a table").click()
    row = shown.page.get_by_role("row", name="1 Convergence, BL")
    row.get_by_role("button").click()
    assert shown.heard("choose")[-1] == {"number": 1}
    assert row.get_by_role("button").get_attribute("aria-pressed") == "true"
    shown.page.locator('.kv-figure .fitted.kv-chosen[data-c="1"]').first.wait_for(state="attached", timeout=30_000)
    value = row.get_by_role("cell").nth(1).inner_text().split(" ")[0]
    assert value in shown.page.locator(".kv-dim").text_content()


def test_what_is_chosen_elsewhere_is_chosen_here(show, page):
    shown = show(page)
    shown.rest()
    shown.page.evaluate(
        "document.querySelector('main').dispatchEvent(new CustomEvent('kerfmark:choose',{bubbles:true,detail:{number:8}}))"
    )
    shown.page.locator('.kv-dim .kv-balloon[data-c="8"]').wait_for(state="attached", timeout=30_000)


def test_a_note_is_pinned_to_the_surface_by_keys_alone(show, page, piece_report):
    shown = show(page)
    shown.rest()
    shown.keys("n", "Enter")
    (found,) = shown.heard("pin")
    away = ClosestPoint(piece_report[0].piece.surface).query(np.array([found["point_mm"]]), max_distance_mm=5.0)[1]
    # Source: the spot is read off a picture of at most 340 px, so within a pixel's slope of the surface.
    assert abs(float(away[0])) < 0.1
    assert shown.page.locator(".kv-notice").is_hidden()


def test_before_own_views_there_is_no_number_and_no_colour(show, plain_page):
    shown = show(plain_page)
    shown.rest()
    assert shown.page.get_by_role("button", name="Deviation").count() == 0
    assert shown.page.locator(".kv-balloon").count() == 0
    shown.page.get_by_text("The same as a table").click()
    text = shown.page.locator("kerfmark-view").inner_text()
    assert not any(word in text for word in ("met", "limits", "Convergence", "±", "too far"))
    pixels = shown.pixels()
    assert np.ptp(pixels, axis=2).max() < 20
    assert shown.said == []


def test_a_question_about_a_side_turns_the_piece_to_it(show, plain_page, piece_report):
    number = [r.where for r in piece_report[0].rulings].index("distal") + 1
    shown = show(plain_page)
    shown.rest()
    shown.page.evaluate(f"document.querySelector('kerfmark-view').setAttribute('chosen', '{number}')")
    shown.page.locator('.kv-from [aria-label="distal"][aria-pressed=true]').wait_for(timeout=30_000)


def test_where_nothing_can_be_drawn_the_picture_stays_and_words_say_so(show, page, chromium):
    with chromium.browser_type.launch(executable_path=BROWSER, args=["--no-sandbox", "--disable-3d-apis"]) as other:
        shown = show(page, browser=other)
        assert shown.heard("still") == [{"reason": "no-webgl"}]
        assert shown.page.locator(".still svg").is_visible()
        assert "draws no three dimensions" in shown.page.locator(".kv-said").inner_text()


def test_a_damaged_scene_is_said_in_words(show, page):
    shown = show(replace(page, scene=page.scene[:100]))
    assert "could not be loaded" in shown.page.locator(".kv-said").inner_text()
    assert shown.page.locator(".still svg").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_rule_of_accessibility_is_broken(show, page, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="comes with the test extra")
    shown = show(page, color_scheme=scheme)
    shown.rest()
    shown.page.get_by_text("The same as a table").click()
    found = axe.Axe().run(shown.page)
    assert [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found.response["violations"]] == []


def test_a_phone_stacks_the_panels_and_nothing_runs_out_at_the_side(show, page):
    shown = show(page, viewport={"width": 390, "height": 844}, has_touch=True, device_scale_factor=2)
    shown.rest()
    view, section = (shown.page.locator(f".kv-{name}").bounding_box() for name in ("view", "section"))
    assert section["y"] >= view["y"] + view["height"] - 1
    assert shown.page.evaluate("document.documentElement.scrollWidth") <= 390
    heights = shown.page.locator(".kv-from button").evaluate_all(
        "all => all.map(b => b.getBoundingClientRect().height)"
    )
    assert min(heights) >= 44


@pytest.fixture
def recorded_page(serve, data):
    """The same piece as if the tool had gone over it from −x to +x in ten seconds (simulated)."""
    whole = read_container(data)

    def timed(part):
        if part.name not in ("piece", "before"):
            return part
        x = part.attributes["POSITION"][:, 0]
        return replace(
            part, attributes={**part.attributes, "_TIME_S": (10.0 * (x - x.min()) / np.ptp(x)).astype("<f4")}
        )

    event = {"words": "cut outside the envelope", "start_s": 4.0, "point_mm": [0.0, 0.0, 5.0], "depth_mm": 0.2}
    drawing = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 150"><path d="M0 0H9"/></svg>'
    history = {"lasted_s": 10.0, "drawing": drawing, "plot_share": [0.05, 0.9], "events": [event]}
    scene = replace(whole, parts=tuple(map(timed, whole.parts)), facts={**whole.facts, "history": history})
    return serve.Page(written(scene), None, "", {})


def test_the_history_shows_what_was_bare_at_a_time_and_says_what_it_shows(show, recorded_page):
    shown = show(recorded_page)
    shown.press("occlusal")
    shown.rest()
    slider = shown.page.get_by_role("slider", name="As it was cut")
    slider.evaluate("e => { e.value = '5'; e.dispatchEvent(new Event('input')) }")
    shown.page.get_by_text("cut outside the envelope", exact=True).first.wait_for(state="attached", timeout=30_000)
    assert "Dotted: not touched yet." in shown.page.locator(".kv-history").inner_text()
    # mesial, −x, lies on the right from above in this quadrant; what has not been touched is dotted, so its greys vary more.
    pixels = shown.pixels().sum(axis=2)
    middle = pixels.shape[1] // 2
    row = pixels[pixels.shape[0] // 2 - 40 : pixels.shape[0] // 2 + 40]
    rough = [
        np.abs(np.diff(part, axis=1)).mean()
        for part in (row[:, middle - 110 : middle - 20], row[:, middle + 20 : middle + 110])
    ]
    assert max(rough) > 1.5 * min(rough)
    assert slider.get_attribute("aria-valuetext") == "0:05"


def test_words_may_be_another_language_s(show, page):
    shown = show(replace(page, attributes={**page.attributes, "words": json.dumps({"plain": "Schlicht"})}))
    assert shown.page.get_by_role("button", name="Schlicht").count() == 1
    assert shown.page.get_by_role("button", name="Deviation").count() == 1


def test_another_piece_is_hatched_where_it_stands_before_this_one(show, page, data):
    # The other is this one grown by 0.4 mm along z: seen from above it stands before it everywhere.
    whole = read_container(data)
    grown = [
        replace(p, attributes={**p.attributes, "POSITION": p.attributes["POSITION"] + np.array([0, 0, 0.4], "<f4")})
        if p.name == "piece"
        else p
        for p in whole.parts
    ]
    shown = show(replace(page, other=written(replace(whole, parts=tuple(grown)))))
    shown.press("Plain", "occlusal")
    shown.rest()
    middle = (slice(200, 300), slice(220, 300))
    before = shown.pixels()[middle].sum(axis=2)
    with shown.page.expect_response("**/other.glb"):
        shown.press("Other piece")
    shown.page.get_by_text("this one is cut deeper there").wait_for(timeout=30_000)
    shown.page.locator('.kv-over path[stroke-dasharray="4 2.5"]').first.wait_for(state="attached", timeout=30_000)
    shown.rest()
    after = shown.pixels()[middle].sum(axis=2)
    assert np.abs(np.diff(after, axis=1)).mean() > 3 * np.abs(np.diff(before, axis=1)).mean()


HEADSET = """
const device = new IWER.XRDevice({
  name: "emulated", controllerConfig: undefined, supportedSessionModes: ["inline", "immersive-vr"], supportedFeatures: ["viewer", "local", "local-floor"],
  supportedFrameRates: [72], isSystemKeyboardSupported: false, internalNominalFrameRate: 72, environmentBlendModes: {"immersive-vr": "opaque"},
  interactionMode: "world-space", userAgent: "",
}, {stereoEnabled: false, ipd: 0, fovy: Math.PI / 3});
device.installRuntime({forceInstall: true});
device.position.set(0, 1.3, 0);
window.device = device;
"""


@pytest.fixture
def headset():
    """A script that stands in for a headset: one eye at 1.3 m, 60° from top to bottom."""
    import importlib.util
    import subprocess
    from pathlib import Path

    root = Path(__file__).resolve().parents[3]
    spec = importlib.util.spec_from_file_location("view_build", root / "view" / "build.py")
    build = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(build)
    try:
        build.install()
    except (subprocess.CalledProcessError, SystemExit):
        pytest.skip("the packages of view/package-lock.json cannot be had here (no npm registry, or no node)")
    emulation = build.HERE / "node_modules" / "iwer" / "build" / "iwer.min.js"
    return f"{emulation.read_text(encoding='utf-8')};(() => {{{HEADSET}}})();"


def width_px(shown, ready):
    """How wide the piece is on the headset's screen, once it is there."""
    for _ in range(100):
        shown.page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        pixels = screen(shown)
        seen = np.flatnonzero((np.abs(pixels - pixels[2, 2]).sum(axis=2) > 25).any(axis=0))
        if len(seen) and ready(np.ptp(seen)):
            return np.ptp(seen)
    raise AssertionError("the piece never came up in the room")


def screen(shown):
    return shown.decoded(shown.page.screenshot())


def test_in_the_room_the_piece_has_its_true_size_or_is_twenty_times_as_large(show, page, data, headset):
    # Source: a pinhole camera. Width in px = width / distance · (height / 2) / tan(half the angle), at 0.45 m and 60°.
    part, floor = read_container(data).part("piece"), read_container(data).facts["floor_mm"]
    points = part.attributes["POSITION"]
    wide_m = 1e-3 * float(np.ptp(points[points[:, 2] > floor, 0]))
    shown = show(page, before=headset, viewport={"width": 1000, "height": 800})
    shown.rest()
    expected = wide_m / 0.45 * 400 / np.tan(np.radians(30.0))
    shown.press("In the room, true size")
    assert width_px(shown, lambda px: px < 100) == pytest.approx(expected, abs=2.5)
    shown.page.evaluate("window.device.activeSession.end()")
    shown.rest()
    shown.press("In the room, × 20")
    # Its near half stands nearer than 0.45 m, its far half further: between its widths at either.
    half = 20 * wide_m / 2
    assert 20 * expected * 0.95 < width_px(shown, lambda px: px > 100) < 20 * expected * 0.45 / (0.45 - half)
    shown.page.evaluate("window.device.activeSession.end()")
    shown.rest()
    assert shown.said == []


def test_what_is_seen_is_saved_as_a_picture(show, page):
    """Source of the signature: PNG (third edition), 5.2."""
    shown = show(page)
    shown.rest()
    with shown.page.expect_download() as told:
        shown.page.get_by_role("button", name="Save picture").click()
    content = Path(told.value.path()).read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(content) > 20_000  # a white sheet of that size packs into some hundred bytes
    assert told.value.suggested_filename.endswith(".png")
