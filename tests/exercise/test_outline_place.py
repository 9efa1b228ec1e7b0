"""A planned outline that does not lie on the subject is refused with one sentence."""

from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.exercise.preparing.plausible import check_together
from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid

BLOCK = Solid.box([-5, -4, -3], [5, 4, 0]).surface()
GRID = distance_grid(BLOCK, spacing_mm=0.2, band_mm=0.8)


def exercise(outline, family="cavity"):
    frame = SimpleNamespace(origin=(0.0, 0.0, 0.0), occlusal=(0.0, 0.0, 1.0), facial=(0.0, 1.0, 0.0), mesial="+x")
    return SimpleNamespace(family=family, frame=frame, target=SimpleNamespace(outline=outline, surface=None))


RING = np.array([[np.cos(a), np.sin(a), 0.0] for a in np.linspace(0, 6, 20)])


def test_an_outline_on_the_surface_is_taken():
    assert check_together(exercise(RING.tolist()), Surfaces(BLOCK), GRID) == ()


@pytest.mark.parametrize("family", ["cavity", "access"])
def test_an_outline_off_the_surface_is_refused(family):
    with pytest.raises(InputError, match=r"20 of its 20 points lie over 0\.5 mm from the subject's surface"):
        check_together(exercise((RING + np.array([0.0, 0.0, 30.0])).tolist(), family), Surfaces(BLOCK), GRID)


def test_an_outline_of_a_crown_is_its_margin_and_may_lie_lower():
    assert check_together(exercise((RING + np.array([0.0, 0.0, 30.0])).tolist(), "crown"), Surfaces(BLOCK), GRID) == ()
