"""The bone round an arch, a model base, and a simulated CT of both."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import cKDTree

from kerfmark.anatomy.arch import arch
from kerfmark.anatomy.gingiva import gingiva
from kerfmark.anatomy.greys import GREYS, simulated_ct
from kerfmark.anatomy.jaw import CANAL_RADIUS_MM, jaw_bone, typodont_base
from kerfmark.errors import InputError
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.grids import sample

SPACING_MM = 0.6


@pytest.fixture(scope="module", params=["lower", "upper"])
def teeth(request):
    return arch(request.param)


@pytest.fixture(scope="module")
def bone(teeth):
    return jaw_bone(teeth, spacing_mm=SPACING_MM)


def test_bone_is_closed_cortical_round_cancellous(bone):
    for part in bone.parts.values():
        mesh = trimesh.Trimesh(part.vertices_mm, part.faces, process=False)
        assert mesh.is_watertight
        assert mesh.volume > 3000
    shell, core = (bone.parts[name].vertices_mm for name in ("cortical", "cancellous"))
    assert (shell.min(axis=0) < core.min(axis=0)).all()
    assert (shell.max(axis=0) > core.max(axis=0)).all()


def test_roots_stand_in_sockets_with_a_ligament_space(teeth, bone):
    # No point of a tooth lies in bone; apices have bone within 1 mm of the 0.25 mm ligament.
    for placed in teeth.teeth:
        inside = sample(bone.bone_grid, placed.surface(edge_mm=0.3).vertices_mm)
        assert inside.min() > -0.1
    apices = np.array([
        transform_points(p.matrix, s.point_mm[None])[0]
        for p in teeth.teeth for s in p.form.sites.values() if s.role == "apex"
    ])  # fmt: skip
    distance = cKDTree(bone.parts["cortical"].vertices_mm).query(apices)[0]
    assert np.median(distance) < 1.0


def test_the_mandibular_canal_runs_in_bone_to_a_foramen_on_the_facial_plate():
    teeth = arch("lower")
    bone = jaw_bone(teeth, spacing_mm=SPACING_MM)
    assert set(bone.canals_mm) == set(bone.foramina_mm) == {"right", "left"}
    for canal in bone.canals_mm.values():
        # The canal itself is hollow, and there is bone beside it, over and under.
        deep = canal[len(canal) // 5 : -len(canal) // 3]
        assert (sample(bone.bone_grid, deep) > 0).all()
        for way in ([0, 0, 1.0], [0, 0, -1.0]):
            assert (sample(bone.bone_grid, deep + (CANAL_RADIUS_MM + 0.8) * np.array(way)) < 0).mean() > 0.95
    apices = np.array([
        transform_points(p.matrix, s.point_mm[None])[0]
        for p in teeth.teeth for s in p.form.sites.values() if s.role == "apex"
    ])  # fmt: skip
    clearance = min(cKDTree(canal).query(apices)[0].min() for canal in bone.canals_mm.values()) - CANAL_RADIUS_MM
    assert clearance > 1.5


def test_the_sinus_lies_over_the_upper_molars_inside_the_bone():
    teeth = arch("upper")
    bone = jaw_bone(teeth, spacing_mm=SPACING_MM)
    assert set(bone.sinuses) == {"left", "right"}
    for sinus in bone.sinuses.values():
        assert 500 < trimesh.Trimesh(sinus.vertices_mm, sinus.faces, process=False).volume < 6000
        for placed in teeth.teeth:
            assert placed.field(sinus.vertices_mm).min() > 0.2


def test_a_missing_tooth_leaves_bone_and_gum_in_its_place():
    teeth = arch("lower", missing=[36])
    bone = jaw_bone(teeth, spacing_mm=SPACING_MM)
    root = transform_points(teeth.empty[0].matrix, np.array([[0.0, 0.0, -6.0]]))
    assert sample(bone.bone_grid, root)[0] < 0
    gum = gingiva(teeth.teeth, teeth.contacts, empty=teeth.empty, edge_mm=0.4)
    middle = transform_points(teeth.empty[0].matrix, np.array([[0.0, 0.0, 0.0]]))[0]
    over = gum.vertices_mm[np.linalg.norm(gum.vertices_mm[:, :2] - middle[:2], axis=1) < 1.5]
    assert abs(over[:, 2].max() - middle[2]) < 2.5


def test_a_model_base_is_one_closed_solid_clear_of_the_teeth(teeth):
    base = typodont_base(teeth, spacing_mm=SPACING_MM)
    mesh = trimesh.Trimesh(base.vertices_mm, base.faces, process=False)
    assert mesh.is_watertight
    assert mesh.body_count == 1
    # 0.15 mm of clearance is built in; a tenth of a voxel is allowed for marching cubes.
    assert min(p.field(base.vertices_mm).min() for p in teeth.teeth) > 0.05


def test_a_simulated_ct_shows_each_tissue_at_its_grey(teeth, bone):
    # Without noise: median grey deep inside a tissue; blur of 0.2 mm reaches about 0.5 mm from its faces.
    ct, frame = simulated_ct(teeth, bone, rng=np.random.default_rng(3), spacing_mm=SPACING_MM, blur_mm=0.2, noise=0.0)
    points = frame.origin_mm + frame.spacing_mm * np.indices(ct.shape).reshape(3, -1).T
    flat = ct.ravel()
    core = sample(bone.cancellous_grid, points) < -1.0
    assert np.median(flat[core]) == pytest.approx(GREYS["cancellous"], abs=30)
    molar = teeth.teeth[0]
    depth, height = -molar.field(points), transform_points(rigid_inverse(molar.matrix), points)[:, 2]
    root = (height > -6.0) & (height < -1.5)
    assert np.median(flat[root & (depth > 0.9) & (depth < 1.3)]) == pytest.approx(GREYS["dentine"], abs=100)
    # The chamber is hollow: somewhere deep in the neck the grey falls most of the way to that of pulp.
    assert flat[(np.abs(height) < 1.5) & (depth > 2.5)].min() < 900
    assert flat.max() > 2200


@pytest.mark.slow
def test_the_same_generator_gives_the_same_ct(teeth, bone):
    first, second = (simulated_ct(teeth, bone, rng=np.random.default_rng(5), spacing_mm=1.0)[0] for _ in range(2))
    assert np.array_equal(first, second)


def test_spacings_that_need_too_much_memory_are_refused(teeth, bone):
    with pytest.raises(InputError, match="1 GiB"):
        jaw_bone(teeth, spacing_mm=0.05)
    with pytest.raises(InputError, match=r"0\.2 to 1"):
        simulated_ct(teeth, bone, rng=np.random.default_rng(0), spacing_mm=0.05)
