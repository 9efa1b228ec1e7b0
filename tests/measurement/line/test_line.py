from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Surface

# Truth: the tool's own path (line_phantoms). Accuracy to reach with 10 µm noise: lengths within 20 µm; completeness
# within 20 µm at each of up to four ends over 12 mm.
NAMES = [
    "as planned",
    "wandering",
    "beside it",
    "with a gap",
    "round-ended",
    "widening",
    "rising and falling",
    "on a curve",
]
TOLERANCE = {"line.completeness": 4 * 0.020 / 12.0}


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
@pytest.mark.parametrize("name", NAMES)
def test_readings_of_a_known_groove(grooves, scan, take, name, noise_um):
    blank = grooves[name]
    found = take(blank.prepared, scan(blank, noise_um=noise_um))
    for key, truth in blank.truth.items():
        assert found[key].value == pytest.approx(truth, abs=TOLERANCE.get(key[0], 0.020)), key


@pytest.mark.parametrize("noise_um", [30.0, 50.0])
def test_noisier_scans_stay_within_three_of_their_own_uncertainties(grooves, scan, take, noise_um):
    for name in ("wandering", "rising and falling"):
        blank = grooves[name]
        found = take(blank.prepared, scan(blank, noise_um=noise_um))
        for key, truth in blank.truth.items():
            assert abs(found[key].value - truth) <= 3.0 * found[key].u + 0.002, key


def test_what_needs_a_motion_says_so(grooves, scan, take):
    found = take(grooves["as planned"].prepared, scan(grooves["as planned"]))
    for name in ("line.lifts", "line.passes", "line.time_s", "line.steering_bits_per_s"):
        assert (found[name, None, None].status, found[name, None, None].reason) == (
            "not_applicable",
            "needs a recorded motion",
        )


def test_an_untouched_plate_has_no_groove(grooves, scan, take):
    from line_phantoms import PLATE, Blank

    blank = Blank(grooves["as planned"].prepared, PLATE, {})
    found = take(blank.prepared, scan(blank, noise_um=10.0))
    assert found["line.completeness", None, None].value == 0.0
    assert found["line.lateral_rms_mm", None, None].reason == "no groove was found along the line"


def test_a_scan_from_above_gives_the_same(grooves, scan, take):
    blank = grooves["wandering"]
    piece = scan(blank, noise_um=10.0)
    keep = (piece.surface.vertices_mm[piece.surface.faces][..., 2] > -2.0).all(axis=1)
    above = replace(piece, surface=Surface(piece.surface.vertices_mm, piece.surface.faces[keep]))
    whole, half = (take(blank.prepared, p) for p in (piece, above))
    # Tolerance: the plate's own level is read from fewer points; a tenth of the 20 µm aimed at is 2 µm, ends of the groove take 3.
    for key in blank.truth:
        assert half[key].value == pytest.approx(whole[key].value, abs=3e-3), key


def test_a_shifted_piece_reads_the_shift_and_its_uncertainty_covers_it(grooves, scan, take):
    # 30 µm to the left, with an alignment that is sure to 30 µm: the reading is 30 µm, u about as much.
    blank = grooves["as planned"]
    piece = scan(blank, covariance=np.diag([0, 0, 0, 0, 0.030**2, 0.0]))
    base = Surface(scan(blank).surface.vertices_mm + np.array([0.0, 0.030, 0.0]), piece.surface.faces)
    found = take(blank.prepared, replace(piece, surface=base))["line.lateral_rms_mm", None, None]
    assert found.value == pytest.approx(0.030, abs=0.002)
    assert 0.02 < found.u < 0.06


def test_a_piece_shifted_along_its_line_loses_an_end_and_u_says_so(grooves, scan, take):
    # 30 µm along the line with an alignment sure to 30 µm: what leaves the line at one end is 30 µm of its length, u about as much;
    # at the other end the groove overruns by it. Tolerance: 5 µm, the ends' own uncertainty without noise.
    blank = grooves["as planned"]
    piece = scan(blank, covariance=np.diag([0, 0, 0, 0.030**2, 0.0, 0.0]))
    moved = Surface(scan(blank).surface.vertices_mm + np.array([0.030, 0.0, 0.0]), piece.surface.faces)
    found = take(blank.prepared, replace(piece, surface=moved))
    path = np.asarray(blank.prepared.line)
    length = float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum())
    complete = found["line.completeness", None, None]
    assert (1.0 - complete.value) * length == pytest.approx(0.030, abs=0.005)
    assert 0.025 < complete.u * length < 0.035
    ends = [found["line.overrun_mm", end, None] for end in ("start", "end")]
    assert max(e.value for e in ends) == pytest.approx(0.030, abs=0.005)
    assert all(0.025 < e.u < 0.035 for e in ends)


def test_a_closed_line_has_no_ends(scan, take):
    from block_phantoms import Blank
    from line_phantoms import PLATE, prepared_line

    from kerfmark.geometry.solids import Solid, difference

    turn = np.linspace(0.0, 2 * np.pi, 181)
    circle = 2.5 * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(181)])
    made = SimpleNamespace(**{**vars(prepared_line(curved=False)), "line": circle})
    ring = difference(Solid.cylinder(3.0, 2.0), Solid.cylinder(2.0, 2.0)).moved([0, 0, -0.8])
    blank = Blank(made, difference(PLATE, ring), {})
    found = take(made, scan(blank, noise_um=10.0))
    assert found["line.overrun_mm", "start", None].status == "not_applicable"
    assert found["line.lateral_rms_mm", None, None].value < 0.02
    assert found["line.completeness", None, None].value > 0.97
