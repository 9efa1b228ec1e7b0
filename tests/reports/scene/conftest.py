"""A real browser on a page that holds the view alone, served with the policy the product's pages have."""

import base64
import importlib.util
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[3]
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = ["--no-sandbox", "--disable-background-networking"]
SOFTWARE = ["--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]


@pytest.fixture(scope="session")
def serve():
    """`view/serve.py`, which is no package."""
    spec = importlib.util.spec_from_file_location("view_serve", ROOT / "view" / "serve.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["view_serve"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def chromium():
    """Chromium that draws in software; closed with its module, since its event loop stands in the way of all others in this thread."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright comes with the test extra")
    if not BROWSER:
        pytest.skip("no chromium on this machine (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=BROWSER, args=ARGUMENTS + SOFTWARE)
        yield browser
        browser.close()


class Shown:
    """A page with the view on it, and what it has said."""

    def __init__(self, page, served, address, *, before=None):
        self.page, self.served, self.said = page, served, []
        page.on("console", lambda message: self.said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.add_init_script(
            "window.heard=[];for(const n of ['choose','pin','ready','still'])"
            "document.addEventListener('kerfmark:'+n,e=>window.heard.push([n,e.detail]))"
        )
        if before:
            page.add_init_script(before)
        page.goto(address)
        page.wait_for_selector("kerfmark-view[data-state]", timeout=60_000)

    def heard(self, name):
        return [detail for heard, detail in self.page.evaluate("window.heard") if heard == name]

    def rest(self):
        """Until the picture of what was asked last is drawn, with its hollows and balloons."""
        self.page.wait_for_selector('kerfmark-view:is([data-picture="1"], [data-picture="2"])', timeout=60_000)

    def press(self, *names):
        for name in names:
            self.page.get_by_role("button", name=name, exact=True).first.click()

    def keys(self, *keys):
        self.page.locator(".kv-stage").focus()
        for key in keys:
            self.page.keyboard.press(key)

    def over(self):
        return self.page.locator(".kv-over").inner_html()

    def pixels(self):
        """The stage as it is seen without its lines and words, (h, w, 3)."""
        self.page.evaluate("document.querySelector('.kv-over').style.visibility='hidden'")
        picture = self.page.screenshot(clip=self.page.locator(".kv-stage").bounding_box())
        self.page.evaluate("document.querySelector('.kv-over').style.visibility=''")
        return self.decoded(picture)

    def decoded(self, picture):
        """A PNG as (h, w, 3); the page itself unpacks it."""
        height, width, data = self.page.evaluate(
            """async (data) => {
              const image = new Image();
              image.src = "data:image/png;base64," + data;
              await image.decode();
              const flat = document.createElement("canvas");
              [flat.width, flat.height] = [image.width, image.height];
              const pen = flat.getContext("2d");
              pen.drawImage(image, 0, 0);
              const bytes = pen.getImageData(0, 0, image.width, image.height).data;
              const text = await new Promise((done) => {
                const reader = new FileReader();
                reader.onload = () => done(reader.result);
                reader.readAsDataURL(new Blob([bytes]));
              });
              return [image.height, image.width, text.slice(text.indexOf(",") + 1)];
            }""",
            base64.b64encode(picture).decode("ascii"),
        )
        flat = np.frombuffer(base64.b64decode(data), dtype=np.uint8)
        return flat.reshape(height, width, 4)[:, :, :3].astype(int)


@pytest.fixture
def show(chromium, serve):
    """Open a page and show it: `show(page, width=…)`."""
    opened = []

    def _show(page, *, browser=chromium, before=None, **given):
        server, address = serve.serving(page)
        context = browser.new_context(
            **{"viewport": {"width": 1100, "height": 800}, "reduced_motion": "reduce", **given}
        )
        opened.append((server, context))
        return Shown(context.new_page(), page, address, before=before)

    yield _show
    for server, context in opened:
        context.close()
        server.shutdown()
        server.server_close()
