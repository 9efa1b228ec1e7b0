"""A cavity seen along its axis: a square opening in a flat block, cut a known way off its plan."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Reading, Ruling, Surface, Witness
from kerfmark.reports.contents import families_of
from kerfmark.reports.sections.dimensions import Frame2
from kerfmark.reports.sections.opening import opening_of, opening_svg_of

INF = float("inf")


def square(half, *, middle=(0.0, 0.0), z=5.0):
    x, y = middle
    return np.array(
        [[x - half, y - half, z], [x + half, y - half, z], [x + half, y + half, z], [x - half, y + half, z]]
    )


def read(reading, where, value, witness):
    return Reading(reading, where, None, value, "mm", 0.01, "measured", None, (), witness)


def ruled(reading):
    return Ruling(reading.id, reading.where, None, (-0.3, 0.3), 0.99, "met", 1.0, False)


@pytest.fixture
def case(monkeypatch):
    monkeypatch.setattr("kerfmark.reports.sections.opening.Pit", lambda *_: SimpleNamespace(axis_side="occlusal"))
    cut = square(1.2, middle=(0.2, 0.0))
    readings = (
        read("cavity.outline_area_mm2", None, 5.8, Witness("curve", curves_mm=(np.vstack([cut, cut[:1]]),))),
        read("cavity.extension_mm", "mesial", 0.4, Witness("length", segments_mm=np.array([[[1.0, 0, 5.0], [1.4, 0, 5.0]]]))),
        read("cavity.extension_mm", "buccal", 0.2, Witness("length", segments_mm=np.array([[[0, 1.0, 5.0], [0, 1.0, 4.0]]]))),
    )  # fmt: skip
    crown = Surface(np.vstack([square(4.0), square(4.0, z=-1.0)]), np.array([[0, 1, 2]], dtype=np.int32))
    beside = Surface(square(4.0, middle=(8.2, 0.0)), np.array([[0, 1, 2]], dtype=np.int32))
    prepared = SimpleNamespace(
        subject=crown,
        neighbours={"mesial": beside},
        outline=square(1.0),
        mesial_sign=1,
        layers={},
        exercise=SimpleNamespace(),
    )
    assessment = SimpleNamespace(readings=readings, piece=SimpleNamespace(neighbours={}))
    families = families_of([ruled(r) for r in readings], readings, {})
    contents = SimpleNamespace(lines=tuple(line for family in families for line in family.lines))
    return assessment, prepared, contents


def drawn(case):
    assessment, prepared, contents = case
    opening = opening_of(assessment, prepared, floor_mm=-2.0)
    return opening_svg_of(opening, contents, Frame2(200.0, 200.0, 20.0), size=(400, 400))


def test_only_lengths_across_the_axis_are_dimensioned(case):
    _drawing, numbers, _ends = drawn(case)
    assert numbers == (2,)


def test_it_is_turned_as_the_view_from_above_has_it(case):
    # Source: seen from above with lingual up, +x (mesial here) is on the left.
    drawing, _numbers, ends = drawn(case)
    assert ends == ("mesial", "distal")
    assert "seen from the occlusal side" in drawing
    corridor = re.search(r'<path d="([^"]+)" fill="none" stroke="@corr" stroke-width="([\d.]+)"', drawing)
    assert corridor is not None
    assert float(corridor[2]) == pytest.approx(2 * 0.3 * 20.0)  # the limits of the extension, both ways
    numbers = np.array(re.findall(r"-?[\d.]+", corridor[1]), dtype=float).reshape(-1, 2)
    np.testing.assert_allclose(sorted(set(numbers[:, 0])), [180.0, 220.0])


def test_a_piece_that_is_no_cavity_has_no_such_drawing(case):
    assessment, prepared, _ = case
    assert opening_of(SimpleNamespace(readings=(), piece=assessment.piece), prepared, floor_mm=-2.0) is None
