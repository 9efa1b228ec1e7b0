from math import inf

import pytest

from kerfmark.reports.wording import (
    answer,
    decimals_for,
    family_of,
    limits_of,
    limits_text,
    name_of,
    number,
    ruling_counts,
    significant,
)


def test_u_never_reads_as_nothing():
    # Source: rule of the page, a value is never without its ±: 2 u = 0.008 mm at two decimals would read 0.01, 0.002 as 0.00.
    for u in (0.4, 0.03, 0.004, 0.001):
        assert float(number(2 * u, decimals_for("mm", (0.8, 1.2), u))) > 0.0


def test_small_limits_get_one_more_decimal():
    assert decimals_for("mm", (-inf, 0.05), 0.01) == 3
    assert decimals_for("mm", (0.8, 1.2), 0.03) == 2
    assert decimals_for("deg", (-inf, 5.0), 0.3) == 1


@pytest.mark.parametrize(
    ("limits", "decimals", "shown"),
    [((6.0, 16.0), 1, "6.0 – 16.0"), ((-inf, 0.03), 3, "≤ 0.030"), ((3.5, inf), 2, "≥ 3.50"), ((-inf, inf), 1, "none"), ((-0.25, 0.255), 2, "−0.250 – 0.255")],
)  # fmt: skip
def test_limits_are_printed_as_they_were_set(limits, decimals, shown):
    assert limits_text(limits, decimals) == shown


def test_numbers_use_a_true_minus_and_no_minus_nought():
    assert number(-1.27, 2) == "−1.27"
    assert number(-0.0001, 2) == "0.00"
    assert number(0.0, 2, sign=True) == "0.00"


def test_every_measured_reading_has_a_plain_name():
    from kerfmark.measurement import MEASURES

    for measure in MEASURES:
        name = name_of(
            measure.id, measure.wheres[0] if measure.wheres else None, measure.stats[0] if measure.stats else None
        )
        assert name[0].isupper() or name[0].isdigit()
        assert "_" not in name


def test_rulings_are_counted_in_a_fixed_order():
    assert ruling_counts(["not met", "met", "too close to call", "met"]) == "2 met, 1 not met, 1 too close"


def test_budgets_show_two_significant_digits():
    assert [significant(x) for x in (0.0123, 0.00567, 12.6, 0.0)] == ["0.012", "0.0057", "13", "0"]


def test_a_reading_that_answers_yes_or_no_is_said_in_words():
    assert [answer("access.perforation", value) for value in (0.0, 1.0)] == ["none", "perforated"]
    assert limits_of("implant.drill_order", (0.5, inf), 2) == "in order"
    assert limits_of("implant.breach", (-inf, 0.5), 2) == "none"
    assert answer("access.wall_left_mm", 1.0) is None


def test_places_are_said_as_a_teacher_says_them():
    assert name_of("implant.canal_clearance_mm", "bed", None) == "To the canal"
    assert name_of("implant.root_clearance_mm", "bed/mesial", None) == "To the root, mesial"
    assert name_of("crown.finish_line_width_mm", "11/buccal", None, alone=True) == "Finish line width, 11 buccal"
    assert name_of("access.straight_line_deg", "2", None) == "Straight line, orifice 2"


def test_a_learner_s_plan_does_not_stand_under_a_bed():
    for reading in ("implant.entry_deviation_mm", "implant.angle_deg", "implant.prosthetic_axis_deg"):
        assert family_of(reading) == "Against the plan"
