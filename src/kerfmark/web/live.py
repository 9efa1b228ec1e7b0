"""Telling open pages that something moved: one look at the store a second, for all who watch."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

__all__ = ["Watch"]

EVERY_S = 1.0
STILL_S = 15.0
"""After so long without news a comment is sent, so that proxies keep the line open."""


class Watch:
    """Server-sent events of a number that only grows.

    Parameters
    ----------
    number : callable
        The number of the last thing that happened; asked in a thread.
    every_s : float
    """

    def __init__(self, number: Callable[[], int], *, every_s: float = EVERY_S) -> None:
        self._number, self._every_s = number, every_s
        self._asked_at, self._last = -1.0e9, 0
        self._asking: asyncio.Future[int] | None = None

    async def events(self, *, most: int | None = None) -> AsyncIterator[bytes]:
        """`moved` events as they happen, in the form of the HTML standard, 9.2; `most` ends it after so many looks."""
        seen, still_s, looks = await self._now(), 0.0, 0
        yield b"retry: 3000\n\n"
        while most is None or looks < most:
            await asyncio.sleep(self._every_s)
            number, looks = await self._now(), looks + 1
            still_s += self._every_s
            if number != seen:
                seen, still_s = number, 0.0
                yield f"event: moved\nid: {number}\ndata: {number}\n\n".encode()
            elif still_s >= STILL_S:
                still_s = 0.0
                yield b": still here\n\n"

    async def _now(self) -> int:
        """The number, asked at most once in each interval however many watch."""
        loop = asyncio.get_running_loop()
        if loop.time() - self._asked_at >= 0.9 * self._every_s:
            self._asked_at = loop.time()
            self._last = await asyncio.to_thread(self._number)
        return self._last
