"""Rows of differing length, against the struct module."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from kerfmark.kernels import packed as kernels


def packed(rows, order):
    return b"".join(
        struct.pack(f"{order}fH{len(values)}ib", weight, len(values), *values, flag) for weight, values, flag in rows
    )


@pytest.mark.parametrize("order", ["<", ">"])
def test_lists_are_found_where_struct_put_them(order):
    rows = [(0.5, [1, 2, 3], 7), (1.5, [], -1), (2.5, list(range(300)), 2)]
    data = packed(rows, order)
    where, length = np.zeros((2, 3, 3), dtype=np.int64)
    sizes, counts = np.array([4, 4, 1], dtype=np.int32), np.array([0, 2, 0], dtype=np.int32)
    end = kernels.list_rows(np.frombuffer(b"??" + data, np.uint8), 2, 3, sizes, counts, order == "<", where, length)
    assert end == 2 + len(data)
    assert length[:, 1].tolist() == [3, 0, 300]
    for row, (_, values, _) in enumerate(rows):
        at = where[row, 1] - 2
        assert list(struct.unpack_from(f"{order}{len(values)}i", data, at)) == values


@pytest.mark.parametrize("cut", [1, 5, 20])
def test_rows_cut_short_are_told(cut):
    data = packed([(0.5, [1, 2, 3], 7), (1.5, [4, 5], 1)], "<")[:-cut]
    where, length = np.zeros((2, 2, 3), dtype=np.int64)
    sizes, counts = np.array([4, 4, 1], dtype=np.int32), np.array([0, 2, 0], dtype=np.int32)
    assert kernels.list_rows(np.frombuffer(data, np.uint8), 0, 2, sizes, counts, True, where, length) == -1


def test_a_polygon_of_n_corners_becomes_n_minus_2_triangles_about_its_first():
    faces = np.zeros((4, 3), dtype=np.int32)
    made = kernels.fan_polygons(np.array([5, 6, 7, 8, 9, 1, 2, 3], dtype=np.int32), np.array([0, 5, 5, 8]), faces)
    assert (made, faces.tolist()) == (4, [[5, 6, 7], [5, 7, 8], [5, 8, 9], [1, 2, 3]])
