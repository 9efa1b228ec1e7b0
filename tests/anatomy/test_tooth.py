"""Whole teeth: layers that tile, sites, mirror pairs, keeping."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from kerfmark.anatomy.notation import antimere
from kerfmark.anatomy.tooth import tooth
from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.mesh import volume_mm3

SAMPLE = [11, 13, 14, 16, 31, 34, 36]


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("teeth")


@pytest.fixture(scope="module", params=SAMPLE)
def made(request, cache):
    return tooth(request.param, edge_mm=0.2, cache_dir=cache)


def test_every_surface_is_closed_and_encloses_a_volume(made):
    for surface in [made.outer, *made.layers.values()]:
        mesh = trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert mesh.volume > 0


def test_layers_add_up_to_the_tooth(made):
    # The layers share their faces, so only rounding is left; 0.1 % is what is promised.
    total = sum(volume_mm3(layer) for layer in made.layers.values())
    assert total == pytest.approx(volume_mm3(made.outer), rel=1e-6)


def test_every_point_of_a_tooth_lies_in_exactly_one_layer(made):
    # Random points, told inside or outside by an outside library's winding number; points on a face are passed over.
    import igl

    rng = np.random.default_rng(7)
    points = rng.uniform(made.outer.vertices_mm.min(axis=0), made.outer.vertices_mm.max(axis=0), (4000, 3))
    inside = {
        name: np.asarray(igl.fast_winding_number(s.vertices_mm, s.faces.astype(np.int64), points)) > 0.5
        for name, s in {"outer": made.outer, **made.layers}.items()
    }
    count = sum(inside[name].astype(int) for name in made.layers)
    assert inside["outer"].sum() > 800
    assert np.array_equal(count, inside["outer"].astype(int))


def test_the_pulp_keeps_its_distance_from_the_outside_everywhere(made):
    # 0.5 mm is what is built in; 0.1 mm is allowed for the grids it is read from (0.2 mm, linear between voxels).
    grid = distance_grid(made.outer, spacing_mm=0.2, band_mm=0.8)
    assert sample(grid, made.layers["pulp"].vertices_mm).max() < -0.4


def test_the_pulp_keeps_its_distance_from_enamel_everywhere(made):
    junction = cKDTree(made.layers["enamel"].vertices_mm)
    # Vertices of the junction stand 0.2 mm apart, so a distance to them errs by less than 0.05 mm at 0.4 mm.
    assert junction.query(made.layers["pulp"].vertices_mm)[0].min() > 0.4


def test_enamel_ends_at_the_cervical_line(made):
    # The lowest enamel by azimuth is the cervical line; 0.1 mm is half an edge of this mesh.
    enamel = made.layers["enamel"].vertices_mm
    line = made.cervical_line_mm
    nearest = cKDTree(enamel).query(line)[0]
    assert np.percentile(nearest, 95) < 0.15
    outside = enamel[cKDTree(made.outer.vertices_mm).query(enamel)[0] < 1e-9]
    below = cKDTree(line[:, :2]).query(outside[:, :2])[1]
    assert (outside[:, 2] - line[below, 2]).min() > -0.25


def test_mirror_pairs_are_exact(made):
    other = tooth(antimere(made.fdi), edge_mm=0.2)
    flip = np.array([-1.0, 1.0, 1.0])
    assert other.mesial_sign == -made.mesial_sign
    for name, layer in made.layers.items():
        assert np.array_equal(layer.vertices_mm * flip, other.layers[name].vertices_mm)
        assert np.array_equal(layer.faces[:, ::-1], other.layers[name].faces)
    for name, site in made.sites.items():
        assert np.array_equal(site.point_mm * flip, other.sites[name].point_mm)


def test_a_kept_tooth_is_the_tooth_that_was_made(made, cache):
    # Also: making it twice gives the same bits, since `made` may itself have been made or kept.
    again = tooth(made.fdi, edge_mm=0.2, cache_dir=cache)
    fresh = tooth(made.fdi, edge_mm=0.2)
    assert again.sites.keys() == fresh.sites.keys()
    for a, b in zip([again.outer, *again.layers.values()], [fresh.outer, *fresh.layers.values()], strict=True):
        assert np.array_equal(a.vertices_mm, b.vertices_mm)
        assert np.array_equal(a.faces, b.faces)


def test_a_damaged_kept_tooth_is_made_again(tmp_path):
    tooth(31, edge_mm=0.3, cache_dir=tmp_path)
    (place,) = (tmp_path / "teeth").iterdir()
    whole = place.read_bytes()
    place.write_bytes(whole[: len(whole) // 2])
    assert len(tooth(31, edge_mm=0.3, cache_dir=tmp_path).outer.faces) > 1000
    assert place.read_bytes() == whole


def test_another_seed_is_another_tooth():
    assert volume_mm3(tooth(31, seed=1, edge_mm=0.3).outer) != volume_mm3(tooth(31, seed=2, edge_mm=0.3).outer)


def test_orifices_lie_inside_the_pulp_and_apices_on_the_tooth(made):
    pulp = trimesh.Trimesh(made.layers["pulp"].vertices_mm, made.layers["pulp"].faces, process=False)
    assert pulp.contains(np.array(list(made.orifices.values()))).all()
    apices = np.array([s.point_mm for s in made.sites.values() if s.role == "apex"])
    assert cKDTree(made.outer.vertices_mm).query(apices)[0].max() < 0.5


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"fdi": 19}, "expected an FDI number"),
        ({"fdi": 46, "edge_mm": 0.01}, "1 GiB"),
        ({"fdi": 46, "edge_mm": float("nan")}, "edge_mm"),
        ({"fdi": 46, "seed": -1}, "seed"),
        ({"fdi": 46, "seed": 1.5}, "seed"),
    ],
)
def test_what_cannot_be_made_is_refused_in_a_sentence(arguments, says):
    with pytest.raises(InputError, match=says):
        tooth(**arguments)
