"""The rules an exercise file keeps, and how a broken one is told."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise, mesial_sign, tooth_frame
from kerfmark.exercise.remarks import remarks_of

INF, NAN = float("inf"), float("nan")


def changed(table: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The table with one value set, or left out where `value` is `...`; numbers in `path` count from 0."""
    table = copy.deepcopy(table)
    *way, last = [int(part) if part.isdigit() else part for part in path.split("/")]
    inner: Any = table
    for part in way:
        inner = inner.setdefault(part, {}) if isinstance(inner, dict) else inner[part]
    if value is ...:
        del inner[last]
    else:
        inner[last] = value
    return table


def refusal(table: dict[str, Any]) -> str:
    with pytest.raises(InputError) as caught:
        as_exercise(table)
    return str(caught.value)


def test_defaults_are_those_of_the_format(crown_table):
    # Source: the format's own page: weight 1, not critical, a scan of 10 and 15 µm, 60 percent, 0.95, refer.
    exercise = as_exercise(crown_table)
    assert (exercise.criteria[0].weight, exercise.criteria[0].critical) == (1.0, False)
    assert (exercise.source.kind, exercise.source.noise_um, exercise.source.trueness_um) == ("scan", 10.0, 15.0)
    assert (exercise.pass_.minimum_percent, exercise.pass_.met_at, exercise.pass_.too_close) == (60.0, 0.95, "refer")
    assert exercise.permitted.envelope is None


def test_a_whole_number_will_do_for_a_fraction(crown_table):
    exercise = as_exercise(changed(crown_table, "criteria/0/limits", [2, 10]))
    assert exercise.criteria[0].limits == (2.0, 10.0)


def test_the_formats_own_example_of_a_single_number_with_a_median_is_taken(crown_table):
    # The format shows total occlusal convergence, one number a plane, with stat "median": a number's median is itself.
    criterion = {
        "reading": "crown.total_occlusal_convergence_deg",
        "where": "BL",
        "stat": "median",
        "limits": [6.0, 20.0],
    }
    exercise = as_exercise(changed(crown_table, "criteria/0", criterion))
    assert exercise.criteria[0].key == ("crown.total_occlusal_convergence_deg", "BL", None)


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("format", 2, "format is 2, expected 1"),
        ("format", True, "format is true"),
        ("format", 1.0, "format is 1.0"),
        ("id", "Full_Crown", "id is 'Full_Crown'"),
        ("title", ..., "title is missing"),
        ("title", "a\u001b[2Jb", "expected text on one line, without control characters"),
        ("family", "crwn", "family is 'crwn', expected 'crown'"),
        ("tooth", 49, "tooth is 49"),
        ("tooth", 46.0, "tooth is 46.0"),
        ("tooth", ..., "tooth is missing"),
        ("cavity_class", 2, "cavity_class is 2, expected none"),
        ("subject/surface", ..., "[subject] surface is missing"),
        ("subject/surfce", "a.stl", "[subject] surfce is not a known key, expected 'surface'"),
        ("subject/surface", "../a.stl", "[subject] surface is '../a.stl'"),
        ("subject/surface", "/a.stl", "[subject] surface is '/a.stl'"),
        ("subject/surface", "a\\b.stl", "[subject] surface"),
        ("subject/neighbours", {"left": "a.stl"}, "[subject] neighbours.left is 'left', expected 'mesial' or 'distal'"),
        ("subject/layers", {"enamle": "a.stl"}, "'enamel' is the nearest known one"),
        ("frame/facial", [0.0, 1.0, 0.2], "leans 11.3 degrees"),
        ("frame/occlusal", [0.0, 0.0, 0.0], "[frame] occlusal"),
        ("frame/occlusal", [0.0, 0.0, NAN], "[frame] occlusal"),
        ("frame/mesial", "x", "[frame] mesial is 'x', expected '+x' or '-x'"),
        ("frame/origin", ..., "[frame] origin is missing"),
        ("target/clear", "caries", "[target] clear is 'caries'"),
        ("target/outline", [[0, 0, 0], [1, 0, 0]], "[target] outline"),
        ("permitted/instruments", ["chamfer diamnd 0.8 to 1.2"], "'chamfer diamond 0.8 to 1.2'"),
        ("permitted/instruments", ["806 314 001 524"], "[permitted] instruments, entry 1 has 12 digits"),
        ("permitted/time_limit_s", 0, "[permitted] time_limit_s is 0, expected a number above 0"),
        ("instruments", [{"name": "x", "profile_mm": [[0.1, 0.0], [1.0, 0.5]]}], "[[instruments]] 1, profile_mm"),
        ("sites/0/role", "Big Cusp", "[[sites]] 1, role is 'Big Cusp'"),
        ("source/kind", "photo", "[source] kind is 'photo'"),
        ("source/noise_um", -1.0, "[source] noise_um is -1.0, expected a number of at least 0"),
        ("source/noise_um", INF, "[source] noise_um is inf"),
        ("criteria", [], "criteria is []"),
        ("criteria/0/limits", [10.0, 2.0], "[[criteria]] 1, limits is [10.0, 2.0], expected a lower limit below"),
        ("criteria/0/limits", [2.0, 2.0], "[[criteria]] 1, limits"),
        ("criteria/0/limits", [NAN, 2.0], "[[criteria]] 1, limits"),
        ("criteria/0/limits", [False, True], "[[criteria]] 1, limits is [false, true]"),
        ("criteria/0/weight", -1.0, "[[criteria]] 1, weight is -1.0"),
        ("criteria/0/weight", INF, "[[criteria]] 1, weight is inf"),
        ("criteria/0/weight", 10**400, "[[criteria]] 1, weight is a whole number of 1329 bits"),
        ("criteria/0/critical", 1, "[[criteria]] 1, critical is 1, expected true or false"),
        ("criteria/0/reading", "crown.tapr_deg", "'crown.taper_deg'"),
        ("criteria/0/where", "bucal", "'buccal' is the nearest known one"),
        ("criteria/0/where", ..., "[[criteria]] 1, where is missing"),
        ("criteria/0/stat", "p05", "[[criteria]] 1, stat is 'p05', expected none"),
        ("criteria/1/stat", "p50", "[[criteria]] 2, stat is 'p50', expected one of p05, median"),
        ("criteria/1/stat", ..., "[[criteria]] 2, stat is missing"),
        ("criteria/1/where", "tpo", "'top' is the nearest known one"),
        ("criteria/0", {"reading": "process.path_mm", "limits": [0.0, 1.0]}, "with [source] kind 'scan'"),
        ("pass/met_at", 0.5, "[pass] met_at is 0.5, expected a number above 0.5"),
        ("pass/minimum_percent", 101, "[pass] minimum_percent is 101"),
    ],
)
def test_a_broken_rule_is_told_with_its_place(crown_table, path, value, told):
    assert told in refusal(changed(crown_table, path, value))


@pytest.mark.parametrize(
    ("family", "target", "missing"),
    [
        ("access", {"outline": [[0, 0, 0], [1, 0, 0], [0, 1, 0]]}, "orifices"),
        ("implant", {}, "implant"),
        ("cavity", {}, "outline or clear"),
    ],
)
def test_each_family_needs_its_target(crown_table, family, target, missing):
    table = changed(crown_table, "family", family) | {"target": target}
    if family == "cavity":
        table["cavity_class"] = 1
    assert missing in refusal(table)


def test_a_line_needs_a_depth_and_a_width_and_has_no_tooth(crown_table):
    table = changed(crown_table, "family", "line") | {"target": {"line": [[0, 0, 0], [5, 0, 0]]}}
    told = refusal(table)
    assert "tooth is 46, expected none" in told
    assert "[target] depth_mm is missing" in told
    assert "[target] width_mm is missing" in told


def test_the_same_criterion_twice_is_an_error_whatever_its_limits(crown_table):
    second = crown_table["criteria"][0] | {"limits": [0.0, 1.0]}
    assert "repeats [[criteria]] 1" in refusal(crown_table | {"criteria": [*crown_table["criteria"], second]})


def test_a_criterion_s_outcome_is_one_of_the_exercise_s(crown_table):
    table = changed(crown_table, "criteria/0/outcome", "P 2")
    assert "[[criteria]] 1, outcome is 'P 2'" in refusal(table)
    assert as_exercise(table | {"outcomes": ["P 1", "P 2"]}).criteria[0].outcome == "P 2"


def test_the_same_site_twice_is_an_error(crown_table):
    assert "as in [[sites]] 1" in refusal(crown_table | {"sites": 2 * crown_table["sites"]})


def test_weights_must_add_up_to_something(crown_table):
    for criterion in crown_table["criteria"]:
        criterion["weight"] = 0.0
    assert "adds up to 0" in refusal(crown_table)


def test_a_thousand_faults_are_told_in_three_lines(crown_table):
    crown_table["criteria"] = [{"reading": "crown.taper_deg"}] * 1000
    told = refusal(crown_table)
    assert len(told.splitlines()) == 3
    assert "998 more faults" in told


def test_control_characters_are_shown_escaped(crown_table):
    told = refusal(changed(crown_table, "family", "\x1b[31mcrown\n"))
    assert "\x1b" not in told
    assert "\\x1b[31mcrown\\n" in told


@pytest.mark.parametrize(("tooth", "usual"), [(11, "+x"), (26, "-x"), (36, "+x"), (46, "-x"), (55, "+x"), (85, "-x")])
def test_the_usual_mesial_side_goes_by_the_quadrant(crown_table, tooth, usual):
    # Source: x = facial × occlusal; in an unmirrored mouth mesial is +x in quadrants 1 3 5 7 (the format's own rule).
    other = {"+x": "-x", "-x": "+x"}[usual]
    table = crown_table | {"tooth": tooth}
    as_usual = as_exercise(changed(table, "frame/mesial", usual))
    mirrored = as_exercise(changed(table, "frame/mesial", other))
    assert "mesial-side" not in [remark.code for remark in remarks_of(as_usual)]
    assert "mesial-side" in [remark.code for remark in remarks_of(mirrored)]


def test_no_limit_at_all_and_a_back_tooth_of_class_three_are_remarks_only(crown_table):
    table = changed(
        crown_table, "criteria", [{"reading": "cavity.pulpal_depth_mm", "where": "central", "limits": [-INF, INF]}]
    )
    table |= {"family": "cavity", "cavity_class": 3, "target": {"outline": [[0, 0, 0], [1, 0, 0], [0, 1, 0]]}}
    assert {"no-limits", "cavity-class"} <= {remark.code for remark in remarks_of(as_exercise(table))}


def test_the_tooth_frame_is_rigid_and_puts_facial_on_y(crown_table):
    # Source: the definition x = y × z with z kept and y made perpendicular to it, by hand for this tilt.
    table = changed(crown_table, "frame/facial", [0.0, 2.0, 0.2])
    table = changed(table, "frame/origin", [1.0, 2.0, 3.0])
    frame = as_exercise(table).frame
    matrix = tooth_frame(frame)
    np.testing.assert_allclose(matrix @ [1.0, 3.0, 3.0, 1.0], [0.0, 1.0, 0.0, 1.0], atol=1e-12)
    np.testing.assert_allclose(matrix[:3, :3] @ matrix[:3, :3].T, np.eye(3), atol=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0)
    assert mesial_sign(frame) == -1


def test_faults_between_tables_are_counted_too(crown_table):
    crown_table["criteria"] = [{"reading": f"crown.no_{index}_mm", "limits": [0.0, 1.0]} for index in range(1000)]
    told = refusal(crown_table)
    assert len(told.splitlines()) == 3
    assert "998 more faults" in told


def test_a_planned_diameter_that_is_not_offered_and_criteria_of_two_kinds_are_remarks(crown_table):
    implant = {"entry": [0.0, 0.0, 0.0], "apex": [0.0, 0.0, -9.0], "diameter_mm": 4.0}
    rules = [
        {"reading": "implant.canal_clearance_mm", "limits": [2.0, float("inf")]},
        {"reading": "implant.canal_clearance_mm", "where": "bed", "limits": [2.0, float("inf")]},
    ]
    table = crown_table | {"family": "implant", "target": {"implant": implant}, "sites": [], "criteria": rules}

    def codes(*, diameters, criteria):
        permitted = {"implant_diameters_mm": diameters}
        made = as_exercise(table | {"permitted": permitted, "criteria": criteria})
        return {remark.code: remark.message for remark in remarks_of(made)}

    both = codes(diameters=[3.5, 4.1], criteria=rules)
    assert "4, which [permitted] implant_diameters_mm (3.5, 4.1) does not offer" in both["diameter-not-offered"]
    assert "plan-and-bed" in both
    assert not {"diameter-not-offered", "plan-and-bed"} & set(codes(diameters=[4.0], criteria=rules[:1]))
    assert "diameter-not-offered" not in codes(diameters=[], criteria=rules[1:])
