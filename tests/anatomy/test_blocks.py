"""Layered practice blocks."""

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.blocks import Pocket, Slab, block, rounded_rectangle
from kerfmark.errors import InputError
from kerfmark.geometry.mesh import bounds_mm, volume_mm3


def closed(surface):
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False).is_volume


def volumes(made):
    return {name: volume_mm3(layer) for name, layer in made.layers.items()}


def test_a_block_lies_under_its_top_face_whose_centre_is_the_origin():
    # Source: docs/conventions.md: the origin of a block is the centre of its top face, z up.
    assert bounds_mm(block((20, 14, 10)).surface) == pytest.approx(np.array([[-10, -7, -10], [10, 7, 0]]), abs=1e-12)


def test_slabs_and_pockets_have_the_volumes_of_their_boxes():
    # Source: length · width · height. The open pocket takes 1 mm of the upper slab and 1 mm of the lower one.
    made = block(
        (20, 14, 10),
        slabs=[Slab("crust", 1.0), Slab("core", 9.0)],
        pockets=[Pocket("soft", (10, 4), 2.0, corner_mm=0.0)],
    )
    assert volumes(made) == pytest.approx({"crust": 280 - 40, "core": 2520 - 40, "soft": 80})


def test_a_buried_pocket_leaves_a_roof_and_is_a_cavity_of_its_slab():
    made = block((20, 14, 10), pockets=[Pocket("nest", (4, 4), 3.0, top_mm=2.0)])
    assert volumes(made) == pytest.approx({"body": 2800 - 48, "nest": 48})
    assert bounds_mm(made.layers["nest"])[:, 2] == pytest.approx([-5, -2])


def test_where_pockets_overlap_the_later_one_wins():
    made = block((20, 14, 10), pockets=[Pocket("first", (8, 4), 2.0), Pocket("second", (4, 4), 1.0)])
    assert volumes(made) == pytest.approx({"body": 2800 - 64, "first": 64 - 16, "second": 16})


def test_a_round_pocket_has_the_volume_of_a_cylinder():
    # Source: π r² h; a 64-gon inscribed in the circle has sin(2π/64)/(2π/64) = 0.99839 of its area.
    made = block((20, 14, 10), pockets=[Pocket("round", (6, 6), 2.0, corner_mm=3.0)])
    assert volumes(made)["round"] == pytest.approx(np.pi * 9 * 2, rel=2e-3)


@pytest.mark.parametrize("turned", [0.0, 30.0, 90.0])
def test_layers_are_closed_and_add_up_to_the_block(turned):
    made = block(
        slabs=[Slab("a", 2.5), Slab("b", 7.5)],
        pockets=[
            Pocket("c", (9, 3), 3.2, corner_mm=1.0, turned_deg=turned),
            Pocket("d", (2, 2), 1.0, centre_mm=(1, 0)),
        ],
    )
    assert all(closed(layer) for layer in [made.surface, *made.layers.values()])
    assert sum(volumes(made).values()) == pytest.approx(volume_mm3(made.surface), rel=1e-12)


def test_edges_are_about_as_short_as_asked():
    made = block((6, 6, 3), edge_mm=0.3)
    corners = made.surface.vertices_mm[made.surface.faces]
    edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    # A square whose side is the edge asked for has a diagonal √2 as long.
    assert edges.max() <= 0.3 * np.sqrt(2)


def test_a_block_is_the_same_to_the_bit_when_built_again():
    first, second = (block(pockets=[Pocket("p", (5, 3), 2.0, corner_mm=1.0)]) for _ in range(2))
    for a, b in zip(first.layers.values(), second.layers.values(), strict=True):
        assert np.array_equal(a.vertices_mm, b.vertices_mm)
        assert np.array_equal(a.faces, b.faces)


def test_a_rounded_rectangle_stays_inside_its_size_and_runs_counter_clockwise():
    outline = rounded_rectangle([6, 4], corner_mm=1.5)
    x, y = outline.T
    assert np.abs(outline).max(axis=0) == pytest.approx([3, 2])
    # Source: area of a rectangle less four corners, (4 − π) r²; 16 chords to a quarter lose under 0.1 % of it.
    assert 0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) == pytest.approx(24 - (4 - np.pi) * 2.25, rel=1e-3)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"size_mm": (20, 0, 10)}, "size_mm"),
        ({"size_mm": (20, float("nan"), 10)}, "size_mm"),
        ({"edge_mm": 0.0}, "edge_mm"),
        ({"slabs": [Slab("a", 3), Slab("b", 3)]}, "add up to 6 mm"),
        ({"slabs": [Slab("a", 5), Slab("a", 5)]}, "different name"),
        ({"slabs": [Slab("a", -1), Slab("b", 11)]}, "above 0"),
        ({"pockets": [Pocket("p", (20, 4), 2)]}, "leaves 0.00 mm"),
        ({"pockets": [Pocket("p", (5, 4), 10)]}, "leaves 0.00 mm"),
        ({"pockets": [Pocket("p", (5, 4), 2, corner_mm=3)]}, "corner_mm"),
        ({"pockets": [Pocket("p", (5, 4), 0)]}, "above 0"),
        ({"pockets": [Pocket("p", (5, 4), 2), Pocket("q", (6, 5), 3)]}, "wholly covered"),
    ],
)
def test_what_cannot_be_built_is_refused_by_name(arguments, says):
    with pytest.raises(InputError, match=says):
        block(**{"size_mm": (20, 14, 10), **arguments})
