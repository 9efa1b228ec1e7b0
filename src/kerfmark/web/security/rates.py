"""How many tries in how long: a sliding window kept in memory."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable
from threading import Lock
from time import monotonic

__all__ = ["Rate"]

MOST_KEYS = 50_000
"""Names kept at once; beyond it the one unused longest goes, so that strangers cannot fill the memory."""


class Rate:
    """At most `count` events a key in any `window_s` seconds.

    Parameters
    ----------
    count : int
    window_s : float
    clock : callable
        Seconds that never run backwards.
    """

    def __init__(self, count: int, window_s: float, *, clock: Callable[[], float] = monotonic) -> None:
        self._count, self._window_s, self._clock = count, window_s, clock
        self._events: OrderedDict[str, deque[float]] = OrderedDict()
        self._lock = Lock()

    def wait_s(self, key: str) -> float:
        """Seconds until one more is allowed; 0 where it is now."""
        with self._lock:
            events = self._recent(key)
            return max(0.0, events[0] + self._window_s - self._clock()) if len(events) >= self._count else 0.0

    def add(self, key: str) -> None:
        """One more happened."""
        with self._lock:
            self._recent(key).append(self._clock())
            while len(self._events) > MOST_KEYS:
                self._events.popitem(last=False)

    def forget(self, key: str) -> None:
        """Nothing counts any more: it went well."""
        with self._lock:
            self._events.pop(key, None)

    def _recent(self, key: str) -> deque[float]:
        events = self._events.setdefault(key, deque())
        self._events.move_to_end(key)
        while events and events[0] <= self._clock() - self._window_s:
            events.popleft()
        return events
