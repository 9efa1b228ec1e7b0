from math import inf

from kerfmark.reports.sides import (
    CUT_TOO_FAR,
    MATERIAL_LEFT,
    NO_SIDE,
    SIDE_OF_LARGE,
    effective_limits,
    guarded,
    side_of_large,
)


def test_every_reading_the_project_measures_has_its_side_settled():
    # Source: the measuring code's own list.
    from kerfmark.measurement import MEASURES

    assert {measure.id for measure in MEASURES} - set(SIDE_OF_LARGE) == set()


def test_no_reading_stands_on_two_sides():
    assert len(SIDE_OF_LARGE) == len(CUT_TOO_FAR) + len(MATERIAL_LEFT) + len(NO_SIDE)


def test_large_means_what_the_trade_says():
    # Source: meaning of the words: a deeper reduction is more cut; a taller stump, a thicker ridge is more left.
    assert side_of_large("crown.occlusal_reduction_mm") == "over"
    assert side_of_large("crown.height_mm") == "left"
    assert side_of_large("cavity.marginal_ridge_mm") == "left"
    assert side_of_large("surface.deviation_mm", "p95") == "left"
    assert side_of_large("surface.deviation_mm", "rms") is None
    assert side_of_large("crown.limiting_convergence_deg", "excess") == "over"
    assert side_of_large("process.duration_s") is None


def test_what_an_implant_keeps_clear_of_has_no_side():
    # Source: meaning of the words. Farther from the canal is no material left, and a plan cuts nothing.
    assert guarded((2.0, inf), side_of_large("implant.canal_clearance_mm")) == (False, False)
    assert guarded((0.5, 1.5), side_of_large("implant.depth_deviation_mm")) == (True, True)
    assert guarded((-inf, 0.3), side_of_large("access.roof_left_mm2")) == (True, False)


def test_a_limit_nothing_can_pass_is_not_drawn():
    assert effective_limits("crown.undercut_depth_mm", (0.0, 0.05)) == (-inf, 0.05)
    assert effective_limits("crown.margin_continuity", (0.95, 1.0)) == (0.95, inf)
    assert effective_limits("crown.margin_to_gingiva_mm", (0.0, 0.8)) == (0.0, 0.8)
    assert effective_limits("surface.deviation_mm", (0.0, 0.1), "rms") == (-inf, 0.1)
