"""A replay broken off goes on where it stood, and comes to the same bits."""

from __future__ import annotations

from dataclasses import replace as with_changes

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.instruments import instrument
from kerfmark.replay import Keeper, replay

from .conftest import motion_of, wandering

TOOLS = [instrument("chamfer diamond 0.8 to 1.2")]


class BrokenOffError(Exception):
    """Somebody pulled the plug."""


def a_motion(n=400):
    tip, orientation = wandering(n)
    return motion_of(tip, orientation, joined=np.arange(n) % 90 != 0, cutting=np.arange(n) % 70 < 60)


def broken_off(motion, slab, path, *, after):
    """Replay, keeping after every chunk of 32, until a share is done."""

    def stop(share):
        if share >= after:
            raise BrokenOffError

    with pytest.raises(BrokenOffError):
        replay(motion, slab, instruments=TOOLS, chunk=32, keeper=Keeper(path, every_s=0.0), progress=stop)


def same(one, other):
    assert one.poses == other.poses
    for name in ("blocks", "distance_mm", "time_s"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


@pytest.mark.parametrize("after", [0.05, 0.5, 0.95])
def test_a_replay_broken_off_goes_on_to_the_same_bits(slab, tmp_path, after):
    # Source: the same replay in one go.
    motion, path = a_motion(), tmp_path / "kept.npz"
    broken_off(motion, slab, path, after=after)
    shares = []
    resumed = replay(motion, slab, instruments=TOOLS, chunk=32, keeper=Keeper(path), progress=shares.append)
    assert min(shares) > after
    same(replay(motion, slab, instruments=TOOLS), resumed)


def test_a_finished_replay_is_read_back_without_sweeping(slab, tmp_path):
    motion, path = a_motion(), tmp_path / "kept.npz"
    once = replay(motion, slab, instruments=TOOLS, keeper=Keeper(path))
    shares = []
    same(once, replay(motion, slab, instruments=TOOLS, keeper=Keeper(path), progress=shares.append))
    assert shares == []


def test_a_record_that_has_grown_goes_on_from_its_earlier_end(slab, tmp_path):
    # Source: the longer record replayed in one go.
    whole, path = a_motion(), tmp_path / "kept.npz"
    fields = ("time_s", "tip_mm", "orientation", "joined", "cutting", "instrument")
    early = with_changes(whole, **{name: getattr(whole, name)[:250] for name in fields})
    replay(early, slab, instruments=TOOLS, keeper=Keeper(path))
    same(replay(whole, slab, instruments=TOOLS), replay(whole, slab, instruments=TOOLS, keeper=Keeper(path)))


def test_it_is_kept_only_as_often_as_asked(slab, tmp_path):
    seconds = iter(np.arange(0.0, 1000.0, 4.0))
    keeper = Keeper(tmp_path / "kept.npz", every_s=20.0, clock=lambda: float(next(seconds)))
    broken = []
    keep = Keeper.keep

    def count(self, *args, **named):
        before = self._last_s
        keep(self, *args, **named)
        broken.append(self._last_s != before)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Keeper, "keep", count)
        replay(a_motion(), slab, instruments=TOOLS, chunk=16, keeper=keeper)
    assert 0.0 < np.mean(broken) < 0.3


@pytest.mark.parametrize("other", ["motion", "spacing", "tool"])
def test_what_was_kept_of_another_replay_is_refused(slab, tmp_path, other):
    motion, path = a_motion(), tmp_path / "kept.npz"
    broken_off(motion, slab, path, after=0.5)
    moved = with_changes(motion, tip_mm=motion.tip_mm + 1e-9)
    tools = [instrument("245")] if other == "tool" else TOOLS
    spacing = 0.1 if other == "spacing" else 0.05
    with pytest.raises(InputError, match="kept of another record"):
        replay(moved if other == "motion" else motion, slab, instruments=tools, spacing_mm=spacing, keeper=Keeper(path))


@pytest.mark.parametrize("spoil", [lambda b: b"", lambda b: b[:-5000], lambda b: b"no archive", lambda b: b[:300]])
def test_a_damaged_file_is_refused_and_stays(slab, tmp_path, spoil):
    motion, path = a_motion(), tmp_path / "kept.npz"
    broken_off(motion, slab, path, after=0.5)
    path.write_bytes(damaged := spoil(path.read_bytes()))
    with pytest.raises(InputError, match="remove it and begin anew"):
        replay(motion, slab, instruments=TOOLS, keeper=Keeper(path))
    assert path.read_bytes() == damaged
    assert list(tmp_path.iterdir()) == [path]


def test_a_place_that_cannot_be_written_is_said(slab, tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        replay(a_motion(), slab, instruments=TOOLS, keeper=Keeper(tmp_path / "none" / "kept.npz"))
