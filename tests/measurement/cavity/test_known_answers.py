"""Every reading finds what was built: cavities cut as booleans of solids (see benchmarks/cavity_phantoms.py)."""

import cavity_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.measurement import measure

# Accuracy asked for with 10 µm noise and triangles of 0.1 mm: angles 0.3°, widths and depths 20 µm, volumes 0.5 %, small
# volumes and areas what 20 µm over their faces and edges come to; larger where u says so.
ALLOWED = {"deg": 0.3, "mm": 0.02, "um": 7.0, "1": 0.01, "mm2": 0.2, "mm3": 0.05}


@pytest.fixture(scope="module")
def cavities():
    """Cavities by name."""
    return phantoms.blanks(0.15)


def off(found, truth):
    wrong = []
    for key, true in truth.items():
        reading = found[key]
        assert reading.status == "measured", (key, reading.reason)
        allowed = max(ALLOWED[reading.unit], 0.005 * true if reading.unit == "mm3" else 0.0, 3.0 * reading.u)
        if abs(reading.value - true) > allowed:
            wrong.append((key, reading.value, true, reading.u))
    return wrong


@pytest.mark.parametrize("noise_um", [0.0, 10.0])
@pytest.mark.parametrize("name", [*phantoms.POCKETS, *phantoms.BOXES, *phantoms.OTHERS])
def test_every_reading_finds_what_was_built(cavities, name, noise_um):
    blank = cavities[name]
    found = {r.key: r for r in measure(blank.piece(np.random.default_rng(1), noise_um=noise_um), blank.prepared)}
    assert off(found, blank.truth) == []


ROUGH = {
    "as planned": {"cavity.remaining_dentine_mm": 0.05, "cavity.outline_overlap": 0.01},
    "tilted floor": {"cavity.sound_removed_mm3": 0.2},
    "undermined": {"cavity.caries_left_thickness_mm": 0.06, "cavity.remaining_dentine_mm": 0.05},
}
"""Errors (mm, mm³, 1) allowed at 50 µm noise: a noise's own size of lengths, of volumes and areas what a twelfth of it comes to."""


@pytest.mark.parametrize("name", list(ROUGH))
def test_a_rough_scan_is_not_read_to_one_side(cavities, name):
    # Before, neighbours drawn down together, normals taken singly and areas swollen by noise took off or added 0.1 to 0.3.
    blank = cavities[name]
    piece = blank.piece(np.random.default_rng(6), noise_um=50.0)
    found = {r.key: r.value for r in measure(piece, blank.prepared)}
    wrong = {key: abs(found[key, None, None] - blank.truth[key, None, None]) for key in ROUGH[name]}
    assert {key: error for key, error in wrong.items() if error > ROUGH[name][key]} == {}


def test_every_measured_reading_has_its_witness_and_budget(cavities):
    blank = cavities["mesial box"]
    found = measure(blank.piece(np.random.default_rng(2), noise_um=10.0), blank.prepared)
    measured = [r for r in found if r.id.startswith("cavity.") and r.value]
    assert len(measured) > 30
    assert all(r.witness is not None and r.budget and r.u > 0.0 for r in measured)
    assert all(r.reason for r in found if r.status != "measured")


def test_mirrored_teeth_read_the_same(cavities):
    # The same box on the mesial side of a left and on the distal side of a right block, by construction.
    blank = cavities["distal box"]
    assert blank.prepared.mesial_sign == -1
    piece = blank.piece(np.random.default_rng(3), noise_um=0.0)
    there = {r.key: r for r in measure(piece, blank.prepared)}
    mirrored = phantoms.prepared(2, mesial_sign=1, outline=None)
    here = {r.key: r for r in measure(piece, mirrored)}
    for name in ("box_width_mm", "axial_wall_height_mm", "gingival_floor_mm"):
        one, other = there[f"cavity.{name}", "distal", None], here[f"cavity.{name}", "mesial", None]
        assert one.value == pytest.approx(other.value, abs=1e-6)


def test_an_uncut_tooth_says_so(cavities):
    from block_phantoms import Blank

    uncut = Blank(phantoms.prepared(1), phantoms.TOOTH, {})
    found = measure(uncut.piece(np.random.default_rng(1), noise_um=10.0), uncut.prepared)
    cavity = [r for r in found if r.id.startswith("cavity.") and "neighbour" not in r.id and "pulp_exposed" not in r.id]
    assert {r.status for r in cavity} <= {"not_measurable", "not_applicable"}
    assert {r.reason for r in cavity if r.status == "not_measurable"} == {"nothing is cut"}


@pytest.mark.parametrize("noise_um", [0.0, 10.0, 30.0])
def test_a_box_without_a_bevel_has_a_bevel_of_no_width(noise_um):
    # The box of the bevelled phantom, plumb all round: no share of its margin may pass for a bevel.
    from block_phantoms import Blank

    from kerfmark.geometry.solids import Solid, difference

    box = Solid.box([4.5, phantoms.Y - 2.0, 2.0], [9.0, phantoms.Y + 1.0, 4.4])
    plumb = Blank(phantoms.prepared(3, outline="facial"), difference(phantoms.TOOTH, box), {})
    found = {r.key: r for r in measure(plumb.piece(np.random.default_rng(4), noise_um=noise_um), plumb.prepared)}
    width, angle = (found[f"cavity.bevel_{what}", None, None] for what in ("width_mm", "angle_deg"))
    assert width.value == 0.0
    assert angle.value == pytest.approx(90.0, abs=3.0 * angle.u)  # its plumb walls' own
    assert angle.reason.startswith("the margin has no bevel")
