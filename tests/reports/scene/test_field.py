"""Contours and patches on the surface itself."""

import numpy as np
import pytest

from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.sections import level_curves, section_curves
from kerfmark.records import SectionPlane, Surface
from kerfmark.reports.scene.drawings import moved_plane
from kerfmark.reports.scene.field import deviation_field
from kerfmark.reports.scene.surfaces import coarser, packed_normals


@pytest.fixture(scope="module")
def ball():
    import trimesh

    mesh = trimesh.creation.icosphere(5, 5.0)
    return Surface(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32))


def cap(ball, centre, half_deg, height):
    """Height inside a cap about a direction, falling off linearly to 0 at twice its half angle."""
    away = np.degrees(np.arccos(np.clip(ball.vertices_mm @ centre / 5.0, -1, 1)))
    return height * np.clip(2.0 - away / half_deg, 0.0, 1.0)


def test_a_level_curve_of_height_is_the_section_at_that_height(pebble):
    plane = SectionPlane("p", np.array([0.0, 0.0, 1.3]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    cut, level = section_curves(pebble, plane), level_curves(pebble, pebble.vertices_mm[:, 2], 1.3)
    assert len(cut) == len(level) == 1
    assert np.allclose(np.sort(cut[0], axis=0), np.sort(level[0], axis=0), atol=1e-12)


def test_an_isoline_on_a_ball_is_as_long_as_its_circle(ball):
    # Source: a circle of latitude at half angle a on a sphere of radius r is 2 π r sin a long. The field is linear in the angle,
    # 0.3 at 20° falling to 0 at 40°, so 0.15 lies at 30°. Edges of 0.16 mm cut corners by less than 0.1 %.
    field = deviation_field(ball, cap(ball, np.array([0.0, 0, 1]), 20.0, 0.3).astype(np.float32), limit_mm=0.15)
    (curve,) = field.isolines[0.15]
    length = np.linalg.norm(np.diff(curve, axis=0), axis=1).sum()
    assert length == pytest.approx(2 * np.pi * 5.0 * np.sin(np.radians(30.0)), rel=2e-3)
    assert field.isolines[-0.15] == ()


def test_a_patch_has_the_area_of_its_cap_and_its_greatest_value_with_its_sign(ball):
    # Source: a spherical cap of half angle a has the area 2 π r² (1 − cos a); a = 30° as above. The border is uneven by an edge.
    values = -cap(ball, np.array([1.0, 0, 0]), 20.0, 0.3)
    (patch,) = deviation_field(ball, values.astype(np.float32), limit_mm=0.15).patches
    assert patch.value_mm == pytest.approx(-0.3, abs=1e-6)
    assert patch.area_mm2 == pytest.approx(2 * np.pi * 25.0 * (1 - np.cos(np.radians(30.0))), rel=0.05)
    assert patch.points_mm[0] @ [1.0, 0, 0] > 4.9


def test_a_speck_is_dropped_with_its_line_and_a_patch_beside_it_stays(ball):
    speck = cap(ball, np.array([0.0, 1, 0]), 1.2, 0.3)
    large = cap(ball, np.array([0.0, 0, 1]), 20.0, 0.3)
    field = deviation_field(ball, (speck + large).astype(np.float32), limit_mm=0.15)
    assert (speck > 0.15).any()
    assert not (field.values_mm[speck > 0] > 0.15).any()
    assert len(field.isolines[0.15]) == 1
    assert field.values_mm.max() == pytest.approx(0.3, abs=1e-6)


def test_folded_normals_unfold_to_themselves():
    # Source: the inverse of the octahedral map, written out here a second time.
    rng = np.random.default_rng(5)
    normals = rng.normal(size=(2000, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    x, y = (packed_normals(normals) / 32767.0).T
    z = 1.0 - np.abs(x) - np.abs(y)
    fold = np.maximum(-z, 0.0)
    back = np.column_stack([x - np.sign(x) * fold, y - np.sign(y) * fold, z])
    back /= np.linalg.norm(back, axis=1, keepdims=True)
    assert np.degrees(np.arccos(np.clip((back * normals).sum(axis=1), -1, 1))).max() < 0.004


def test_a_ghost_is_far_smaller_and_stays_within_half_a_cube(pebble):
    from kerfmark.geometry.closest import ClosestPoint

    fine = scanned(pebble, noise_um=0.0, edge_mm=0.12, rng=np.random.default_rng(0))
    ghost = coarser(fine, cell_mm=0.5)
    away = ClosestPoint(fine).query(ghost.vertices_mm, max_distance_mm=2.0)[1]
    assert len(ghost.faces) < len(fine.faces) / 8
    assert np.abs(away).max() < 0.25


def test_a_plane_moves_along_its_normal_and_turns_about_its_upright():
    # Source: worked by hand. across −y, up z: the normal across × up is −x; a quarter turn about z carries −y onto +x.
    plane = SectionPlane("BL", np.zeros(3), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    assert moved_plane(plane, offset_mm=2.0, turn_deg=0.0).origin_mm == pytest.approx([-2.0, 0.0, 0.0])
    turned = moved_plane(plane, offset_mm=1.0, turn_deg=90.0)
    assert turned.across == pytest.approx([1.0, 0.0, 0.0])
    assert turned.origin_mm == pytest.approx([0.0, -1.0, 0.0])
