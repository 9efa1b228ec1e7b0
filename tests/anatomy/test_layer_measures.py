"""Thicknesses and distances of the layers, against published values, on our teeth and on real ones."""

import sys
from pathlib import Path

import numpy as np
import pytest
import SimpleITK
import trimesh

from kerfmark.anatomy import layer_measures as m
from kerfmark.anatomy.tooth import tooth
from kerfmark.anatomy.voxels import layer_grids
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.records import Surface

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
from real_teeth import REAL, real_tooth

needs_real = pytest.mark.skipif(not REAL.is_dir(), reason="the real layered teeth are not beside the project")


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("teeth")


def layers(fdi, cache):
    return tooth(fdi, edge_mm=0.2, cache_dir=cache).layers


# Source: Deutsch & Musikant (2004), 100 molars of each jaw, mean and standard deviation, mm.
PUBLISHED = {
    "floor_to_furcation": ((3.05, 0.79), (2.96, 0.78)),
    "ceiling_to_furcation": ((4.91, 1.06), (4.55, 0.91)),
    "cusp_to_furcation": ((11.15, 1.21), (10.90, 1.21)),
    "cusp_to_floor": ((8.08, 0.88), (7.95, 0.79)),
    "cusp_to_ceiling": ((6.24, 0.88), (6.36, 0.93)),
    "height": ((1.88, 0.69), (1.57, 0.68)),
}


def chamber(fdi, cache):
    made = tooth(fdi, edge_mm=0.2, cache_dir=cache)
    cusp = made.sites["mesiobuccal cusp"].point_mm[2]
    return m.chamber_distances(made.layers["dentine"], made.layers["pulp"], cusp_mm=cusp)


@pytest.mark.parametrize("fdi", [16, 17, 36, 37])
def test_chambers_of_molars_lie_inside_the_published_ranges(fdi, cache):
    # The paper gives no least and greatest values; its range is taken as mean ± one standard deviation, nothing added.
    found = chamber(fdi, cache)
    for name, ranges in PUBLISHED.items():
        mean, sd = ranges[0 if fdi < 30 else 1]
        assert abs(getattr(found, name) - mean) < sd, name


@pytest.mark.parametrize(("first", "second"), [(16, 17), (36, 37)])
def test_chambers_have_the_published_means(first, second, cache):
    # Half the 0.5 mm to which the paper's distances were read.
    both = chamber(first, cache), chamber(second, cache)
    for name, ranges in PUBLISHED.items():
        mean = ranges[0 if first < 30 else 1][0]
        assert sum(getattr(found, name) for found in both) / 2 == pytest.approx(mean, abs=0.25), name


# Source: Sturdevant, ch. 1 (from memory): incisal about 2.0, premolars 2.3 to 2.5, molars 2.5 to 3.0 mm; 0.3 mm is allowed
# for incisors ("about") and 0.15 mm elsewhere for reading from the tip instead of along the axis.
TOPS = {
    11: (1.7, 2.3),
    31: (1.7, 2.3),
    13: (1.7, 2.4),
    14: (2.15, 2.65),
    35: (2.15, 2.65),
    16: (2.4, 3.0),
    36: (2.4, 3.0),
}


@pytest.mark.parametrize(("fdi", "limits"), TOPS.items())
def test_enamel_over_cusps_and_edges_is_as_thick_as_published(fdi, limits, cache):
    enamel, dentine = layers(fdi, cache)["enamel"], layers(fdi, cache)["dentine"]
    thickness = m.enamel_thickness(m.cusp_tips(enamel), dentine)
    assert limits[0] < np.median(thickness) < limits[1]


@pytest.mark.parametrize("fdi", [14, 16, 35, 36])
def test_side_walls_carry_about_one_millimetre_in_the_middle_third(fdi, cache):
    # Source: 1.0 to 1.3 mm for side walls of permanent crowns; 0.1 mm allowed for where a third begins.
    found = m.wall_thirds(layers(fdi, cache)["enamel"], layers(fdi, cache)["dentine"])
    for side, (cervical, middle, occlusal) in found.items():
        assert 0.9 < middle < 1.4, side
        assert cervical < middle < occlusal


@pytest.mark.parametrize("fdi", [14, 15, 16, 17, 35, 36, 37])
def test_dentine_lies_about_one_and_a_half_millimetres_under_the_fissure_entry(fdi, cache):
    # Source: common practice, 1.3 to 1.5 mm, so that a floor 1.5 mm deep lies 0.1 to 0.2 mm into dentine; 0.05 mm allowed.
    found = m.fissure(layers(fdi, cache)["enamel"], layers(fdi, cache)["dentine"])
    assert 1.25 < found.junction_depth_mm < 1.55
    assert 0.2 < found.floor_enamel_mm < found.junction_depth_mm


def test_thickness_of_a_shell_is_the_difference_of_its_radii():
    # Source: concentric spheres of 5 and 4 mm; a sphere of 5,120 faces lies up to 0.01 mm inside its radius.
    ball = trimesh.creation.icosphere(subdivisions=4, radius=4.0)
    dentine = Surface(np.array(ball.vertices), np.array(ball.faces, dtype=np.int32))
    points = 5.0 * np.array([[1, 0, 0], [0, 0, 1], [0.6, 0.8, 0]])
    assert m.enamel_thickness(points, dentine) == pytest.approx(1.0, abs=0.01)


@needs_real
def test_the_same_code_reads_plausible_distances_off_a_real_lower_molar():
    # Source: OpenMandible (Vukicevic et al. 2021), lower left first molar; within 3 standard deviations of Deutsch & Musikant.
    enamel, dentine, pulp = real_tooth("tooth_L6", "L6")
    found = m.chamber_distances(dentine, pulp, cusp_mm=float(np.median(m.cusp_tips(enamel)[:, 2])))
    for name, (_, (mean, sd)) in PUBLISHED.items():
        assert abs(getattr(found, name) - mean) < 3 * sd, name


@needs_real
@pytest.mark.parametrize(("name", "stem"), [("tooth_L4", "L4"), ("tooth_L6", "L6")])
def test_the_same_code_reads_plausible_enamel_off_real_teeth(name, stem):
    # Source: the same teeth; 0.4 to 1.4 mm covers the published 1.0 to 1.3 mm and worn, segmented teeth.
    enamel, dentine, _ = real_tooth(name, stem)
    for cervical, middle, occlusal in m.wall_thirds(enamel, dentine).values():
        assert 0.4 < middle < 1.4
        assert cervical < middle < occlusal
    assert 1.0 < m.enamel_thickness(m.cusp_tips(enamel), dentine).max() < 3.0


@needs_real
def test_a_label_grid_of_a_real_tooth_holds_its_layers_volumes_by_partial_voxels():
    # Source: OpenMandible's lower left first premolar; second opinion: trimesh's volumes of the closed layers. Voxels of
    # 0.15 mm counted by the share a face leaves of each: 1 % (enamel is a shell, most of its voxels are partial).
    layers = dict(zip(("enamel", "dentine", "pulp"), real_tooth("tooth_L4", "L4"), strict=True))
    for name, grid in layer_grids(layers, spacing_mm=0.15).items():
        share = np.clip(0.5 - grid.values / grid.spacing_mm, 0.0, 1.0)
        mesh = trimesh.Trimesh(layers[name].vertices_mm, layers[name].faces, process=False)
        assert share.sum() * grid.spacing_mm**3 == pytest.approx(abs(mesh.volume), rel=0.01), name


@needs_real
def test_distance_to_a_real_pulp_is_that_of_a_distance_map_by_simpleitk():
    # Second opinion: ITK's signed distance map (Maurer) of the pulp's voxels, at points in the dentine. Voxels of 0.15 mm: 0.26 mm at the
    # worst (half a voxel's diagonal at either end), 0.05 mm on average.
    _, dentine, pulp = real_tooth("tooth_L4", "L4")
    grid = layer_grids({"dentine": dentine, "pulp": pulp}, spacing_mm=0.15)["pulp"]
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray((grid.values < 0).transpose(2, 1, 0)).astype(np.uint8))
    image.SetOrigin(np.asarray(grid.origin_mm).tolist())
    image.SetSpacing([grid.spacing_mm] * 3)
    mapped = SimpleITK.SignedMaurerDistanceMap(
        image, insideIsPositive=False, squaredDistance=False, useImageSpacing=True
    )
    points = dentine.vertices_mm[::37]
    theirs = np.array([mapped[mapped.TransformPhysicalPointToIndex(point.tolist())] for point in points])
    ours = ClosestPoint(pulp).query(points, max_distance_mm=20.0)[1]
    outside = theirs > 0.3
    assert outside.sum() > 50
    assert ours[outside] == pytest.approx(theirs[outside], abs=0.26)
    assert abs(float(np.mean(ours[outside] - theirs[outside]))) < 0.05
