"""The section an orifice's way out is drawn in."""

from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.measurement.access.straight import _plane


def test_a_way_out_without_a_bend_lies_in_its_section():
    # Canal and way lean from the axis alike, to a side other than that of the other orifices: a section towards these would show
    # the way shortened, and its angle was not drawn at all.
    way = np.array([-0.3, -0.2, 1.0]) / np.linalg.norm([-0.3, -0.2, 1.0])
    up = np.array([0.0, 0.0, 1.0])
    case = SimpleNamespace(
        axis=up, orifices=np.array([[1.4, 1.0, -1.3], [1.4, -1.0, -1.3]]), plane=lambda name, at, across: across
    )
    across = _plane(case, case.orifices[0], way, way, "1")
    assert way @ np.cross(across, up) == pytest.approx(0.0, abs=1e-12)
