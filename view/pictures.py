"""Pictures of the view in its states, for whoever changes it to look at: `python view/pictures.py FOLDER [PIECE …]`.

Simulated pieces are made where none are given. `--docs` writes the picture of `docs/view.md` instead.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
import serve  # noqa: E402

ARGUMENTS = [
    "--no-sandbox",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-background-networking",
]
EXERCISE = "full-crown-46"
PHONE = {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 2, "has_touch": True}


def press(*names: str) -> Callable[[Any], None]:
    """Press buttons by their words."""

    def act(tab: Any) -> None:
        for name in names:
            tab.get_by_role("button", name=name, exact=True).first.click()

    return act


def scrub(share: float) -> Callable[[Any], None]:
    """Put the history at a share of its length."""
    code = f"e => {{ e.value = String(Number(e.max) * {share}); e.dispatchEvent(new Event('input')) }}"
    return lambda tab: tab.eval_on_selector(".kv-history input", code)


def states(
    scan: serve.Page, plain: serve.Page, motion: serve.Page
) -> Iterator[tuple[str, serve.Page, dict[str, Any], Callable[[Any], None] | None]]:
    """Every state worth looking at: name, page, context, what to do."""
    dark = {"color_scheme": "dark"}
    yield "map", scan, {}, None
    yield "map-dark", scan, dark, None
    yield "map-phone", scan, PHONE, None
    yield "target-dark", scan, dark, press("Target", "distal")
    yield "open", scan, {}, press("MD", "Open at the plane", "Neighbours")
    yield "open-dark", scan, dark, press("MD", "Open at the plane")
    yield "tissue", scan, {}, press("Tissue", "occlusal")
    yield "plain", plain, {}, None
    yield "plain-phone", plain, PHONE, None
    yield "plain-phone-dark", plain, {**PHONE, **dark}, None
    yield "recorded", motion, {"viewport": {"width": 1280, "height": 1150}}, scrub(0.45)
    yield "recorded-dark", motion, {"viewport": {"width": 1280, "height": 1150}, **dark}, scrub(0.75)
    yield (
        "table",
        scan,
        {"viewport": {"width": 1280, "height": 1500}},
        lambda tab: tab.get_by_text("The same as a table").click(),
    )


def simulated(folder: Path) -> tuple[Path, Path]:
    """A scan and a recorded motion of one learner who does not exist."""
    from kerfmark.cli import main as command

    for name in ("piece.stl", "piece.parquet"):
        sys.argv = ["kerfmark", "simulate", EXERCISE, "--out", str(folder / name), "--level", "novice"]
        try:
            command()
        except SystemExit as end:
            if end.code:
                raise
    return folder / "piece.stl", folder / "piece.parquet"


def shoot(
    browser: Any,
    page: serve.Page,
    into: Path,
    given: dict[str, Any],
    act: Callable[[Any], None] | None,
    *,
    scale: float = 1.0,
) -> None:
    """One picture."""
    server, address = serve.serving(page)
    wanted = {
        "viewport": {"width": 1280, "height": 820},
        "reduced_motion": "reduce",
        "device_scale_factor": scale,
        **given,
    }
    context = browser.new_context(**wanted)
    tab = context.new_page()
    tab.goto(address)
    tab.wait_for_selector("kerfmark-view[data-state=ready]", timeout=120_000)
    if act:
        act(tab)
    tab.wait_for_selector('kerfmark-view[data-picture="2"]', timeout=120_000)
    tab.wait_for_selector(".kv-figure:not([aria-busy])", timeout=60_000)
    tab.screenshot(path=str(into), full_page=True)
    print(into)
    context.close()
    server.shutdown()


def main() -> None:
    """Make the pictures."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--docs", action="store_true")
    parser.add_argument("--only", default="")
    parser.add_argument("--browser", default=shutil.which("chromium"))
    asked = parser.parse_args()
    into = HERE.parent / "docs" / "pictures" if asked.docs else asked.folder
    into.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        scan_file, motion_file = simulated(Path(folder))
        scan = serve.page_of(EXERCISE, scan_file)
        scan = replace(scan, attributes={**scan.attributes, "chosen": "2"})
        browser = playwright.chromium.launch(executable_path=asked.browser, args=ARGUMENTS)
        if asked.docs:
            shoot(browser, scan, into / "view.png", {"viewport": {"width": 1280, "height": 760}}, None, scale=1.5)
            return
        plain = serve.page_of(EXERCISE, scan_file, plain=True)
        plain = replace(plain, attributes={"chosen": "10", "site": "central groove"})
        motion = serve.page_of(EXERCISE, motion_file)
        motion = replace(motion, attributes={"chosen": "1"})
        for name, page, given, act in states(scan, plain, motion):
            if asked.only in name:
                shoot(browser, page, into / f"{name}.png", given, act)
        browser.close()


if __name__ == "__main__":
    main()
