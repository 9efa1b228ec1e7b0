import numpy as np
import pytest

from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Surface

# Truth: volumes of the solids that were cut away, by booleans (manifold3d); the measuring code only sees triangles.
# Tolerance: 0.5 % of the volume; for what lies across a layer's edge, 20 µm over the edge's faces (48 mm²).
EDGE_MM3 = 0.020 * 48.0


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
@pytest.mark.parametrize("name", ["as planned", "short and wide", "deep", "leaning walls", "tilted floor", "turned"])
def test_all_that_was_removed_is_found_within_half_a_percent(blocks, scan, take, name, noise_um):
    blank = blocks[name]
    found = take(blank.prepared, scan(blank, noise_um=noise_um))
    for where in ("all", "lesion"):
        key = ("surface.removed_mm3", where, None)
        off = 0.0 if where == "all" else 0.5 * EDGE_MM3 * noise_um / 10.0
        assert found[key].value == pytest.approx(blank.truth[key], rel=0.005, abs=off)
    assert found["surface.removed_mm3", "body", None].value == pytest.approx(
        blank.truth["surface.removed_mm3", "body", None], abs=EDGE_MM3
    )
    assert found["surface.removed_mm3", "other", None].value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("noise_um", [30.0, 50.0])
def test_strong_noise_does_not_shift_the_volume(blocks, scan, take, noise_um):
    # Noise has no preferred side: over eight scans the mean stays within 0.5 %.
    blank = blocks["as planned"]
    key = ("surface.removed_mm3", "all", None)
    values = [take(blank.prepared, scan(blank, noise_um=noise_um, seed=s), wanted={key})[key].value for s in range(8)]
    assert np.mean(values) == pytest.approx(blank.truth[key], rel=0.005)


def test_nothing_cut_is_nothing_removed(blocks, scan, take):
    from block_phantoms import BLOCK, Blank

    uncut = Blank(blocks["as planned"].prepared, BLOCK, {})
    found = take(uncut.prepared, scan(uncut, noise_um=10.0))
    assert found["surface.removed_mm3", "all", None].value == 0.0
    assert found["block.target_cleared", None, None].value == 0.0
    assert found["block.floor_depth_mm", None, None].status == "not_measurable"


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
def test_an_undercut_counts_once_and_whole(blocks, scan, take, noise_um):
    # A pocket 3 × 2 mm and 1 mm deep, widened below to 5 × 2 mm by another 1 mm: 6 + 10 = 16 mm³, half a percent.
    from block_phantoms import BLOCK, Blank

    pocket = Solid.box([-1.5, -1, -1], [1.5, 1, 1]), Solid.box([-2.5, -1, -2], [2.5, 1, -1])
    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, *pocket), {})
    found = take(blank.prepared, scan(blank, noise_um=noise_um))
    assert found["surface.removed_mm3", "all", None].value == pytest.approx(16.0, rel=0.005)


def test_a_hole_right_through_is_removed_all_the_way(blocks, scan, take):
    # 2 × 1 mm through 5 mm: 10 mm³.
    from block_phantoms import BLOCK, Blank

    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, Solid.box([-1, -0.5, -9], [1, 0.5, 9])), {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))
    assert found["surface.removed_mm3", "all", None].value == pytest.approx(10.0, rel=0.005)


def seen_from_above(piece, *, hole=None):
    """The faces of a piece that face up or lie inside the cut: a scan without base and sides; `hole` leaves a square out."""
    from dataclasses import replace

    surface = piece.surface
    middle = surface.vertices_mm[surface.faces].mean(axis=1)
    outside = (np.abs(middle[:, 0]) > 5.9) | (np.abs(middle[:, 1]) > 4.9)
    keep = ~(outside & (middle[:, 2] < -0.4)) & (middle[:, 2] > -4.5)
    if hole is not None:
        keep &= ~(np.abs(middle[:, :2] - hole[:2]) < hole[2]).all(axis=1)
    return replace(piece, surface=Surface(surface.vertices_mm, surface.faces[keep]))


@pytest.mark.parametrize("name", ["as planned", "leaning walls"])
def test_a_scan_from_above_gives_the_volume_of_the_whole_piece(blocks, scan, take, name):
    blank = blocks[name]
    piece = scan(blank, noise_um=10.0)
    key = ("surface.removed_mm3", "all", None)
    whole, above = (take(blank.prepared, p, wanted={key})[key] for p in (piece, seen_from_above(piece)))
    assert len(seen_from_above(piece).surface.faces) < len(piece.surface.faces)
    assert above.value == pytest.approx(whole.value, rel=1e-3)


def test_a_hole_in_the_scan_of_the_floor_is_filled_and_owned_up_to(blocks, scan, take):
    # A hole of 0.6 × 0.6 mm in a floor of 18 mm² is 2 % of the cut; filled level, the volume is the same.
    blank = blocks["as planned"]
    key = ("surface.removed_mm3", "all", None)
    found = take(blank.prepared, seen_from_above(scan(blank, noise_um=10.0), hole=(0.5, 0.2, 0.3)), wanted={key})[key]
    assert found.value == pytest.approx(36.0, rel=0.005)
    assert "holes of the scan" in found.reason
    assert found.u > 0.1


def test_an_uncut_side_that_lies_a_little_inside_the_subject_is_not_a_cut(blocks, scan, take):
    # Shifted by 10 µm along x, every column just inside the block's side would be 5 mm of "removed" material.
    from dataclasses import replace

    blank = blocks["as planned"]
    piece = scan(blank, noise_um=5.0)
    shifted = replace(
        piece, surface=Surface(piece.surface.vertices_mm + np.array([0.010, 0.0, 0.0]), piece.surface.faces)
    )
    key = ("surface.removed_mm3", "all", None)
    assert take(blank.prepared, shifted, wanted={key})[key].value == pytest.approx(36.0, rel=0.005)
