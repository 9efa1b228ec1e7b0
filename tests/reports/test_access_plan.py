"""The plan view of an access: what was planned, what was cut, what is left of the roof."""

import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from access_phantoms import Access, Blank

from kerfmark.measurement.access import ACCESS, Opened
from kerfmark.reports.access_plan import DRAWING_PX, access_plan_svg
from kerfmark.reports.sections.drawing import _closed_by_break


@pytest.fixture(scope="module")
def narrow():
    """An opening 0.6 mm too narrow all round, so that a ring of roof is left, and its readings."""
    blank = Blank(Access(radius_mm=1.6), edge_mm=0.3)
    piece = blank.piece(np.random.default_rng(1), noise_um=0.0)
    wanted = [m for m in ACCESS if m.id in ("access.outline_overlap", "access.roof_left_mm2")]
    case = Opened(piece, blank.prepared)
    readings = tuple(r for m in wanted for r in m.function(case))
    return SimpleNamespace(piece=piece, readings=readings), blank.prepared


def test_it_says_what_is_left_of_the_roof_and_draws_as_much(narrow):
    assessment, prepared = narrow
    drawing = access_plan_svg(assessment, prepared, width=660.0)
    (roof,) = (r for r in assessment.readings if r.id == "access.roof_left_mm2")
    assert f"{roof.value:.2f} ±" in drawing
    # Its squares together have its area, in the scale of a tooth 10 mm wide with 0.5 mm beside it.
    (path,) = (part for part in drawing.split("<path") if part.count("v") > 20)
    side = float(path.split("h")[1].split("v")[0])
    assert path.count("v") * (side * 11.0 / DRAWING_PX) ** 2 == pytest.approx(roof.value, rel=0.05)


def test_it_has_every_orifice_by_number_and_both_outlines(narrow):
    assessment, prepared = narrow
    drawing = access_plan_svg(assessment, prepared, width=660.0)
    assert drawing.count("<circle") >= len(prepared.orifices) + 1
    assert all(word in drawing for word in ("outline planned", "outline cut", "mesial", "distal", "buccal", "lingual"))


def test_no_other_exercise_has_one(narrow):
    assessment, _ = narrow
    other = SimpleNamespace(outline=np.zeros((3, 3)), exercise=SimpleNamespace(family="crown"))
    assert access_plan_svg(assessment, other, width=660.0) == ""


def test_an_outline_that_ends_in_a_canal_is_closed_straight_down_and_draws_no_line():
    # A wall seen from the foot (y = 100 px) up and down again into a canal, where the scan ends at y = 60.
    curve = np.array([[0.0, 100.0], [0.0, 10.0], [30.0, 10.0], [30.0, 60.0]])
    area, wave = _closed_by_break(curve, 100.0)
    assert wave == ""
    assert area.endswith("L30 100 0 100Z")


def test_an_outline_cut_off_at_the_foot_on_both_sides_ends_in_a_break():
    curve = np.array([[0.0, 100.0], [0.0, 10.0], [30.0, 10.0], [30.0, 100.0]])
    area, wave = _closed_by_break(curve, 100.0)
    assert area.endswith("Z")
    assert wave.startswith("M")


def test_a_stretch_of_floor_between_two_gaps_of_the_scan_stands_on_the_foot():
    area, wave = _closed_by_break(np.array([[10.0, 60.0], [40.0, 62.0]]), 100.0)
    assert (area, wave) == ("M10 60 40 62L40 100 10 100Z", "")


def test_a_stretch_of_wall_that_reaches_the_foot_nowhere_bounds_no_area():
    assert _closed_by_break(np.array([[0.0, 40.0], [5.0, 60.0], [9.0, 45.0]]), 100.0) == ("", "")
