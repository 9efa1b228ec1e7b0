"""Codes, trade sizes and own profiles, against published sizes and plain geometry."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

import kerfmark.instruments as package
from kerfmark.errors import InputError
from kerfmark.instruments import head_distance, instrument, instrument_names, read_code


def test_the_worked_code_is_a_ball_of_one_millimetre():
    # Source: ISO 6360-1 (order of the groups) and -2 (shape 001 ball); ISO 2157 (010 is 1.0 mm).
    code = read_code("806 314 001 524 010")
    assert (code.shape, code.diameter_mm, code.shank_diameter_mm) == ("ball", 1.0, 1.60)
    assert code.material == "diamond, electroplated"


@pytest.mark.parametrize(("digits", "diameter_mm"), [("012", 1.2), ("023", 2.3), ("008", 0.8)])
def test_the_last_three_digits_are_tenths_of_a_millimetre(digits, diameter_mm):
    # Source: ISO 2157, nominal size = largest diameter in 1/10 mm.
    assert instrument(f"500314001001{digits}").diameter_mm == pytest.approx(diameter_mm)


def test_blanks_and_points_between_digits_change_nothing():
    plain = instrument("806314001524010")
    for text in ("806 314 001 524 010", "806.314.001.524.010", "806 314 001524010"):
        np.testing.assert_array_equal(instrument(text).profile_mm, plain.profile_mm)


def test_eighteen_digits_are_for_diamonds_only():
    # Source: ISO 6360-1, optional digits 16 to 18.
    assert read_code("806 314 001 524 010 123").diameter_mm == 1.0
    with pytest.raises(InputError, match="has 18 digits, expected 15 digits"):
        read_code("500 314 001 001 010 123")


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("806 314 001 524", "has 12 digits"),
        ("806 314 555 524 010", "has the shape number 555"),
        ("806 314 001 524 000", "has the size 000"),
    ],
)
def test_a_code_that_says_no_shape_is_refused(code, told):
    with pytest.raises(InputError, match=told):
        instrument(code)


def test_an_unknown_name_lists_the_nearest():
    with pytest.raises(InputError, match=r"'chamfer diamond 0\.8 to 1\.2'"):
        instrument("chamfer diamnd 0.8 to 1.2")


def test_an_own_profile_comes_first_and_is_closed_onto_the_axis():
    tool = instrument("round 1.0", own={"round 1.0": [[0.0, 0.2], [3.0, 0.4]]})
    assert tool.diameter_mm == 0.8
    np.testing.assert_array_equal(tool.profile_mm[[0, -1]], [[0.0, 0.0], [3.0, 0.0]])


def test_a_taper_by_code_alone_says_its_assumed_length_and_tip():
    # Source: the format's own rule, 8 mm for tapers.
    tool = instrument("806 314 173 524 016")
    assert tool.length_mm == 8.0
    assert [remark.code for remark in tool.remarks] == ["assumed-length", "assumed-tip"]


def test_a_cylinder_by_code_alone_is_four_diameters_long():
    # Source: the format's own rule, 4 × diameter.
    tool = instrument("500 314 107 006 010")
    assert tool.length_mm == 4.0
    assert [remark.code for remark in tool.remarks] == ["assumed-length"]


@pytest.mark.parametrize(
    ("number", "diameter_mm", "length_mm"),
    [
        ("1/4", 0.5, 0.4),
        ("33 1/2", 0.6, 0.45),
        ("169L", 0.9, 5.6),
        ("272", 1.6, 5.0),
        ("329", 0.7, 0.85),
        ("245", 0.8, 3.0),
    ],
)
def test_trade_sizes_have_their_nominal_heads(number, diameter_mm, length_mm):
    # Source: Sturdevant's table of bur sizes, from memory; 245 is 0.8 by 3 mm in a second text too.
    tool = instrument(number)
    assert tool.diameter_mm == pytest.approx(diameter_mm, abs=1e-9)
    assert tool.length_mm == pytest.approx(length_mm, abs=1e-9)


def test_every_instrument_has_a_sound_profile_and_a_source():
    table = tomllib.loads((Path(package.__file__).parent / "instruments.toml").read_text(encoding="utf-8"))
    assert 40 <= len(table["instruments"]) <= 60
    for entry in table["instruments"]:
        tool = instrument(entry["name"])
        assert entry["source"] in table["sources"]
        assert tool.diameter_mm == pytest.approx(entry["diameter_mm"], abs=1e-9)
        assert (np.diff(tool.profile_mm[:, 0]) >= -1e-12).all()
        assert (tool.profile_mm[[0, -1], 1] == 0.0).all()
    assert len(set(instrument_names())) == len(table["instruments"])


def test_the_distance_to_a_ball_is_that_of_a_sphere():
    # Source: | distance from the centre | − radius; the profile's chords lie at most 0.5 µm inside the arc.
    tool = instrument("806 314 001 524 016")
    along, radius = np.meshgrid(np.linspace(-1.0, 3.0, 41), np.linspace(0.0, 2.0, 21), indexing="ij")
    expected = np.hypot(along - 0.8, radius) - 0.8
    np.testing.assert_allclose(head_distance(tool, along, radius), expected, atol=6e-4)


def test_a_round_ended_taper_touches_its_ball_and_reaches_its_largest_diameter():
    # Source: a cone tangent to a sphere: no point of the profile lies inside the ball, the side's slope is constant.
    tool = instrument("chamfer diamond 1.0 to 1.6")
    profile = tool.profile_mm[:-1]
    assert np.hypot(profile[:, 0] - 0.5, profile[:, 1]).min() == pytest.approx(0.5, abs=1e-9)
    touch, end = profile[-2], profile[-1]
    ray = touch - [0.5, 0.0]
    assert float(ray @ (end - touch)) == pytest.approx(0.0, abs=1e-9)


def test_a_twist_drill_of_two_millimetres_has_a_point_of_0_601_mm():
    # Source: r / tan(118° / 2) = 0.6009 mm.
    assert instrument("twist drill 2.0").profile_mm[1, 0] == pytest.approx(0.601, abs=5e-4)


def test_a_long_pear_narrows_by_its_taper_towards_the_shank():
    # Source: 4° between the sides is 2° each; trigonometry over the straight part.
    start, end = instrument("245").profile_mm[-3:-1]
    assert np.degrees(np.arctan2(start[1] - end[1], end[0] - start[0])) == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize("name", [*instrument_names(), "806 314 277 524 023"])
def test_the_exact_distance_is_that_to_the_drawn_profile(name):
    # Source: nearest of points 1 µm apart along the drawn profile; its chords lie at most 0.5 µm inside the arcs.
    tool = instrument(name)
    rng = np.random.default_rng(4)
    along, radius = rng.uniform(-0.5, tool.length_mm + 0.5, 60), rng.uniform(0.0, tool.diameter_mm / 2 + 0.4, 60)
    steps = np.linalg.norm(np.diff(tool.profile_mm, axis=0), axis=1)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    fine = np.linspace(0.0, length[-1], int(length[-1] / 1e-3))
    a, r = (np.interp(fine, length, column) for column in tool.profile_mm.T)
    nearest = np.min(np.hypot(along[:, None] - a, radius[:, None] - r), axis=1)
    found = head_distance(tool, along, radius)
    np.testing.assert_allclose(np.abs(found), nearest, atol=1.2e-3)
    inside = (along > 0) & (along < tool.length_mm) & (radius < np.interp(along, *tool.profile_mm.T))
    sure = nearest > 2e-3
    np.testing.assert_array_equal(found[sure] < 0, inside[sure])


def test_a_waisted_own_profile_has_an_exact_distance_too():
    # Source: trigonometry; beside the waist of a head 2 mm wide at both ends and 1 mm at its middle the sides lean 45°.
    tool = instrument("waisted", own={"waisted": [[0.0, 1.0], [0.5, 0.5], [1.0, 1.0]]})
    assert float(head_distance(tool, [0.5], [0.9])[0]) == pytest.approx(0.4 / np.sqrt(2.0), abs=1e-12)
    assert float(head_distance(tool, [0.5], [0.2])[0]) == pytest.approx(-0.3, abs=1e-12)
