"""Surfaces as points."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.solids import Solid
from kerfmark.registration.samples import cells_of, samples_of


def test_samples_are_spread_by_area_and_not_by_vertices():
    # A 10 × 10 × 1 mm plate: its two large faces are 200 of 240 mm².
    plate = Solid.box([0, 0, 0], [10, 10, 1]).surface()
    samples = samples_of(plate, per_mm2=100.0, least=100, most=100_000)
    assert len(samples.points_mm) == 24_000
    large = np.abs(samples.points_mm[:, 2] - 0.5) > 0.4999
    assert large.mean() == pytest.approx(200 / 240, abs=0.01)
    assert samples.area_each_mm2 == pytest.approx(0.01)


def test_noise_hardly_turns_the_normals():
    # Triangles of 0.1 mm with 20 µm of noise are turned by more than 10° each; over half a millimetre that averages out.
    ball = scanned(Solid.sphere(4.0).surface(), noise_um=20.0, edge_mm=0.1, rng=np.random.default_rng(1))
    samples = samples_of(ball, per_mm2=10.0, least=2000, most=2000)
    radial = samples.points_mm / np.linalg.norm(samples.points_mm, axis=1, keepdims=True)
    away_deg = np.degrees(np.arccos(np.clip(np.einsum("ij,ij->i", radial, samples.normals), -1, 1)))
    assert np.median(away_deg) < 5.0


def test_nearest_within_a_cell_agrees_with_a_tree():
    # Source: scipy's k-d tree.
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(2)
    points, queries = rng.random((2000, 3)) * 5.0, rng.random((1000, 3)) * 6.0 - 0.5
    distance, index = cKDTree(points).query(queries)
    expected = np.where(distance <= 0.4, index, -1)
    np.testing.assert_array_equal(cells_of(points, width_mm=0.4).nearest(queries), expected)
