"""Shank contact is told and cuts nothing."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.instruments import instrument, shank_profile
from kerfmark.replay import removal, replay

from .conftest import motion_of


def test_a_deep_plunge_of_a_thin_bur_lets_the_shank_stand_in_the_material(slab):
    # Source: geometry. A ball of 0.5 mm, cut off 0.4 mm from its tip, goes 1.9 mm deep; behind it the neck widens beyond the bore.
    tool = instrument("1/4")
    depths = np.r_[np.linspace(2.2, 0.1, 400), np.full(100, 0.1)]
    motion = motion_of(np.column_stack([np.full(500, 2.0), np.full(500, 1.5), depths]))
    field = replay(motion, slab, instruments=[tool], spacing_mm=0.05)
    profile = shank_profile(tool)
    heights = np.linspace(profile[0, 0], 1.9, 200)
    assert np.interp(heights, *profile.T).max() > 0.25 + 0.05
    (contact,) = field.contacts
    assert contact.end_s == pytest.approx(0.496, abs=0.01)
    assert 0.3 < contact.start_s < 0.4
    assert 0.05 < contact.depth_mm < 0.6
    assert np.hypot(contact.point_mm[0] - 2.0, contact.point_mm[1] - 1.5) > 0.2
    # Only the head cuts: a bore of 0.5 mm with a round end (a cap of height 0.25 in place of a cylinder).
    bore = np.pi * 0.0625 * (1.9 - 0.25) + 2 / 3 * np.pi * 0.25**3
    assert removal(field, slab, layers={}).removed_mm3["all"] == pytest.approx(bore, rel=0.01)


def test_a_shank_in_what_its_head_has_cut_touches_nothing(slab):
    # Source: a head of 1.4 mm leaves a bore wider than its neck.
    tip = np.column_stack([np.full(400, 2.0), np.full(400, 1.5), np.linspace(6.0, 0.4, 400)])
    assert replay(motion_of(tip), slab, instruments=[instrument("59")], spacing_mm=0.1).contacts == ()


def test_material_cut_later_was_there_when_the_shank_passed(slab):
    # Source: the order of the record: the shank leans into a wall first, and only then is that wall cut away.
    thin, wide = instrument("1/4"), instrument("59")
    plunge = np.column_stack([np.full(300, 2.0), np.full(300, 1.5), np.linspace(2.2, 0.2, 300)])
    clear = np.column_stack([np.full(300, 2.0), np.full(300, 1.5), np.linspace(4.0, 0.1, 300)])
    motion = motion_of(
        np.vstack([plunge, clear]), held=np.repeat([0, 1], 300), names=("a", "b"), joined=np.arange(600) != 300
    )
    later = replay(motion, slab, instruments=[thin, wide], spacing_mm=0.05)
    alone = replay(motion_of(plunge), slab, instruments=[thin], spacing_mm=0.05)
    assert len(later.contacts) == len(alone.contacts) == 1
    assert later.contacts[0].start_s == pytest.approx(alone.contacts[0].start_s, abs=0.02)
    assert later.contacts[0].end_s == alone.contacts[0].end_s
