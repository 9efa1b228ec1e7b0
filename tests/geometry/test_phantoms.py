"""Simulated scans do what they say."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.geometry import mesh
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.evening import evened, refined
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.solids import Solid


def edge_lengths(surface):
    ends = surface.vertices_mm[mesh.face_edges(surface).ends]
    return np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)


@pytest.mark.parametrize("shape", ["pebble", "cup", "brick"])
def test_refining_keeps_the_surface_and_splits_what_is_long(shape, request):
    surface = request.getfixturevalue(shape)
    fine = refined(surface, 0.2)
    assert edge_lengths(fine).max() <= 0.2 * 4 / 3
    assert mesh.area_mm2(fine) == pytest.approx(mesh.area_mm2(surface), rel=1e-12)
    assert ClosestPoint(surface).query(fine.vertices_mm, max_distance_mm=1.0)[1].max() < 1e-12
    assert len(mesh.boundary_loops(fine)) == len(mesh.boundary_loops(surface))


def test_without_noise_a_scan_lies_on_the_surface(brick):
    scan = scanned(brick, noise_um=0.0, edge_mm=0.2, rng=np.random.default_rng(1))
    assert mesh.volume_mm3(scan) == pytest.approx(24.0, rel=1e-12)


def test_noise_has_the_deviation_asked_for(brick):
    scan = scanned(brick, noise_um=12.0, edge_mm=0.1, rng=np.random.default_rng(2))
    away = scan.vertices_mm - np.clip(scan.vertices_mm, [1, 1, 1], [3, 4, 5])
    middle = (np.abs(scan.vertices_mm - [2, 2.5, 3]) < [0.9, 1.4, 3]).all(axis=1)  # the tops alone: they move along z
    error = np.where(scan.vertices_mm[:, 2] > 3, scan.vertices_mm[:, 2] - 5, 1 - scan.vertices_mm[:, 2])[middle]
    flat = np.abs(error) < 0.1
    # 2 % is four standard errors of a deviation from 20,000 points; here are at least 800, so 10 %.
    assert 1e3 * error[flat].std() == pytest.approx(12.0, rel=0.1)
    assert np.abs(away).max() < 0.1


def test_a_trueness_error_is_shared_by_neighbours(brick):
    fields = []
    for seed in range(40):
        scan = scanned(brick, noise_um=0.0, edge_mm=0.5, rng=np.random.default_rng(seed), trueness_um=30.0)
        fields.append(1e3 * (scan.vertices_mm - evened(brick, 0.5).vertices_mm))
    size = np.linalg.norm(fields, axis=2)
    assert np.sqrt((size**2).mean()) == pytest.approx(30.0, rel=0.15)  # 40 draws of a few independent waves
    edges = mesh.face_edges(evened(brick, 0.5)).ends
    assert np.abs(np.diff(size[:, edges], axis=2)).mean() < 0.35 * size.mean()


def test_a_pose_is_applied_last(brick):
    pose = random_pose(np.random.default_rng(3))
    here = scanned(brick, noise_um=5.0, edge_mm=0.5, rng=np.random.default_rng(4))
    there = scanned(brick, noise_um=5.0, edge_mm=0.5, rng=np.random.default_rng(4), pose=pose)
    np.testing.assert_allclose(there.vertices_mm, mesh.transformed(here, pose).vertices_mm, atol=1e-12)


def test_the_same_generator_gives_the_same_scan():
    ball = Solid.sphere(2.0).surface()
    a, b = (scanned(ball, noise_um=5, edge_mm=0.3, rng=np.random.default_rng(9), trueness_um=5) for _ in range(2))
    np.testing.assert_array_equal(a.vertices_mm, b.vertices_mm)


def test_poses_are_rigid_and_turn_every_way():
    rng = np.random.default_rng(5)
    poses = np.array([random_pose(rng, shift_mm=3.0) for _ in range(2000)])
    turns = poses[:, :3, :3]
    np.testing.assert_allclose(turns @ turns.transpose(0, 2, 1), np.broadcast_to(np.eye(3), turns.shape), atol=1e-12)
    assert np.linalg.det(turns) == pytest.approx(1.0)
    # Source: the mean of uniform rotations is 0, and the mean angle π/2 + 2/π = 126.5°.
    assert np.abs(turns.mean(axis=0)).max() < 4 / np.sqrt(3 * 2000)
    angle = np.degrees(np.arccos(np.clip((np.trace(turns, axis1=1, axis2=2) - 1) / 2, -1, 1)))
    assert angle.mean() == pytest.approx(np.degrees(np.pi / 2 + 2 / np.pi), abs=3.0)
    assert np.abs(poses[:, :3, 3]).max() <= 3.0
