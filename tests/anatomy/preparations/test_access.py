"""The planned outline of an access, from chamber and cervical section."""

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.preparations.access import OPENED_MM, CervicalSection, access_site, planned_ring
from kerfmark.anatomy.tooth import tooth
from kerfmark.geometry.mesh import transformed

TURN = np.linspace(0.0, 2.0 * np.pi, 600, endpoint=False)
CIRCLE = np.column_stack([np.cos(TURN), np.sin(TURN)])


@pytest.fixture(
    scope="module", params=[(11, (0.0, -0.2, 1.0)), (14, (0.0, 0.0, 1.0)), (16, (0.0, 0.0, 1.0)), (36, (0.0, 0.0, 1.0))]
)
def opened(request, tmp_path_factory):
    fdi, axis = request.param
    made = tooth(fdi, edge_mm=0.2, cache_dir=tmp_path_factory.mktemp("teeth"))
    return made, access_site(made, axis=np.array(axis))


def test_distances_inside_a_section_are_those_of_a_circle():
    # Plane geometry.
    neck = CervicalSection(0.0, 4.0 * CIRCLE, 2.0 * CIRCLE, 2.0)
    assert neck.inside_mm(np.array([[0.0, 0.0], [3.0, 0.0], [0.0, -5.0]])) == pytest.approx([4.0, 1.0, -1.0], abs=1e-3)


def test_rounding_carries_an_outline_no_nearer_to_the_outside_than_the_wall():
    # A flat chamber, 5 by 1 mm, in an oval section 0.9 mm off its sides: five waves round it cannot follow, and would bulge.
    flat = CIRCLE * [0.5, 2.5]
    square = CIRCLE / [0.5, 2.5]
    neck = CervicalSection(0.0, flat + 0.9 * square / np.linalg.norm(square, axis=1, keepdims=True), flat, 0.9)
    ring, _ = planned_ring(flat, middle=np.zeros(2), neck=neck)
    free, _ = planned_ring(flat, middle=np.zeros(2), neck=CervicalSection(0.0, 9.0 * CIRCLE, flat, 0.9))
    assert neck.inside_mm(ring).min() > 0.9 - OPENED_MM - 0.02
    assert neck.inside_mm(free).min() < 0.9 - OPENED_MM - 0.1


def test_the_outline_lies_inside_the_cervical_section_by_the_wall_or_where_the_chamber_takes_it(opened):
    # Second opinion: trimesh's section and distances. Where it is nearer to the outside than the wall less 0.2 mm, the chamber,
    # its horns or a canal's mouth lie within 0.5 mm of it: its own room of 0.2 mm, and what a mouth is (0.35 mm about its middle).
    made, site = opened
    outer = transformed(made.outer, site.into)
    path = trimesh.Trimesh(outer.vertices_mm, outer.faces, process=False).section(
        [0.0, 0.0, 1.0], [0.0, 0.0, site.neck.level_mm]
    )
    border = max(path.discrete, key=len)[:, :2]
    fine = np.vstack(
        [np.linspace(a, b, 8, endpoint=False) for a, b in zip(border, np.roll(border, -1, axis=0), strict=True)]
    )
    away = np.linalg.norm(site.ring_mm[:, None] - fine, axis=2).min(axis=1)
    assert away.min() > 1.2
    near = site.ring_mm[away < site.neck.wall_mm - OPENED_MM - 0.05]
    pulp = transformed(made.layers["pulp"], site.into).vertices_mm
    chamber = np.vstack([pulp[pulp[:, 2] > site.floor_mm][:, :2], site.mouths_mm[:, :2]])
    assert np.linalg.norm(near[:, None] - chamber, axis=2).min(axis=1).max(initial=0.0) < 0.6


def test_the_chamber_s_walls_are_as_far_from_the_outside_all_round(opened):
    # Source: Krasner & Rankow (2004), laws of centrality and concentricity; 0.35 mm covers the corners where horns stand.
    _, site = opened
    wall = site.neck.inside_mm(site.neck.chamber_mm)
    assert np.abs(np.percentile(wall, [5.0, 95.0]) - site.neck.wall_mm).max() < 0.35
    assert np.linalg.norm(site.neck.chamber_mm.mean(axis=0) - site.neck.outer_mm.mean(axis=0)) < 0.3
