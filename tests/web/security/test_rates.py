"""A sliding window, with a clock that is told the time."""

from kerfmark.web.security import rates
from kerfmark.web.security.rates import Rate


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


def test_so_many_are_let_through_and_the_next_waits_until_the_first_is_old():
    clock = Clock()
    rate = Rate(3, 60.0, clock=clock)
    for at in (0.0, 10.0, 20.0):
        clock.now = at
        assert rate.wait_s("a") == 0.0
        rate.add("a")
    clock.now = 25.0
    assert rate.wait_s("a") == 35.0
    assert rate.wait_s("b") == 0.0
    clock.now = 60.0
    assert rate.wait_s("a") == 0.0


def test_what_went_well_is_forgotten():
    rate = Rate(1, 60.0)
    rate.add("a")
    rate.forget("a")
    assert rate.wait_s("a") == 0.0


def test_strangers_cannot_fill_the_memory(monkeypatch):
    monkeypatch.setattr(rates, "MOST_KEYS", 10)
    rate = Rate(1, 60.0)
    for name in range(1000):
        rate.add(f"stranger {name}")
    assert len(rate._events) == 10
