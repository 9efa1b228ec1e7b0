"""A small school on the embedded database, and browsers of its people, in process. Everything is invented."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import httpx2 as httpx
import pytest

from kerfmark.sittings import access
from kerfmark.storage import open_store
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
