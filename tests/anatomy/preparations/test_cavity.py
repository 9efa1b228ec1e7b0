"""Cavities cut from numbers: what is cut is what was asked for."""

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.preparations.cavity import Box, CavityPlan, cut_cavity
from kerfmark.anatomy.preparations.outlines import Fissure, Rounded, outline_curve
from kerfmark.errors import InputError
from kerfmark.geometry.mesh import is_closed, volume_mm3
from kerfmark.geometry.solids import Solid

BLOCK = Solid.box([-6, -5, -3], [6, 5, 7])


def test_a_box_takes_the_volume_of_a_rounded_prism_less_its_line_angles():
    # Source: area of a rectangle with round corners, times depth, less the fillet's section (1 − π / 4) r² all round.
    # Second opinion: trimesh's volume of the cut block.
    plan = CavityPlan(Rounded((-3, -1), (3, 1), 0.5), 2.0, radius_mm=0.2)
    cut = cut_cavity(BLOCK.surface(), plan, mesial_sign=1)
    area, round_ = 12.0 - (4.0 - np.pi) * 0.25, 2.0 * (5.0 + 1.0) + np.pi * 1.0
    fillet = (1.0 - np.pi / 4.0) * 0.04
    expected = 2.0 * area - fillet * round_
    assert is_closed(cut.surface)
    assert BLOCK.volume_mm3 - volume_mm3(cut.surface) == pytest.approx(expected, rel=2e-3)
    other = trimesh.Trimesh(cut.surface.vertices_mm, cut.surface.faces, process=False)
    assert BLOCK.volume_mm3 - other.volume == pytest.approx(expected, rel=2e-3)


def test_the_margin_lies_where_the_leaning_walls_reach_the_top():
    # By construction: tan 10° times 2 mm of depth.
    plan = CavityPlan(Rounded((-3, -1), (3, 1), 0.5), 2.0, wall_deg={"right": 10.0})
    (margin,) = cut_cavity(BLOCK.surface(), plan, mesial_sign=1).margin_mm
    assert margin[:, 0].max() == pytest.approx(3.0 + 2.0 * np.tan(np.radians(10.0)), abs=1e-6)
    assert margin[:, 0].min() == pytest.approx(-3.0, abs=1e-6)
    assert margin[:, 2] == pytest.approx(np.full(len(margin), 7.0), abs=1e-9)


def test_a_box_on_the_distal_side_of_a_left_tooth_opens_to_plus_x_where_mesial_lies_on_minus_x():
    box = Box("distal", 0.0, 3.0, 4.5, 1.5)
    plan = CavityPlan(Fissure(((-2.5, 0.0), (5.0, 0.0)), 1.4, 2.0), 5.0, floor="level", box=box)
    margin = np.concatenate(cut_cavity(BLOCK.surface(), plan, mesial_sign=-1).margin_mm)
    assert margin[:, 0].max() == pytest.approx(6.0, abs=1e-6)
    assert margin[:, 2].min() == pytest.approx(5.0 - 1.5, abs=1e-6)


def test_a_floor_that_follows_lies_as_deep_as_planned_everywhere():
    # Source: a cylinder of radius 5, cut 1 mm deep, leaves a cylinder of radius 4 there.
    rod = Solid.cylinder(5.0, 10.0, segments=360)
    plan = CavityPlan(Rounded((-1.5, 3.0), (1.5, 6.0), 0.3), 1.0, facing="facial", floor="follows")
    cut = cut_cavity(rod.surface(), plan, mesial_sign=1).surface
    inner = cut.vertices_mm[(np.abs(cut.vertices_mm[:, 0]) < 1.0) & (np.abs(cut.vertices_mm[:, 2] - 4.5) < 1.0)]
    inner = inner[(inner[:, 1] > 0) & (np.hypot(inner[:, 0], inner[:, 1]) < 4.5)]
    assert len(inner) > 50
    assert np.hypot(inner[:, 0], inner[:, 1]) == pytest.approx(np.full(len(inner), 4.0), abs=0.01)


def test_outline_points_run_round_once_with_normals_outwards():
    for outline in (Fissure(((-3, 0), (3, 0.5)), 1.4, 2.0), Rounded((-2, -1), (3, 1), 0.4)):
        points, normals = outline_curve(outline)
        x, y = points.T
        area = 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
        assert area > 0.0
        grown = points + 1e-3 * normals
        x, y = grown.T
        assert 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) > area


def test_an_outline_beside_the_tooth_is_refused_with_one_sentence():
    with pytest.raises(InputError, match="lies beside the tooth"):
        cut_cavity(BLOCK.surface(), CavityPlan(Rounded((20, 20), (22, 21)), 1.0), mesial_sign=1)
