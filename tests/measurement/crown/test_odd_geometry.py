"""Whatever comes in, every reading gets a status and a reason, and nothing is raised."""

import crown_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.geometry.phantoms import refined
from kerfmark.geometry.solids import Solid
from kerfmark.measurement.crown import CROWN
from kerfmark.records import Surface

DESIGN = phantoms.DESIGNS["shoulder, 12°"]


def everything(surface, prepared, noise_um=10.0):
    piece = phantoms.piece_of(surface, noise_um=noise_um)
    made = {context: context(piece, prepared) for context in {m.context for m in CROWN}}
    return {r.key: r for m in CROWN for r in m.function(made[m.context])}


def without(surface, gone):
    centres = surface.vertices_mm[surface.faces].mean(axis=1)
    return Surface(surface.vertices_mm, surface.faces[~gone(centres)])


ODD = {
    "an uncut tooth": lambda s: refined(phantoms.tooth(DESIGN).surface(), 0.2),
    "a flat disc": lambda s: refined(Solid.cylinder(5.0, 0.4).surface(), 0.2),
    "half a margin": lambda s: without(s, lambda c: (c[:, 1] < 0) & (c[:, 2] < 0.8)),
    "a ball": lambda s: refined(Solid.sphere(4.0).surface(), 0.25),
    "the top alone": lambda s: without(s, lambda c: c[:, 2] < 2.0),
    "three faces": lambda s: Surface(s.vertices_mm, s.faces[:3]),
    "nothing at all": lambda s: Surface(np.empty((0, 3)), np.empty((0, 3), np.int32)),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_pieces_get_a_status_and_a_reason(scan, name):
    piece, prepared, _ = scan(DESIGN, noise_um=10.0)
    for reading in everything(ODD[name](piece.surface), prepared).values():
        if reading.status == "measured":
            assert np.isfinite([reading.value, reading.u]).all()
        else:
            assert reading.value is None
            assert reading.reason


def test_an_uncut_tooth_has_no_convergence_and_says_why(scan):
    _, prepared, _ = scan(DESIGN)
    found = everything(refined(phantoms.tooth(DESIGN).surface(), 0.2), prepared)
    reading = found["crown.total_occlusal_convergence_deg", "BL", None]
    assert reading.status == "not_measurable"
    assert "nothing is cut" in reading.reason


def test_a_hole_in_a_wall_spoils_the_readings_of_that_wall_alone(scan):
    piece, prepared, _ = scan(DESIGN, noise_um=10.0)
    hole = without(piece.surface, lambda c: (c[:, 1] > 0) & (np.abs(c[:, 0]) < 0.6) & (c[:, 2] > 1.2) & (c[:, 2] < 2.5))
    found = everything(hole, prepared)
    assert "hole" in found["crown.taper_deg", "buccal", None].reason
    assert found["crown.taper_deg", "lingual", None].status == "measured"
    assert "left out" in found["crown.finish_line_width_mm", "buccal", "median"].reason


def test_without_a_scan_before_cutting_the_shape_alone_gives_margin_and_walls(scan):
    piece, _, truth = scan(DESIGN, noise_um=10.0)
    found = everything(piece.surface, phantoms.prepared_for(None))
    key = "crown.finish_line_width_mm", "buccal", "median"
    assert found[key].value == pytest.approx(truth[key], abs=0.02)
    assert found["crown.axial_reduction_mm", "buccal/middle", "median"].reason == "no scan before cutting"
