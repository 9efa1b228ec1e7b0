"""Orifices found on a pulp."""

import numpy as np
import pytest

from kerfmark.anatomy.orifices import orifices_of
from kerfmark.anatomy.tooth import tooth
from kerfmark.geometry.solids import box, cylinder, union


def chamber(canals, parts=()):
    """A chamber 4 mm across and 2 mm high on a floor at 0, straight canals of 0.4 mm radius below it."""
    tubes = [cylinder(0.4, 8.1).moved([x, y, -8.0]) for x, y in canals]
    return union(box([-2.0, -2.0, 0.0], [2.0, 2.0, 2.0]), *tubes, *parts).surface()


def test_canals_that_leave_a_flat_floor_are_found_in_their_places():
    # By construction; half a voxel of 0.1 mm in the plane, a voxel below the floor.
    canals = [(-1.2, 0.5), (0.0, -1.3), (1.2, 0.9)]
    found = orifices_of(chamber(canals), cervical_mm=1.0)
    assert list(found) == ["canal 1", "canal 2", "canal 3"]
    assert np.array(list(found.values()))[:, :2] == pytest.approx(np.array(canals), abs=0.06)
    assert np.array(list(found.values()))[:, 2] == pytest.approx(-0.1, abs=0.1)


def test_a_dip_of_the_floor_is_no_canal():
    found = orifices_of(
        chamber([(-1.2, 0.0), (1.2, 0.0)], [cylinder(0.4, 1.1).moved([0.0, 1.4, -1.0])]), cervical_mm=1.0
    )
    assert len(found) == 2


def test_a_canal_that_divides_deep_has_one_mouth():
    # A ribbon that parts into two tubes 4 mm below the floor: the lower molar's mesial root.
    ribbon = box([0.9, -1.0, -4.0], [1.5, 1.0, 0.1])
    tubes = [cylinder(0.25, 4.5).moved([1.2, y, -8.0]) for y in (-0.7, 0.7)]
    found = orifices_of(chamber([(-1.2, 0.0)], [ribbon, *tubes]), cervical_mm=1.0)
    assert len(found) == 2
    assert found["canal 2"][:2] == pytest.approx([1.2, 0.0], abs=0.06)


def test_a_single_canal_has_its_orifice_below_the_neck():
    tube = cylinder(0.6, 12.0).moved([0.3, 0.0, -10.0]).surface()
    assert orifices_of(tube, cervical_mm=0.0) == {"canal": pytest.approx([0.3, 0.0, -1.2], abs=0.06)}


@pytest.mark.parametrize(("fdi", "within"), [(36, 0.35), (16, 0.35), (14, 0.35), (11, 0.75)])
def test_orifices_of_generated_teeth_are_found_where_they_were_made(fdi, within, tmp_path):
    # One canal has no floor: there two conventions are compared.
    made = tooth(fdi, edge_mm=0.2, cache_dir=tmp_path)
    known, at = (np.array(list(o.values())) for o in (made.orifices, orifices_of(made.layers["pulp"], cervical_mm=0.0)))
    assert len(at) == len(known)
    assert np.linalg.norm(known[:, None] - at, axis=2).min(axis=1).max() < within
