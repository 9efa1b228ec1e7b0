"""Nicks have the depth asked for and the volume of a spherical cap."""

import numpy as np
import pytest

from kerfmark.anatomy.preparations import nick
from kerfmark.geometry.solids import box


def test_a_nick_in_a_flat_wall_is_a_spherical_cap():
    # Source: cap volume π d² (3R − d) / 3. Tolerance: the ball has 96 facets round.
    wall = box([0.0, -5.0, -5.0], [5.0, 5.0, 5.0]).refined(0.5).surface()
    nicked = nick(wall, towards_mm=np.array([-1.0, 0.1, 0.1]), depth_mm=0.2, radius_mm=0.8)
    assert nicked.volume_mm3 == pytest.approx(np.pi * 0.2**2 * (3 * 0.8 - 0.2) / 3, rel=0.02)
