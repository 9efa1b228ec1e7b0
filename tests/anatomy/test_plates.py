"""Plates with a line to follow."""

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.plates import LINES, line_on_plate, plate
from kerfmark.errors import InputError


def length(points):
    return np.linalg.norm(np.diff(points, axis=0), axis=1).sum()


# Source: chord and arc of a third of a circle; a circle's circumference; two arms less the rounded corner.
LENGTHS = {
    "straight": 20.0,
    "arc": 20.0 / (2 * np.sin(np.radians(60))) * np.radians(120),
    "circle": 20.0 * np.pi,
    "corner": 20.0 * (2 * 0.4 + 0.1 * np.pi / 2),
}


@pytest.mark.parametrize(("line", "expected"), LENGTHS.items())
def test_a_line_is_as_long_as_its_shape_says(line, expected):
    assert length(line_on_plate(line, length_mm=20.0)) == pytest.approx(expected, rel=1e-4)


@pytest.mark.parametrize("line", LINES)
def test_a_line_lies_on_the_top_face_in_even_short_steps(line):
    points = line_on_plate(line, length_mm=15.0)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert not points[:, 2].any()
    assert steps.max() <= 0.1 + 1e-6
    # Steps are even along the line; as chords of the tightest bend (radius 1.5 mm) they differ by under 0.1 %.
    assert steps.min() > 0.999 * steps.max() - 1e-6


def test_a_circle_ends_where_it_began():
    points = line_on_plate("circle", length_mm=10.0)
    assert points[0] == pytest.approx(points[-1], abs=1e-12)


def test_a_plate_is_closed_and_has_the_volume_of_its_box():
    made = plate("wave")
    mesh = trimesh.Trimesh(made.surface.vertices_mm, made.surface.faces, process=False)
    assert mesh.is_volume
    assert mesh.volume == pytest.approx(30 * 20 * 4)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"line": "loop"}, "expected one of"),
        ({"length_mm": 0.0}, "1 to 200"),
        ({"length_mm": float("nan")}, "1 to 200"),
        ({"depth_mm": 4.0}, "below"),
        ({"width_mm": 0.0}, "above 0"),
        ({"length_mm": 29.5}, "inside the plate's edge"),
        ({"edge_mm": 9.0}, "edge_mm"),
    ],
)
def test_what_does_not_fit_is_refused(arguments, says):
    with pytest.raises(InputError, match=says):
        plate(**arguments)
