"""Faces about a box, against the same found the slow way."""

import numpy as np
import trimesh

from kerfmark.measurement.cavity.pit import faces_in
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
