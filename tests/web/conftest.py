"""A small school on the embedded database, and browsers of its people, in process. Everything is invented."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import httpx
import pytest

BASE = "http://127.0.0.1"
TOKEN = re.compile(r'name="form_token" value="([0-9a-f]{64})"')


class Browser:
    """A browser without a screen: it keeps cookies, and sends forms with the token of a page it has seen."""

    def __init__(self, app: Any) -> None:
        self._runner = asyncio.Runner()
        self.client = httpx.AsyncClient(transport=httpx.ASGITransport(app, raise_app_exceptions=True), base_url=BASE)

    def get(self, address: str, **options: Any) -> httpx.Response:
        return self._runner.run(self.client.get(address, **options))

    def send(self, method: str, address: str, **options: Any) -> httpx.Response:
        return self._runner.run(self.client.request(method, address, **options))

    def token(self) -> str:
        return TOKEN.search(self.get("/look").text)[1]

    def post(self, address: str, data: dict[str, Any] | None = None, **options: Any) -> httpx.Response:
        return self.send("POST", address, data={**(data or {}), "form_token": self.token()}, **options)

    def close(self) -> None:
        self._runner.run(self.client.aclose())
        self._runner.close()


@pytest.fixture
def open_browser():
    """A function that opens one more browser on an application."""
    opened: list[Browser] = []

    def opening(app: Any) -> Browser:
        opened.append(Browser(app))
        return opened[-1]

    yield opening
    for browser in opened:
        browser.close()
