from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from block_phantoms import BLOCK, OUTLINE, Blank, Pocket

from kerfmark.geometry.columns import lattice_over
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.measurement.surface.overlap import inside_outline

# Truth by construction (block_phantoms). Accuracy to reach with 10 µm noise and 0.15 mm triangles: angles 0.3°, depths
# 20 µm, volumes and fractions what 20 µm over their faces and edges comes to: 48 mm² of walls and floor.
FACES_MM2 = 48.0
TOLERANCES = {
    "block.target_cleared": 0.020 * FACES_MM2 / 36.0,
    "block.left_mm3": 0.020 * FACES_MM2,
    "block.overcut_mm3": 0.020 * FACES_MM2,
    "block.floor_depth_mm": 0.020,
    "block.floor_flatness_um": 5.0,
    "block.wall_squareness_deg": 0.3,
    "block.outline_overlap": 0.020 * 18.0 / 18.0,
}
NAMES = ["as planned", "short and wide", "deep", "leaning walls", "tilted floor", "turned"]


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
@pytest.mark.parametrize("name", NAMES)
def test_readings_of_a_known_pocket(blocks, scan, take, name, noise_um):
    blank = blocks[name]
    found = take(blank.prepared, scan(blank, noise_um=noise_um))
    for key, truth in blank.truth.items():
        if key[0] in TOLERANCES:
            assert found[key].value == pytest.approx(truth, abs=TOLERANCES[key[0]]), key


@pytest.mark.parametrize("name", NAMES)
def test_without_noise_readings_are_nearly_exact(blocks, scan, take, name):
    # What is left is the columns' spacing: 0.05 mm³ of volume, 0.03° of a lean, 2 µm of depth, 0.002 of an overlap.
    limits = {"block.left_mm3": 0.05, "block.overcut_mm3": 0.05, "block.target_cleared": 0.002}
    limits |= {"block.wall_squareness_deg": 0.03, "block.floor_depth_mm": 0.002, "block.outline_overlap": 0.002}
    blank = blocks[name]
    found = take(blank.prepared, scan(blank))
    for key, truth in blank.truth.items():
        if key[0] in limits:
            assert found[key].value == pytest.approx(truth, abs=limits[key[0]]), key


@pytest.mark.parametrize("noise_um", [30.0, 50.0])
def test_noisier_scans_stay_within_three_of_their_own_uncertainties(blocks, scan, take, noise_um):
    for name in ("leaning walls", "tilted floor"):
        blank = blocks[name]
        found = take(blank.prepared, scan(blank, noise_um=noise_um))
        for key, truth in blank.truth.items():
            assert abs(found[key].value - truth) <= 3.0 * found[key].u, key


def test_a_domed_floor_has_the_flatness_of_its_circle(blocks, scan, take):
    # A floor curved along x with radius R = 40 mm, over ± a = 2.7 mm as 0.3 mm is taken off each end: the RMS of x²/2R
    # about its mean is a²/2R · sqrt(4/45) = 27.2 µm. Tolerance: an edge that noise moves by 0.15 mm is 3 µm.
    roll = Solid.cylinder(40.0, 3.0, segments=4096).transformed(
        [[1, 0, 0, 0], [0, 0, -1, 1.5], [0, 1, 0, 38.0], [0, 0, 0, 1]]
    )
    cut = intersection(roll, Solid.box([-3, -1.5, -4], [3, 1.5, 1]))
    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, cut), {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))["block.floor_flatness_um", None, None]
    assert found.value == pytest.approx(2.7**2 / 80.0 * np.sqrt(4 / 45) * 1000.0, abs=3.0)


def test_noise_alone_is_no_unevenness(blocks, scan, take):
    # 30 µm noise on a plane floor: without taking its variance off, the reading would be 21 µm.
    found = take(blocks["as planned"].prepared, scan(blocks["as planned"], noise_um=30.0))
    assert found["block.floor_flatness_um", None, None].value < 8.0


def test_of_two_floors_the_larger_is_read(blocks, scan, take):
    # 4 × 3 mm at 2 mm and 2 × 3 mm at 1.2 mm.
    steps = union(Solid.box([-3, -1.5, -2], [1, 1.5, 1]), Solid.box([0.9, -1.5, -1.2], [3, 1.5, 1]))
    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, steps), {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))
    assert found["block.floor_depth_mm", None, None].value == pytest.approx(2.0, abs=0.02)


def test_a_round_cavity_has_no_level_floor_and_says_so(blocks, scan, take):
    bowl = Solid.sphere(1.0).moved([0, 0, -0.05])
    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, bowl), {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))["block.floor_depth_mm", None, None]
    assert found.status == "measured" or "level floor" in found.reason


def test_mesial_changes_sides_with_the_exercise(blocks, scan, take):
    # "leaning walls" leans 6° at +x and 3° at −x.
    blank = blocks["leaning walls"]
    other = SimpleNamespace(**{**vars(blank.prepared), "mesial_sign": -1})
    found = take(other, scan(blank, noise_um=10.0))
    assert found["block.wall_squareness_deg", "mesial", None].value == pytest.approx(3.0, abs=0.3)
    assert found["block.wall_squareness_deg", "distal", None].value == pytest.approx(6.0, abs=0.3)


def test_the_curved_wall_of_a_round_pocket_is_square(blocks, scan, take):
    # A cylinder of radius 2 mm: upright everywhere, although each wall spans a quarter of a circle.
    blank = Blank(blocks["as planned"].prepared, difference(BLOCK, Solid.cylinder(2.0, 3.0).moved([0, 0, -2])), {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))
    for wall in ("buccal", "lingual", "mesial", "distal"):
        assert found["block.wall_squareness_deg", wall, None].value == pytest.approx(0.0, abs=0.3)


def test_overlap_without_an_outline_takes_the_target_then_the_layer(blocks, scan, take):
    # All three describe the same rectangle, 6 × 3 mm.
    blank, piece = blocks["short and wide"], scan(blocks["short and wide"], noise_um=10.0)
    key = ("block.outline_overlap", None, None)
    bare = SimpleNamespace(**{**vars(blank.prepared), "outline": None})
    barer = SimpleNamespace(**{**vars(bare), "target": None, "target_grid": None})
    values = [take(p, piece, wanted={key})[key].value for p in (blank.prepared, bare, barer)]
    assert values == pytest.approx([blank.truth[key]] * 3, abs=0.01)


def test_clearing_a_layer_counts_what_stands_above_it_as_planned(blocks, scan, take):
    # Without a target: the pocket's upper half is body, its lower half the layer; cut whole, nothing is overcut.
    low = Solid.box([-3, -1.5, -2], [3, 1.5, -1])
    from block_phantoms import prepared

    from kerfmark.geometry.grids import distance_grid

    layers = {"body": difference(BLOCK, low).surface(), "lesion": low.surface()}
    grids = {n: distance_grid(s, spacing_mm=0.1, band_mm=0.6) for n, s in layers.items()}
    buried = prepared(layers=layers, layer_grids=grids, target=None, target_grid=None, outline=None)
    found = take(buried, scan(blocks["as planned"]))
    assert found["block.target_cleared", None, None].value == pytest.approx(1.0, abs=0.002)
    assert found["block.overcut_mm3", "all", None].value == pytest.approx(0.0, abs=0.05)
    assert found["surface.removed_mm3", "body", None].value == pytest.approx(18.0, rel=0.005)


def test_every_number_has_a_witness_and_a_budget_that_adds_up(blocks, scan, take):
    covariance = np.diag([3e-4**2] * 3 + [0.003**2] * 3)
    blank = blocks["tilted floor"]
    piece = replace(scan(blank, noise_um=10.0, covariance=covariance), trueness_um=15.0)
    for reading in take(blank.prepared, piece).values():
        if reading.status == "measured":
            assert reading.witness is not None
            assert reading.u == pytest.approx(np.sqrt(sum(c.u**2 for c in reading.budget)))


def test_a_point_in_an_outline_is_found_as_another_library_finds_it():
    # Source: matplotlib-free check by the winding number of a star polygon: sum of turned angles.
    lattice = lattice_over(np.array([[-2.0, -2.0], [2.0, 2.0]]), spacing_mm=0.21)
    angle = np.linspace(0, 2 * np.pi, 11)[:-1]
    star = np.column_stack([np.cos(angle), np.sin(angle)]) * np.where(np.arange(10) % 2, 0.7, 1.7)[:, None]
    corners = star[None] - lattice.feet[:, None, :]
    heading = np.arctan2(corners[..., 1], corners[..., 0])
    turn = np.diff(np.unwrap(np.concatenate([heading, heading[:, :1]], axis=1), axis=1), axis=1).sum(axis=1)
    assert (inside_outline(lattice, [star]) == (np.abs(turn) > np.pi)).all()


def test_an_outline_holds_its_area():
    # 6 × 3 mm: counting columns on the turned lattice errs by a few cells of 0.0025 mm².
    lattice = lattice_over(np.array([[-4.0, -2.0], [4.0, 2.0]]))
    area = inside_outline(lattice, [OUTLINE]).sum() * lattice.cell_mm2
    assert area == pytest.approx(18.0, abs=0.03)


def test_the_phantom_is_what_its_name_says():
    # Walls of the turned pocket stand at 12°; the floor of the tilted one drops by 2° along x.
    corners = Pocket(depth_mm=1.9, tilt_deg=2.0).corners(floor=True)
    rise = np.ptp(corners[:, 2]) / np.ptp(corners[:, 0])
    assert np.degrees(np.arctan(rise)) == pytest.approx(2.0, abs=1e-6)
