"""A section placed by a reading of a bridge shows the abutment it belongs to, not the one beyond the gap."""

from types import SimpleNamespace

import numpy as np

from kerfmark.geometry.mesh import joined, transformed
from kerfmark.geometry.solids import Solid
from kerfmark.records import SectionPlane
from kerfmark.reports.sections.outlines import outlines_of

FAR_MM = 20.0


def test_a_section_of_a_bridge_shows_one_abutment():
    # Built: two cylinders of 8 mm across, 20 mm apart, cut along the line through both beside the first one's contact.
    first = Solid.cylinder(4.0, 8.0).surface()
    away = np.eye(4)
    away[0, 3] = FAR_MM
    both = joined([first, transformed(first, away)])
    rest = {"subject": None, "layers": {}, "neighbours": {}, "implant": None, "target": None, "target_grid": None}
    plane = SectionPlane("MD at 14", np.array([-4.0, 0.0, 0.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    piece = SimpleNamespace(surface=both, neighbours={})
    for abutments, reaches in (((), 20.0), (("36", "38"), 0.0)):
        prepared = SimpleNamespace(**rest, abutments=abutments)
        found = outlines_of(plane, piece, prepared, floor_mm=-9.0, limit_mm=0.15)
        assert np.isclose(max(c[:, 0].max() for c in found.piece), 8.0 + reaches, atol=0.1)
