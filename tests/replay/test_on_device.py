"""The sweep on a CUDA device beside the processor's; skipped where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid
from kerfmark.instruments import instrument
from kerfmark.records import Motion
from kerfmark.replay import replay

TOOLS = ("806 314 001 524 010", "chamfer diamond 0.8 to 1.2", "straight fissure 1.4")


def a_motion():
    """Strokes with a leaning axis, an interruption, and a change of instrument."""
    rng = np.random.default_rng(11)
    n = 1500
    t = np.arange(n) / 500.0
    tip = np.stack([2.0 * np.sin(3.0 * t), t - 1.5, -0.4 + 0.2 * np.cos(2.0 * t)], axis=1)
    turn = np.stack([np.ones(n), 0.1 * np.sin(t), 0.1 * np.cos(2.0 * t), np.zeros(n)], axis=1)
    joined, cutting = np.ones(n, bool), rng.random(n) > 0.01
    joined[[0, 400]] = False
    held = (np.arange(n) // 500).astype(np.int32)
    return Motion(t, tip, turn / np.linalg.norm(turn, axis=1, keepdims=True), joined, cutting, held, TOOLS)


def test_without_a_device_the_reason_is_given_in_words():
    try:
        import cupy

        if cupy.cuda.runtime.getDeviceCount():
            pytest.skip("there is a CUDA device here")
    except Exception:
        pass
    subject = distance_grid(Solid.box([-3, -3, -2], [3, 3, 0]).surface(), spacing_mm=0.2, band_mm=0.6)
    with pytest.raises(InputError, match=r"expected one and the library cupy.*leave the option out"):
        replay(a_motion(), subject, instruments=[instrument(t) for t in TOOLS], spacing_mm=0.1, device="cuda")


def test_the_device_finds_what_the_processor_finds():
    pytest.importorskip("cupy")
    subject = distance_grid(Solid.box([-3, -3, -2], [3, 3, 0]).surface(), spacing_mm=0.2, band_mm=0.6)
    motion, tools = a_motion(), [instrument(t) for t in TOOLS]
    ours, theirs = (replay(motion, subject, instruments=tools, spacing_mm=0.05, device=d) for d in ("cpu", "cuda"))
    assert ours.poses == theirs.poses
    np.testing.assert_array_equal(ours.blocks, theirs.blocks)
    # Single precision at 5 mm from the origin: a few times 2⁻²² mm.
    assert np.abs(ours.distance_mm - theirs.distance_mm).max() < 3e-6
    assert np.mean((ours.distance_mm <= 0.0) != (theirs.distance_mm <= 0.0)) < 1e-5
    finite = np.isfinite(ours.time_s) & np.isfinite(theirs.time_s)
    assert np.quantile(np.abs(ours.time_s - theirs.time_s)[finite], 0.999) < 1e-5
