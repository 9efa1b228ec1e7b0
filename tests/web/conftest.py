"""A small school on the embedded database, and browsers of its people, in process. Everything is invented."""

from __future__ import annotations

import asyncio
import json
import re
import shutil
from collections.abc import Iterator
from typing import Any

import httpx2 as httpx
import pytest
from tests.school import School

from kerfmark.sittings import access
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.sites import add_site
from kerfmark.storage import open_store
from kerfmark.storage.schema import ExerciseVersion
from kerfmark.web.app import create_app
from kerfmark.web.options import WebOptions
from kerfmark.web.security import passwords

BASE = "http://127.0.0.1"
TOKEN = re.compile(r'name="form_token" value="([0-9a-f]{64})"')
PASSWORD = "four plain words here"


class Browser:
    """A browser without a screen: it keeps cookies, and sends forms with the token of a page it has seen."""

    def __init__(self, app: Any, base: str = BASE) -> None:
        self._runner = asyncio.Runner()
        self.client = httpx.AsyncClient(transport=httpx.ASGITransport(app, raise_app_exceptions=True), base_url=base)

    def get(self, address: str, **options: Any) -> httpx.Response:
        return self.send("GET", address, **options)

    def send(self, method: str, address: str, **options: Any) -> httpx.Response:
        return self._runner.run(self.client.request(method, address, **options))

    def token(self) -> str:
        return TOKEN.search(self.get("/look").text)[1]

    def post(self, address: str, data: dict[str, Any] | None = None, **options: Any) -> httpx.Response:
        return self.send("POST", address, data={**(data or {}), "form_token": self.token()}, **options)

    def sign_in(self, login: str, password: str = PASSWORD) -> httpx.Response:
        return self.post("/sign-in", {"login": login, "password": password})

    def close(self) -> None:
        self._runner.run(self.client.aclose())
        self._runner.close()


@pytest.fixture(scope="session", autouse=True)
def quick_hashes():
    """Argon2 as cheap as it goes: how costly it is has a test of its own."""
    from pwdlib import PasswordHash
    from pwdlib.hashers.argon2 import Argon2Hasher

    cheap = PasswordHash((Argon2Hasher(time_cost=1, memory_cost=8, parallelism=1),))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", lambda: cheap)
        passwords._nobodys.cache_clear()
        yield
    passwords._nobodys.cache_clear()


@pytest.fixture
def store(tmp_path):
    """An empty store."""
    opened = open_store(tmp_path / "store")
    yield opened
    opened.close()


@pytest.fixture
def app(store, settings):
    """The application over it."""
    return create_app(store, options=WebOptions(), settings=settings)


@pytest.fixture
def lead(store) -> str:
    """The first lead's id: `ruth`."""
    return access.finish_setup(
        store,
        access.begin_setup(store),
        name="Ruth Adeyemi",
        login="ruth",
        password_hash=passwords.hashed(PASSWORD),
        site="North Quay",
    )


@pytest.fixture
def open_browser(app):
    """A function that opens one more browser."""
    opened: list[Browser] = []

    def opening(login: str | None = None, *, of: Any = None, base: str = BASE) -> Browser:
        browser = Browser(of or app, base)
        opened.append(browser)
        if login is not None:
            assert browser.sign_in(login).status_code == 303
        return browser

    yield opening
    for browser in opened:
        browser.close()


DRAWN = {
    "scene": b"glTF of everything",
    "plain-scene": b"glTF of bare surfaces",
    "sheet": json.dumps(
        {"still": '<svg id="whole-still"></svg>', "sections": [["YZ", "<svg></svg>"]], "developed": "", "history": "", "process": [], "events": [],
         "remarks": [{"code": "mesh-mended", "where": "piece.stl", "message": "3 pinholes closed"}], "made_from": [["kerfmark", "0"]],
         "aligned": [], "budgets": {}}
    ).encode(),
    "plain-sheet": json.dumps({"still": '<svg id="bare-still"></svg>', "sections": [["YZ", "<svg></svg>"]]}).encode(),
}  # fmt: skip
"""What a worker draws of a piece, made up."""
PEOPLE = {
    "teacher": "teacher", "lead": "lead", "technician": "technician", "auditor": "auditor", "e1": "examiner", "e2": "examiner",
    "l1": "learner", "l2": "learner", "l3": "learner",
}  # fmt: skip


@pytest.fixture(scope="session")
def built_school(tmp_path_factory, settings):
    """The school as it is on the first day, once a run: each test works on a copy."""
    folder = tmp_path_factory.mktemp("school")
    store = open_store(folder)
    site, other = add_site(store, PROGRAM, "North Quay"), add_site(store, PROGRAM, "Hillside")
    kept, ids = passwords.hashed(PASSWORD), {}
    local = {**PEOPLE, "other-lead": "lead", "other-teacher": "teacher", "other-e": "examiner", "other-l": "learner"}
    for login, role in local.items():
        where = other if login.startswith("other") else site
        ids[login] = add_person(
            store, PROGRAM, code=f"{login}-code", name=f"Name of {login}", login=login, roles=[(role, where)]
        )
        access.use_link(store, access.invite(store, PROGRAM, ids[login]), password_hash=kept)
    exercise = import_exercise(store, PROGRAM, "layered-block", settings=settings, prove=False)
    with store.write() as tx:  # proving takes seconds and is tested by itself
        row = tx.get(ExerciseVersion, exercise)
        row.can_be_marked = row.can_be_cut = True
    store.close()
    return folder, site, other, exercise, ids


@pytest.fixture
def school(built_school, tmp_path) -> Iterator[School]:
    """A copy of the school; `store` is its store."""
    folder, site, other, exercise, ids = built_school
    shutil.copytree(folder, tmp_path / "school")
    store = open_store(tmp_path / "school")
    yield School(store, site, other, exercise, dict(ids), seated=("l1", "l2"), appointed=("e1", "e2"), drawings=DRAWN)
    store.close()


@pytest.fixture
def school_app(school, settings):
    """The application over the school."""
    return create_app(school.store, options=WebOptions(), settings=settings)


@pytest.fixture
def visit(school_app, open_browser):
    """A function that opens a browser of the school, signed in."""
    return lambda login=None: open_browser(login, of=school_app)
