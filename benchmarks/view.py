"""How soon the view in three dimensions can be used: `python benchmarks/view.py [--browser /usr/bin/chromium] [--rounds 5]`.

A crown preparation of at least 200,000 triangles (the exercise's own target, scanned by simulation), with its readings, in real Chromium without a
graphics card (software drawing), each round in a fresh browser context: nothing is cached. Prints for each round, in ms after navigation began: when
the scene had come, when the first picture was drawn, when the picture that answers a drag was drawn (the target: 1500), and how long a
frame took while it was dragged. The server is the small one of `view/serve.py` on this machine.
"""

from __future__ import annotations

import argparse
import importlib
import statistics
import sys
import tempfile
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
LEAST_TRIANGLES = 200_000
ARGUMENTS = [
    "--no-sandbox",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-background-networking",
]
DRAG = """document.addEventListener("kerfmark:ready", async () => {
  const stage = document.querySelector("kerfmark-view .kv-stage"), box = stage.getBoundingClientRect();
  const at = (type, x, y) => stage.dispatchEvent(new PointerEvent(type, {bubbles: true, pointerId: 1, pointerType: "mouse", buttons: 1, clientX: box.left + x, clientY: box.top + y}));
  const drawn = performance.now();
  const frame = () => new Promise((done) => requestAnimationFrame(() => setTimeout(() => {
    const context = stage.querySelector("canvas").getContext("webgl2");
    context.readPixels(0, 0, 1, 1, context.RGBA, context.UNSIGNED_BYTE, new Uint8Array(4));  // waits until it is drawn
    done();
  }, 0)));
  stage.setPointerCapture = () => {};
  at("pointerdown", 200, 200);
  at("pointermove", 215, 205);
  await frame();
  const answered = performance.now(), times = [];
  for (let i = 0; i < 20; i++) {
    const began = performance.now();
    at("pointermove", 215 + 4 * i, 205);
    await frame();
    times.push(performance.now() - began);
  }
  at("pointerup", 300, 205);
  const came = performance.getEntriesByName("kerfmark-view:came")[0].startTime;
  window.figures = {came, drawn, answered, frame: times.sort((a, b) => a - b)[10], slowest_frame: times[19]};
});"""


def serve_module():
    """`view/serve.py`, which is no package."""
    sys.path.insert(0, str(ROOT / "view"))
    return importlib.import_module("serve")


def dense_page(serve, *, least: int = LEAST_TRIANGLES):
    """A page whose piece has at least so many triangles, and how many it has."""
    from kerfmark.geometry.mesh_files import write_surface
    from kerfmark.geometry.phantoms import scanned
    from kerfmark.pipeline import open_exercise
    from kerfmark.reports.scene.container import read_container
    from kerfmark.settings import read_settings

    _, prepared = open_exercise("full-crown-46", settings=read_settings())
    for edge_mm in (0.12, 0.11, 0.1, 0.09, 0.08, 0.07, 0.06, 0.05):
        surface = scanned(prepared.target, noise_um=10.0, edge_mm=edge_mm, rng=np.random.default_rng(0))
        if len(surface.faces) >= least:
            break
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "crown.stl"
        write_surface(path, surface)
        page = serve.page_of("full-crown-46", path)
    return page, len(read_container(page.scene).part("piece").indices)


def main() -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    page, triangles = dense_page(serve := serve_module())
    server, address = serve.serving(page)
    print(f"{triangles} triangles, scene {len(page.scene) / 1e6:.1f} MB, browser {asked.browser}, software drawing")
    rows = []
    with sync_playwright() as playwright:
        for number in range(asked.rounds):
            browser = playwright.chromium.launch(executable_path=asked.browser, args=ARGUMENTS)
            tab = browser.new_page(viewport={"width": 1280, "height": 900})
            tab.add_init_script(DRAG)
            tab.goto(address, wait_until="commit")
            while (found := tab.evaluate("window.figures ?? null")) is None:
                tab.wait_for_timeout(200)
            rows.append(found)
            print(f"round {number + 1}: " + ", ".join(f"{name} {value:.0f} ms" for name, value in found.items()))
            browser.close()
    server.shutdown()
    median = {name: statistics.median(row[name] for row in rows) for name in rows[0]}
    print("median:  " + ", ".join(f"{name} {value:.0f} ms" for name, value in median.items()))


if __name__ == "__main__":
    main()
