"""Gingiva round teeth."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from kerfmark.anatomy.arch import placed_about, touching
from kerfmark.anatomy.gingiva import local_gingiva
from kerfmark.errors import InputError


@pytest.fixture(scope="module")
def gum():
    return local_gingiva(46, edge_mm=0.25)


def test_gingiva_is_one_closed_solid(gum):
    mesh = trimesh.Trimesh(gum.vertices_mm, gum.faces, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    assert mesh.volume > 500


def test_gingiva_keeps_off_the_teeth(gum):
    for placed in placed_about(46).values():
        assert placed.field(gum.vertices_mm).min() > 0.02


@pytest.mark.parametrize("margin", [-0.5, 0.3])
def test_the_margin_follows_the_cervical_line_at_its_level(margin):
    # On the facial and lingual side, away from the papillae; 0.5 mm: the rim is rounded and the mesh 0.25 mm fine.
    gum = local_gingiva(46, edge_mm=0.25, margin_mm=margin)
    line = placed_about(46)["middle"].form.cervical_line_mm
    middle = line[np.abs(line[:, 0]) < 2.0]
    close = cKDTree(gum.vertices_mm[:, :2]).query_ball_point(middle[:, :2], r=0.6)
    level = np.array([gum.vertices_mm[near, 2].max() for near in close])
    assert np.median(level - middle[:, 2]) == pytest.approx(margin, abs=0.5)


def test_papillae_rise_between_the_teeth_but_stay_under_the_contact(gum):
    beside = placed_about(46)
    for side in ("mesial", "distal"):
        contact = touching(beside["middle"], beside[side]).point_mm
        near = gum.vertices_mm[np.linalg.norm(gum.vertices_mm[:, :2] - contact[:2], axis=1) < 2.0]
        assert 0.5 < contact[2] - near[:, 2].max() < 3.0
        # Source: common practice: the papilla stands 2 mm and more over the margin at the middle of the tooth.
        assert near[:, 2].max() > 1.5


@pytest.mark.parametrize("arguments", [{"margin_mm": 5.0}, {"depth_mm": 0.0}, {"edge_mm": 0.01}])
def test_gingiva_that_cannot_be_is_refused(arguments):
    with pytest.raises(InputError, match="expected"):
        local_gingiva(46, **arguments)
