"""Faces about a box, against the same found the slow way; which part of a margin lies on a proximal face."""

from types import SimpleNamespace

import numpy as np
import trimesh

from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, union
from kerfmark.measurement.cavity.pit import Pit, faces_in
from kerfmark.measurement.surface.margin import Margin
from kerfmark.records import Surface


def test_faces_whose_own_boxes_reach_into_a_box_are_found_and_no_others():
    # The plain twin looks at each face's corners one by one; an end that lies at infinity leaves the box open there.
    ball = trimesh.creation.icosphere(subdivisions=3)
    surface = Surface(np.asarray(ball.vertices, float), np.asarray(ball.faces, np.int32))
    for low, high in (([-0.2, 0.1, 0.3], [0.4, 0.6, np.inf]), ([-2.0] * 3, [2.0] * 3), ([3.0] * 3, [4.0] * 3)):
        expected = [
            all(min(c[k] for c in corners) < high[k] and max(c[k] for c in corners) > low[k] for k in range(3))
            for corners in surface.vertices_mm[surface.faces].tolist()
        ]
        assert faces_in(surface, np.array(low), np.array(high)).tolist() == expected


def test_a_slope_that_faces_a_side_from_the_other_half_of_the_tooth_is_not_its_proximal_face():
    # Two cusps as boxes with a groove between them: what faces +x on the left one looks at the right one. 0.6 mm of such a
    # slope once made a ridge of 2.7 mm read 0.00, and a class II "open to both sides".
    tooth = union(
        Solid.box([-4, -3, 0], [4, 3, 4]), Solid.box([-4, -3, 3], [-1, 3, 6]), Solid.box([1, -3, 3], [4, 3, 6])
    )
    points = np.array([[-1.0, 0.0, 5.0], [4.0, 0.0, 5.0], [4.0, 1.0, 2.0], [1.0, 0.0, 5.0]])
    outward = np.array([[1.0, 0, 0], [1.0, 0, 0], [1.0, 0, 0], [-1.0, 0, 0]])
    margin = Margin(points, outward, outward, np.zeros(4), np.zeros(4))
    pit = SimpleNamespace(
        towards=lambda side: np.array([1.0, 0, 0]), margin=margin, old_rays=RayCaster(tooth.surface())
    )
    assert Pit.on_face(pit, "mesial", 0.6).tolist() == [False, True, True, False]


def test_a_margin_keeps_to_both_sides_of_its_corners():
    # A rectangle with sharp corners cut into a flat face: every margin point lies on it. Before, a parabola across a corner
    # put points beside it up to 0.08 mm outside, and the least gap to a neighbour was read there.
    import cavity_phantoms as phantoms

    blank = phantoms.OTHERS["facial box"]()
    pit = Pit(blank.piece(np.random.default_rng(2), noise_um=10.0), blank.prepared)
    low, high = np.array([-2.2, 0.8]), np.array([1.9, 3.4])  # the cut's own corners
    points = pit.margin.points_mm[:, [0, 2]]
    off = np.minimum(np.abs(points - low), np.abs(points - high)).min(axis=1)  # from the nearest side's line
    outside = np.maximum(low - points, points - high).max(axis=1)
    assert np.max(outside) < 0.03
    assert np.quantile(off, 0.95) < 0.03
