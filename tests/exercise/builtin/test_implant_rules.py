"""What the weights of the implant exercises mean: which single fault fails a bed or a plan, and which does not."""

from __future__ import annotations

from math import isinf

import pytest

from kerfmark.exercise.builtin.criteria import PASS_PERCENT
from kerfmark.exercise.builtin.implants import bed_rules, plan_rules
from kerfmark.exercise.definition import Criterion, Pass
from kerfmark.exercise.handed import handed_in_for
from kerfmark.marking import mark, rule
from kerfmark.records import Reading

PASS = Pass(minimum_percent=PASS_PERCENT, met_at=0.95, too_close="refer")


def outcome(rules, *, wrong, left_out=()):
    """The mark of a piece that keeps every limit by far but those of `wrong` (reading, where)."""
    criteria = [Criterion.model_validate(r.as_toml() | {"stat": None}) for r in rules]
    readings = []
    for c in criteria:
        (low, high), key = c.limits, (c.reading.partition(".")[2], c.where)
        inside = high - 0.1 if isinf(low) else low + 0.1
        outside = high + 5.0 if not isinf(high) else low - 5.0
        status = "not_applicable" if key[0] in left_out else "measured"
        value = None if status != "measured" else outside if key in wrong else inside
        readings.append(Reading(c.reading, c.where, None, value, "mm", None if value is None else 0.0, status))
    return mark(rule(readings, criteria, PASS), PASS).outcome


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (("drill_order", None), "fail"),
        (("canal_clearance_mm", "bed"), "fail"),
        (("breach", "plate"), "fail"),
        (("apex_deviation_mm", None), "fail"),
        (("angle_deg", None), "fail"),
        (("entry_deviation_mm", None), "pass"),
        (("depth_deviation_mm", None), "pass"),
        (("oversize_mm", None), "pass"),
        (("root_clearance_mm", "bed/mesial"), "pass"),
    ],
)
def test_one_fault_of_a_bed(fault, expected):
    # Of a scan nothing is known of the drills; a motion in one go with the last drill fails whatever else is right.
    left_out = () if fault[0] == "drill_order" else ("drill_order",)
    assert outcome(bed_rules(), wrong={fault}, left_out=left_out) == expected


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        (("entry_deviation_mm", None), "fail"),
        (("prosthetic_axis_deg", None), "fail"),
        (("canal_clearance_mm", None), "fail"),
        (("depth_deviation_mm", None), "pass"),
        (("plate_thickness_mm", "buccal"), "pass"),
    ],
)
def test_one_fault_of_a_plan(fault, expected):
    assert outcome(plan_rules(), wrong={fault}) == expected


def test_a_plans_tilt_is_asked_for_once_and_each_exercise_takes_one_kind():
    # The teacher's axis is the crown's: two criteria on it would count one fault twice.
    asked = [r.reading for r in plan_rules()]
    assert [name for name in asked if name.endswith("_deg")] == ["implant.prosthetic_axis_deg"]
    assert handed_in_for((r.reading, r.where) for r in plan_rules()) == "plan"
    assert handed_in_for((r.reading, r.where) for r in bed_rules()) == "bed"
