"""Which of the old surface's points lie over a wall: those whose normals meet it, or would but for a hole in the scan."""

from types import SimpleNamespace

import crown_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.measurement.crown.reduction import axial_reduction
from kerfmark.measurement.crown.stump import Stump
from kerfmark.records import Surface

DESIGN = phantoms.DESIGNS["shoulder, 12°"]
OCCLUSAL = ("buccal/occlusal", "median")


def taken(piece, prepared):
    return {(r.where, r.stat): r for r in axial_reduction(Stump(piece, prepared))}


def test_normals_that_pass_over_the_stump_belong_to_no_third(scan):
    # Built: every fourth normal of the old surface is turned up by 45°. From 1.4 mm outside the wall it passes over a top less
    # than 1.4 mm higher, so all of the occlusal third's do (4 mm / 3), and the others meet what they met before.
    piece, prepared, _ = scan(DESIGN)
    normals = prepared.surface_normals.copy()
    normals[::4] = (normals[::4] + np.array([0.0, 0.0, 1.0])) / np.sqrt(2.0)
    turned = SimpleNamespace(**{**vars(prepared), "surface_normals": normals})
    before, after = taken(piece, prepared)[OCCLUSAL], taken(piece, turned)[OCCLUSAL]
    assert after.status == "measured"
    assert after.value == pytest.approx(before.value, abs=0.02)


def test_a_hole_in_the_scan_still_keeps_a_third_from_being_read(scan):
    piece, prepared, _ = scan(DESIGN)
    middles = piece.surface.vertices_mm[piece.surface.faces].mean(axis=1)
    hole = (middles[:, 1] > 2.0) & (np.abs(middles[:, 0]) < 1.0) & (middles[:, 2] > 3.0) & (middles[:, 2] < 3.6)
    found = taken(phantoms.piece_of(Surface(piece.surface.vertices_mm, piece.surface.faces[~hole])), prepared)
    assert found[OCCLUSAL].status == "not_measurable"
    assert found[OCCLUSAL].reason.startswith("no stump within 5 mm of ")
    assert found["lingual/occlusal", "median"].status == "measured"
