"""Ways through a tooth's side, in solids cut by construction: what leads in is one, a nick, a second opening or a hole of the scan is none."""

from dataclasses import replace

import access_phantoms as phantoms
import numpy as np
import pytest

from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.solids import Solid, difference
from kerfmark.measurement.access.breaches import breaches_of
from kerfmark.measurement.access.opened import Opened

IDS = {"access.perforation", "access.wall_left_mm"}
WALL_MM = phantoms.TOOTH_MM - phantoms.PLAN_MM


@pytest.fixture(scope="module")
def plain():
    return phantoms.opened(phantoms.DESIGNS["as planned"])


def across(radius_mm, *, start_mm, z_mm):
    """A bore from the outside towards the axis along −x, its flat end `start_mm` from the axis."""
    turned = Solid.cylinder(radius_mm, 9.0, segments=96).transformed(rotation_about([0.0, 1.0, 0.0], 90.0))
    return turned.moved([start_mm, 0.0, z_mm])


def read(take, solid, *, keep=None):
    def change(piece):
        surface = evened(solid.surface(), 0.16)
        points = surface.vertices_mm + 0.01 * np.random.default_rng(4).standard_normal(surface.vertices_mm.shape)
        surface = replace(surface, vertices_mm=points)
        if keep is not None:
            surface = submesh(surface, keep(surface.vertices_mm[surface.faces].mean(axis=1)))
        return replace(piece, surface=surface)

    found = take(phantoms.DESIGNS["as planned"], change=change, noise_um=10.0, ids=IDS)
    return tuple(found[name, None, None].value for name in ("access.perforation", "access.wall_left_mm"))


def test_a_bore_that_comes_out_of_the_root_is_a_perforation(take, plain):
    assert read(take, difference(plain, across(0.5, start_mm=1.0, z_mm=-1.5))) == (1.0, 0.0)


@pytest.mark.parametrize("seen_mm", [0.4, 1.5])
def test_it_is_one_even_where_the_scan_sees_only_its_mouth(take, plain, seen_mm):
    # A scanner that looks at the root sees so much of the bore's walls; within, all the way to the cavity, nothing.
    holed = difference(plain, across(0.5, start_mm=1.0, z_mm=-1.5))

    def keep(at):
        inside = (np.hypot(at[:, 1], at[:, 2] + 1.5) < 0.52) & (at[:, 0] > 0.0)
        return ~inside | (at[:, 0] > phantoms.TOOTH_MM - seen_mm)

    assert read(take, holed, keep=keep)[0] == 1.0


def test_a_nick_in_the_root_leads_nowhere(take, plain):
    nicked = difference(plain, across(0.6, start_mm=phantoms.TOOTH_MM - 0.5, z_mm=-2.0))
    perforation, wall = read(take, nicked)
    assert perforation == 0.0
    assert wall > 2.0  # 2.8 mm stand beside the opening; what is gone from outside shows in no way out of the cavity


def test_a_second_opening_on_the_chewing_surface_is_no_perforation(take, plain):
    assert read(take, difference(plain, Solid.cylinder(0.6, 3.0, segments=96).moved([3.8, 0.0, 5.0])))[0] == 0.0


def test_a_bore_out_of_the_crown_s_side_leaves_no_wall_but_does_not_perforate_the_root(take, plain):
    assert read(take, difference(plain, across(0.5, start_mm=1.0, z_mm=4.0))) == (0.0, 0.0)


def test_a_hole_of_the_scan_beside_the_outside_is_no_way_through(take, plain):
    # The wall stands; of both its faces the scanner saw nothing over 2 mm.
    def keep(at):
        return ~((np.abs(at[:, 1]) < 1.0) & (np.abs(at[:, 2] + 1.5) < 1.0) & (at[:, 0] > 0.0))

    perforation, wall = read(take, plain, keep=keep)
    assert perforation == 0.0
    assert wall == pytest.approx(WALL_MM, abs=0.05)


def test_an_uncut_tooth_has_no_way_through():
    piece = phantoms.Blank(phantoms.DESIGNS["as planned"], 0.3).piece(np.random.default_rng(1), noise_um=10.0)
    whole = replace(piece, surface=evened(phantoms.tooth().surface(), 0.3))
    assert breaches_of(Opened(whole, phantoms.prepared())) == ()
