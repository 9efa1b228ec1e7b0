"""The school behind a real server, and Chromium in front of it. Everything is invented, every piece simulated."""

from __future__ import annotations

import math
import re
import shutil
import threading
from dataclasses import dataclass, field, replace
from typing import Any

import pytest
import uvicorn

from kerfmark.demo.learners import simulated_piece
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.reports.results import as_json_text
from kerfmark.sittings import access
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.exercises import exercise, import_exercise
from kerfmark.sittings.handing_in import hand_in
from kerfmark.sittings.judging import give_own_view
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.sittings.sites import add_site
from kerfmark.sittings.work import claim, finish
from kerfmark.storage import open_store
from kerfmark.storage.schema import ExerciseVersion
from kerfmark.web.app import create_app
from kerfmark.web.drawn import draw_for_pages
from kerfmark.web.options import WebOptions
from kerfmark.web.security import passwords

PASSWORD = "four plain words here"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]
PEOPLE = {
    "ruth": ("Ruth Adeyemi", "lead"), "tessa": ("Tessa Lindqvist", "teacher"), "elin": ("Elin Haddad", "examiner"),
    "otto": ("Otto Brandt", "examiner"), "ines": ("Ines Okafor", "learner"), "milo": ("Milo Ferreira", "learner"),
}  # fmt: skip


@dataclass
class Served:
    """The running server, its store, and what stands in it."""

    address: str
    store: Any
    ids: dict[str, str] = field(default_factory=dict)

    def id_of(self, text: str) -> str:
        return re.search(r"[0-9a-f]{20}", text)[0]


@pytest.fixture(scope="session")
def measured_block(settings, tmp_path_factory):
    """A simulated block, measured and drawn once for all."""
    path = tmp_path_factory.mktemp("block") / "piece.ply"
    simulated_piece("layered-block", level="novice", seed=3, settings=settings).write(path)
    loaded, prepared = open_exercise("layered-block", settings=settings)
    found = assess_prepared(loaded, prepared, path, settings=settings)
    alignment = found.piece.alignment
    return Assessed(
        found.kerfmark, "scan", float(alignment.rms_um), float(alignment.overlap), found.readings, as_json_text(found).encode(),
        dict(draw_for_pages(found, prepared, loaded)),
    )  # fmt: skip


@pytest.fixture(scope="session")
def served(settings, measured_block, tmp_path_factory):
    """A school with two exams and a practice; two learners have handed in. What waits in the second exam no test decides."""
    store = open_store(tmp_path_factory.mktemp("served"))
    site = add_site(store, PROGRAM, "North Quay")
    kept, ids = passwords.hashed(PASSWORD), {"site": site}
    for login, (name, role) in PEOPLE.items():
        ids[login] = add_person(store, PROGRAM, code=f"{login}-1", name=name, login=login, roles=[(role, site)])
        access.use_link(store, access.invite(store, PROGRAM, ids[login]), password_hash=kept)
    ids["exercise"] = import_exercise(store, PROGRAM, "layered-block", settings=settings, prove=False)
    with store.write() as tx:
        row = tx.get(ExerciseVersion, ids["exercise"])
        row.can_be_marked = row.can_be_cut = True
    teacher = actor_of(store, ids["tessa"])
    for name, kind, examiner in (
        ("practice", "practice", "elin"),
        ("exam", "exam", "elin"),
        ("second exam", "exam", "otto"),
    ):
        ids[name] = open_sitting(
            store,
            teacher,
            title=f"Block {name}",
            site_id=site,
            exercise_id=ids["exercise"],
            kind=kind,
            prompts=["What next time?"],
            simulated=True,
        )
        seat_learners(store, teacher, ids[name], [ids["ines"], ids["milo"]])
        appoint(store, teacher, ids[name], ids[examiner], "examiner")
    criteria = exercise(store, PROGRAM, ids["exercise"]).criteria
    for name, sitting, login in (
        ("seen", "practice", "milo"),
        ("unseen", "practice", "ines"),
        ("exam piece", "exam", "ines"),
        ("waiting", "second exam", "milo"),
    ):
        actor = actor_of(store, ids[login])
        ids[name] = hand_in(
            store, actor, content=name.encode(), file_name="piece.ply", sitting_id=ids[sitting]
        ).piece_id
        assert finish(
            store,
            claim(store, "a test", seconds=60),
            _with_one_close(measured_block, criteria) if "exam" in sitting else measured_block,
        )
    give_own_view(store, actor_of(store, ids["milo"]), ids["seen"], {c.position: ("inside", "sure") for c in criteria})
    config = uvicorn.Config(create_app(store, options=WebOptions(), settings=settings), port=0, log_level="error")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    ready = threading.Event()
    while not server.started and thread.is_alive():
        ready.wait(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield Served(f"http://127.0.0.1:{port}", store, ids)
    server.should_exit = True
    thread.join()
    store.close()


def _with_one_close(assessed: Assessed, criteria: Any) -> Assessed:
    """The same with the first criterion's reading on its limit, so that it is too close to call."""
    first = criteria[0]
    limit = next(x for x in first.limits if math.isfinite(x))
    key = first.reading, first.where, first.stat
    readings = [replace(r, value=limit, u=0.01) if r.key == key else r for r in assessed.readings]
    assert readings != list(assessed.readings)
    return replace(assessed, readings=tuple(readings))


@pytest.fixture(scope="module")
def chromium():
    """Chromium that draws in software; closed with its module, since its event loop stands in the way of all others in this thread."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright comes with the test extra")
    if not BROWSER:
        pytest.skip("no chromium on this machine (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=BROWSER, args=ARGUMENTS)
        yield browser
        browser.close()


class Desk:
    """A browser's page at the school, and whatever it complained of."""

    def __init__(self, page: Any, served: Served) -> None:
        self.page, self.served, self.complaints = page, served, []
        page.on("console", lambda message: self.complaints.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self._own(request.url))

    def _own(self, url: str) -> None:
        if not url.startswith((self.served.address, "data:", "blob:")):
            self.complaints.append(f"fetched from elsewhere: {url}")

    def go(self, address: str) -> None:
        self.page.goto(self.served.address + address, wait_until="load")

    def sign_in(self, login: str) -> None:
        self.go("/sign-in")
        self.page.fill("#login", login)
        self.page.fill("#password", PASSWORD)
        self.page.keyboard.press("Enter")
        self.page.wait_for_url(lambda url: "/sign-in" not in url)


@pytest.fixture
def desk(chromium, served):
    """A function that opens a page, signed in or not; at the end nothing may have been complained of."""
    opened = []

    def opening(login: str | None = None, **options) -> Desk:
        context = chromium.new_context(
            **{"viewport": {"width": 1440, "height": 1000}, "reduced_motion": "reduce", **options}
        )
        at = Desk(context.new_page(), served)
        opened.append((context, at))
        if login:
            at.sign_in(login)
        return at

    yield opening
    for context, at in opened:
        context.close()
        assert at.complaints == []
