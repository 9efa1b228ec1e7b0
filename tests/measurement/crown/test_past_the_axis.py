"""Walls that lean in over the line the sections turn about: on thin and leaning stumps, and on ones cut to a point."""

import math

import crown_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.measurement.crown import CROWN
from kerfmark.measurement.crown.sections import Section, drawn_on, even_section

LEAN = math.tan(math.radians(14.0))
LEANING = phantoms.Design(half_deg=14.0, foot_radius_mm=2.0, height_mm=5.0, tooth_radius_mm=3.0, shear=(LEAN, 0.0))
POINTED = phantoms.Design(half_deg=21.0, foot_radius_mm=2.0, height_mm=5.0, tooth_radius_mm=3.0)
GROUND_DOWN = phantoms.Design(half_deg=6.0, height_mm=1.0)


def take(piece, prepared, *names):
    wanted = [m for m in CROWN if m.id.removeprefix("crown.") in names]
    made = {m.context: m.context(piece, prepared) for m in wanted}
    return {(r.where, r.stat): r for m in wanted for r in m.function(made[m.context])}


@pytest.mark.parametrize(("mesial_sign", "noise_um"), [(1, 0.0), (-1, 10.0)])
def test_a_wall_that_leans_in_over_the_middle_is_read_to_its_end(scan, mesial_sign, noise_um):
    # Source: the construction. A cone of 14° half angle leans so that its mesial wall stands upright; the distal one leans by
    # atan(2 tan 14°) = 26.50° and ends 0.49 mm beyond the middle of the margin. Both ends lie 5 mm above the margin.
    piece, prepared, _ = scan(LEANING, mesial_sign=mesial_sign, noise_um=noise_um)
    tapers = take(piece, prepared, "taper_deg")
    assert tapers["distal", None].value == pytest.approx(26.503, abs=0.15)
    assert tapers["mesial", None].value == pytest.approx(0.0, abs=0.15)
    convergence = take(piece, prepared, "total_occlusal_convergence_deg")["MD", None]
    assert convergence.value == pytest.approx(26.503, abs=max(0.15, 3.0 * convergence.u))
    heights = take(piece, prepared, "height_mm")
    assert [heights[w, None].value for w in ("mesial", "distal")] == pytest.approx([5.0, 5.0], abs=0.04)


def test_a_stump_cut_to_a_point_still_has_a_convergence(scan):
    # Source: the construction, twice 21°; a top 0.16 mm across is left.
    piece, prepared, _ = scan(POINTED, noise_um=10.0)
    found = take(piece, prepared, "total_occlusal_convergence_deg")
    assert [r.value for r in found.values()] == pytest.approx([42.0] * 4, abs=0.3)


def test_what_is_too_low_for_a_wall_is_said_by_its_place(scan):
    piece, prepared, _ = scan(GROUND_DOWN)
    found = take(piece, prepared, "taper_deg")["distal", None]
    assert found.status == "not_measurable"
    assert found.reason == "distal wall: no wall 1.3 mm high above the margin"


def test_a_section_drawn_on_keeps_the_gaps_and_crossings_of_both_halves():
    near = even_section((np.array([[2.0, 0.0], [0.0, 4.0]]),), 270.0)
    far = even_section((np.array([[2.0, 0.0], [1.0, 2.0]]), np.array([[1.0, 2.5], [0.0, 4.0]])), 90.0)
    whole = drawn_on(near, far, 10)
    assert whole.beyond == len(near.points)
    assert whole.own == pytest.approx(near.points)
    assert whole.points[-1] == pytest.approx(far.points[10] * [-1.0, 1.0])
    (seam,) = whole.seams
    assert whole.points[seam] == pytest.approx(far.points[far.seams[0] - 1] * [-1.0, 1.0])
    assert (np.diff(whole.crossed) > -1e-9).all()
    assert whole.crossed[-1] == pytest.approx(near.crossed[-1] + far.crossed[-1] - far.crossed[10])


def test_triangles_that_noise_folds_over_are_no_part_of_an_outline():
    wall = np.array([[2.0, 0.0], [0.0, 4.0]])
    turn = np.linspace(0.0, 2.0 * np.pi, 9)
    fold = np.column_stack([1.2 + 0.1 * np.cos(turn), 1.6 + 0.1 * np.sin(turn)])
    fold[-1] = fold[0]
    with_fold, alone = even_section((wall, fold), 0.0), even_section((wall,), 0.0)
    assert isinstance(with_fold, Section)
    assert with_fold.points == pytest.approx(alone.points)
    assert with_fold.seams == ()
