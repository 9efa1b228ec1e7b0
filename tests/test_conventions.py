"""Pins docs/conventions.md: what would silently turn left into right, or cut too deep into material left, fails here."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest

import kerfmark.records as records
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.frames import azimuth_direction, rigid_inverse, rotation_about, transform_points
from kerfmark.geometry.grids import distance_grid, sample, sample_with_gradient, surface_of
from kerfmark.geometry.mesh import face_normals, transformed, volume_mm3
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.sections import radial_profiles
from kerfmark.geometry.solids import Solid

DOCS = Path(__file__).parent.parent / "docs" / "conventions.md"
X, Y, Z = np.eye(3)


def ball():
    return Solid.sphere(2.0, segments=64).surface()


def test_the_tooth_frame_is_right_handed_with_x_across_facial_and_occlusal():
    np.testing.assert_array_equal(np.cross(Y, Z), X)


@pytest.mark.parametrize("mesial_sign", [1, -1])
def test_azimuths_run_facial_mesial_lingual_distal(mesial_sign):
    named = azimuth_direction([0, 90, 180, 270], mesial_sign=mesial_sign)
    np.testing.assert_allclose(named, [Y, mesial_sign * X, -Y, -mesial_sign * X], atol=1e-12)


@pytest.mark.parametrize("mesial_sign", [1, -1])
def test_an_azimuth_is_cosine_of_facial_and_sine_of_mesial(mesial_sign):
    phi = np.radians(37.0)
    expected = np.cos(phi) * Y + np.sin(phi) * mesial_sign * X
    np.testing.assert_allclose(azimuth_direction(37.0, mesial_sign=mesial_sign), expected, atol=1e-12)


def test_profiles_use_the_same_azimuths():
    block = Solid.box([-1, -1, -1], [5, 1, 1]).surface()  # long towards +x
    for sign, azimuth in ((1, 90.0), (-1, 270.0)):
        ((curve,),) = radial_profiles(block, origin_mm=[0, 0, 0], path=Z, azimuths_deg=[azimuth], mesial_sign=sign)
        assert curve[:, 0].max() == pytest.approx(5.0)


def test_signed_distance_is_negative_inside_material():
    grid = distance_grid(ball(), spacing_mm=0.2, band_mm=0.6)
    assert sample(grid, [[0, 0, 0]])[0] < 0 < sample(grid, [[0, 0, 2.3]])[0]


def test_its_gradient_points_out_of_the_material():
    grid = distance_grid(ball(), spacing_mm=0.1, band_mm=0.6)
    _, gradient = sample_with_gradient(grid, [[0, 0, 1.9]])
    np.testing.assert_allclose(gradient[0], Z, atol=0.05)


def test_a_voxel_is_the_point_at_its_centre_with_axes_in_array_order():
    # A box unlike in x, y and z: the voxel whose formula says "deepest" must be the one the array says.
    grid = distance_grid(
        Solid.box([0, 0, 0], [1, 2, 3]).surface(), spacing_mm=0.25, band_mm=0.5, bounds_mm=[[-1, -1, -1], [2, 3, 4]]
    )
    assert grid.values.shape == (13, 17, 21)
    np.testing.assert_array_equal(grid.origin_mm, [-1, -1, -1])
    point = grid.origin_mm + grid.spacing_mm * np.array([8, 5, 6])  # (1, 0.25, 0.5): on the side x = 1
    np.testing.assert_array_equal(point, [1.0, 0.25, 0.5])
    assert abs(grid.values[8, 5, 6]) < 1e-6
    assert sample(grid, [point + 0.25 * X])[0] == grid.values[9, 5, 6] == pytest.approx(0.25)


def test_faces_run_counter_clockwise_seen_from_outside():
    surface = ball()
    centres = surface.vertices_mm[surface.faces].mean(axis=1)
    assert (np.einsum("ij,ij->i", face_normals(surface), centres) > 0).all()
    assert volume_mm3(surface) > 0


@pytest.mark.parametrize(
    "made",
    [
        lambda: Solid.box([0, 0, 0], [1, 1, 1]).surface(),
        lambda: Solid.revolved([[0, 0], [1, 0], [0, 2]]).surface(),
        lambda: Solid.loft([[[1, 0, z], [0, 1, z], [-1, -1, z]] for z in (0, 1)]).surface(),
        lambda: surface_of(distance_grid(ball(), spacing_mm=0.2, band_mm=0.6)),
        lambda: transformed(ball(), np.diag([-1.0, 1, 1, 1])),
        lambda: scanned(ball(), noise_um=5, edge_mm=0.5, rng=np.random.default_rng(1)),
    ],
)
def test_whatever_makes_a_surface_makes_it_outward(made):
    assert volume_mm3(made()) > 0


def test_matrices_act_on_columns_and_are_row_major():
    matrix = np.array([[0.0, -1, 0, 10], [1, 0, 0, 20], [0, 0, 1, 30], [0, 0, 0, 1]])
    assert transform_points(matrix, [[1, 2, 3]]).tolist() == [[8, 21, 33]]
    assert matrix.flags.c_contiguous


def test_rotations_are_right_handed():
    np.testing.assert_allclose(rotation_about(Z, 90.0)[:3, :3] @ X, Y, atol=1e-12)


def test_an_alignment_carries_the_piece_file_into_the_exercise_file():
    # A scan posed by P is carried back onto the exercise by the inverse of P: the direction `alignment.matrix` has.
    pose = random_pose(np.random.default_rng(4))
    scan = scanned(ball(), noise_um=0, edge_mm=1.0, rng=np.random.default_rng(5), pose=pose)
    back = transform_points(rigid_inverse(pose), scan.vertices_mm)
    assert ClosestPoint(ball()).query(back, max_distance_mm=1.0)[1].max() < 1e-9


def test_a_covariance_holds_rotations_in_radians_first_then_translations():
    # A small motion (ω, t) about the tooth-frame origin moves p by ω × p + t: the order and unit that
    # `Alignment.covariance` documents. 1 mrad about z at 10 mm from the axis is 10 µm along +y.
    motion, point = np.array([0, 0, 1e-3, 0, 0, 2e-3]), np.array([10.0, 0, 0])
    moved = np.cross(motion[:3], point) + motion[3:]
    np.testing.assert_allclose(moved, [0, 0.01, 0.002])
    turned = rotation_about(Z, np.degrees(1e-3))[:3, :3] @ point + motion[3:]
    np.testing.assert_allclose(turned - point, moved, atol=1e-5)  # first order: what is left is ω² r / 2 = 5e-6 mm
    said = " ".join(records.Alignment.__doc__.split())
    assert "three rotations (radians, about x, y, z), then three translations (mm)" in said


def test_deviation_is_positive_where_material_is_left():
    # A piece 0.1 mm prouder than its target reads + 0.1 in the target's grid, one cut 0.1 mm too deep − 0.1.
    target = distance_grid(ball(), spacing_mm=0.1, band_mm=0.6)
    proud, deep = (Solid.sphere(r, segments=64).surface() for r in (2.1, 1.9))
    assert np.median(sample(target, proud.vertices_mm)) == pytest.approx(0.1, abs=0.005)
    assert np.median(sample(target, deep.vertices_mm)) == pytest.approx(-0.1, abs=0.005)


def test_lengths_in_records_carry_their_unit():
    bare = re.compile(r"(^|_)(distance|length|depth|width|height|radius|diameter|volume|area|origin|vertices|spacing)$")
    for name in records.__all__:
        record = getattr(records, name)
        if hasattr(record, "__dataclass_fields__"):
            assert [f.name for f in fields(record) if bare.search(f.name)] == []


def test_the_page_says_what_is_pinned_here():
    text = DOCS.read_text(encoding="utf-8")
    for word in (
        "x = y × z", "cos φ ŷ + sin φ · mesial_sign x̂", "negative inside material", "origin + spacing · (i, j, k)",
        "positive = material left", "counter-clockwise from outside", "act on column vectors", "small rotations (rad)", str(UTC),
    ):  # fmt: skip
        assert word in text
