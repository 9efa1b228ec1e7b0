"""Outlines across what was not scanned."""

import numpy as np

from kerfmark.reports.sections.gaps import joined

FOOT = -2.0


def curve(*points):
    return np.array(points, dtype=float)


def test_two_walls_and_a_floor_between_two_holes_become_one_outline():
    # A cup whose floor was scanned between x = 1 and 2 only: from the foot up, down into the cup, and out to the foot again.
    left = curve([-1, FOOT], [-1, 5], [0, 5], [0, 0])
    floor = curve([1, 0], [2, 0])
    right = curve([3, 0], [3, 5], [4, 5], [4, FOOT])
    outlines, gaps = joined((left, floor, right), foot=FOOT)
    assert len(outlines) == 1
    np.testing.assert_allclose(outlines[0], np.vstack([left, floor, right]))
    assert sorted(tuple(sorted(gap[:, 0])) for gap in gaps) == [(0.0, 1.0), (2.0, 3.0)]


def test_a_curve_met_the_other_way_round_is_turned():
    left, right = curve([-1, FOOT], [-1, 5], [0, 5], [0, 0]), curve([4, FOOT], [4, 5], [3, 5], [1, 0])
    (outline,), (gap,) = joined((left, right), foot=FOOT)
    np.testing.assert_allclose(outline[[0, -1]], [[-1, FOOT], [4, FOOT]])
    np.testing.assert_allclose(sorted(gap[:, 0]), [0, 1])


def test_an_outline_with_one_hole_is_closed_across_it():
    ring = curve([0, 0], [4, 0], [4, 4], [0, 4], [0, 1])
    (outline,), (gap,) = joined((ring,), foot=FOOT)
    np.testing.assert_allclose(outline[0], outline[-1])
    np.testing.assert_allclose(np.linalg.norm(gap[1] - gap[0]), 1.0)


def test_what_has_no_open_end_stays_as_it_is_and_a_wide_hole_is_not_bridged():
    ring = curve([0, 0], [4, 0], [4, 4], [0, 0])
    cut_off = curve([6, FOOT], [6, 3], [8, 3], [8, FOOT])
    apart = (curve([20, 0], [20, 3]), curve([40, 0], [40, 9]))
    outlines, gaps = joined((ring, cut_off, *apart), foot=FOOT)
    assert len(outlines) == 4
    assert [tuple(gap[:, 0]) for gap in gaps] == [
        (20.0, 20.0)
    ]  # 3 mm of itself; the other's 9 mm and the 20 mm between stay
