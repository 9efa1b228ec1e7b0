"""The table of marching cubes: every case closed against its neighbours and right way round."""

from __future__ import annotations

import itertools

import numpy as np

from kerfmark.geometry.marching import FACES, triangle_table

CORNERS = np.array([[c & 1, c >> 1 & 1, c >> 2 & 1] for c in range(8)], dtype=float)


def place(edge):
    return CORNERS[edge // 3] + 0.5 * np.eye(3)[edge % 3]


def triangles(case):
    row = triangle_table()[case]
    return row[row >= 0].reshape(-1, 3)


def test_every_crossed_edge_of_every_case_is_used_and_no_other():
    # Source: the definition of a crossed edge, corner by corner.
    for case in range(256):
        inside = [bool(case >> c & 1) for c in range(8)]
        crossed = {3 * c + a for c in range(8) for a in range(3) if not c >> a & 1 and inside[c] != inside[c | 1 << a]}
        assert set(triangles(case).ravel().tolist()) == crossed


def test_open_sides_lie_on_the_faces_and_agree_across_them():
    # Source: a surface has no hole where two cells join if both draw the same segments, opposite ways, on their common face.
    def sides(case, face):
        edges = {3 * min(a, b) + (abs(a - b).bit_length() - 1) for a, b in zip(face, (*face[1:], face[0]), strict=True)}
        pairs = [(int(t[i]), int(t[(i + 1) % 3])) for t in triangles(case) for i in range(3)]
        return {p for p in pairs if p[::-1] not in pairs and p[0] in edges and p[1] in edges}

    for axis, bits in itertools.product(range(3), range(16)):
        low = [c for c in range(8) if not c >> axis & 1]
        near = sum(1 << (c | 1 << axis) for c, bit in zip(low, range(4), strict=True) if bits >> bit & 1)
        far = sum(1 << c for c, bit in zip(low, range(4), strict=True) if bits >> bit & 1)
        ours, theirs = sides(near, FACES[2 * axis + 1]), sides(far, FACES[2 * axis])
        step = 3 * (1 << axis)
        assert {(a + 0, b + 0) for a, b in ours} == {(b + step, a + step) for a, b in theirs}


def test_a_single_corner_inside_faces_away_from_it():
    # Source: the normal of its triangle points away from the corner.
    for corner in range(8):
        (t,) = triangles(1 << corner)
        a, b, c = (place(int(e)) for e in t)
        assert np.cross(b - a, c - a) @ (a - CORNERS[corner]) > 0
