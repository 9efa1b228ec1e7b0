"""How a recorded tool went along the line, on motions whose answers are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kerfmark.records import Motion

LENGTH_MM, WIDTH_MM = 12.0, 1.0
IDS = ("line.lifts", "line.passes", "line.time_s", "line.steering_bits_per_s")


def going(*places, rate_hz=100.0, speed_mm_s=4.0) -> Motion:
    """A tip through places (along the line, height), the line lying along x with its middle at 0."""
    tips = [np.array([[places[0][0] - 0.5 * LENGTH_MM, 0.0, places[0][1]]])]
    for along, height in places[1:]:
        start, end = tips[-1][-1], np.array([along - 0.5 * LENGTH_MM, 0.0, height])
        count = max(1, round(np.linalg.norm(end - start) / speed_mm_s * rate_hz))
        tips.append(start + np.arange(1, count + 1)[:, None] / count * (end - start))
    tips = np.concatenate(tips)
    joined = np.arange(len(tips)) > 0
    upright = np.tile([1.0, 0.0, 0.0, 0.0], (len(tips), 1))
    return Motion(
        np.arange(len(tips)) / rate_hz,
        tips,
        upright,
        joined,
        np.ones(len(tips), bool),
        np.zeros(len(tips), np.int32),
        ("round 1.0",),
    )


@pytest.fixture(scope="module")
def read(grooves, scan, take):
    name = next(iter(grooves))
    piece = scan(grooves[name])

    def readings(motion):
        wanted = frozenset((name, None, None) for name in IDS)
        return {
            key[0]: r for key, r in take(grooves[name].prepared, replace(piece, motion=motion), wanted=wanted).items()
        }

    return readings


def test_once_along_the_line(read):
    found = read(going((0.0, 2.0), (0.0, -0.8), (12.0, -0.8), (12.0, 2.0)))
    assert found["line.lifts"].value == 0
    assert found["line.passes"].value == 1
    # 0.8 mm down, 12 mm along and 0.8 mm up below the old surface, at 4 mm/s.
    assert found["line.time_s"].value == pytest.approx(13.6 / 4.0, abs=0.03)
    # Source: steering law, index of difficulty A/W (Accot & Zhai 1997).
    assert found["line.steering_bits_per_s"].value == pytest.approx(12.0 / WIDTH_MM / 3.4, rel=0.02)


def test_there_and_back_with_two_lifts(read):
    found = read(
        going(
            (0.0, 2.0),
            (0.0, -0.8),
            (4.0, -0.8),
            (4.0, 0.5),
            (4.0, -0.8),
            (9.0, -0.8),
            (9.0, 0.2),
            (9.0, -0.8),
            (12.0, -0.8),
            (0.0, -0.8),
            (0.0, 2.0),
        )
    )
    assert found["line.lifts"].value == 2
    assert found["line.passes"].value == 2


def test_small_turns_back_are_no_passes_and_lifts_beyond_the_ends_are_none(read):
    found = read(going((0.0, -0.8), (6.0, -0.8), (5.2, -0.8), (12.5, -0.8), (12.5, 1.0), (12.5, -0.5), (12.5, 1.0)))
    assert found["line.passes"].value == 1
    assert found["line.lifts"].value == 0


def test_a_tool_that_never_touched_says_so(read):
    assert {r.reason for r in read(going((0.0, 1.0), (12.0, 1.0))).values()} == {"the tool never touched the line"}
