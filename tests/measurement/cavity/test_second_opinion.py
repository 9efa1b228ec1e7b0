"""Tissue readings against general libraries, and on a real layered tooth where its data is at hand."""

from pathlib import Path
from types import SimpleNamespace

import cavity_phantoms as phantoms
import igl
import numpy as np
import pytest
import SimpleITK
import trimesh
from block_phantoms import aligned
from real_teeth import real_tooth

from kerfmark.anatomy.voxels import layer_grids
from kerfmark.geometry.grids import distance_grid, sample, surface_of
from kerfmark.geometry.mesh import bounds_mm, components, face_areas_mm2, face_normals, mend, transformed
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.geometry.solids import Solid, difference
from kerfmark.measurement.cavity.pit import Pit
from kerfmark.measurement.cavity.pulp import pulp_exposed, remaining_dentine
from kerfmark.measurement.cavity.tissues import caries_left, junction_of
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import Grid
from kerfmark.settings import Limits

DATA = Path(__file__).resolve().parents[4] / "shared" / "data" / "layered-jaw-gpl3" / "tooth_L4"


def as_trimesh(surface):
    return trimesh.Trimesh(surface.vertices_mm, surface.faces, process=False)


def test_remaining_dentine_is_the_distance_libigl_finds():
    # Second opinion: libigl's distance to the pulp from every vertex of the cut's floor, without noise.
    blank = phantoms.undermined()
    pit = Pit(blank.piece(np.random.default_rng(1), noise_um=0.0), blank.prepared)
    bench = pit.seen_from("occlusal").bench
    cut = bench.piece.surface.vertices_mm[np.unique(bench.piece.surface.faces[bench.is_cut])]
    some = cut[cut[:, 2] < cut[:, 2].min() + 0.2][::5]
    pulp = blank.prepared.layers["pulp"]
    squares = igl.point_mesh_squared_distance(some, pulp.vertices_mm, pulp.faces.astype(np.int64))[0]
    (reading,) = remaining_dentine(pit)
    assert reading.value == pytest.approx(np.sqrt(squares.min()), abs=0.005)


def test_what_is_left_and_gone_adds_up_to_the_tooth_by_trimesh():
    # Second opinion: trimesh's volumes of tooth and piece.
    blank = phantoms.undermined()
    piece = blank.piece(np.random.default_rng(1), noise_um=0.0)
    gone = as_trimesh(phantoms.TOOTH.surface()).volume - as_trimesh(piece.surface).volume
    bench = Bench(piece, blank.prepared)
    found = float(bench.removal.length_mm[:, 1::2].sum(dtype=float)) * bench.lattice.cell_mm2
    assert found == pytest.approx(gone, rel=0.005)


def as_image(inside, grid):
    """A mask on a grid as an image of SimpleITK, whose arrays run z, y, x."""
    image = SimpleITK.GetImageFromArray(np.ascontiguousarray(inside.transpose(2, 1, 0)).astype(np.uint8))
    image.SetOrigin(np.asarray(grid.origin_mm).tolist())
    image.SetSpacing([grid.spacing_mm] * 3)
    return image


def test_remaining_dentine_is_the_least_of_a_distance_map_by_simpleitk():
    # Second opinion: ITK's signed distance map (Maurer) of the pulp's voxels, at the floor's points. Voxels of 0.1 mm: 0.06 mm.
    blank = phantoms.undermined()
    pit = Pit(blank.piece(np.random.default_rng(1), noise_um=0.0), blank.prepared)
    bench = pit.seen_from("occlusal").bench
    cut = bench.piece.surface.vertices_mm[np.unique(bench.piece.surface.faces[bench.is_cut])]
    around = np.array([[-2.5, -2.5, 0.5], [2.5, 2.5, 6.0]])
    grid = distance_grid(blank.prepared.layers["pulp"], bounds_mm=around, spacing_mm=0.1, band_mm=0.3)
    mapped = SimpleITK.SignedMaurerDistanceMap(
        as_image(grid.values < 0.0, grid), insideIsPositive=False, squaredDistance=False, useImageSpacing=True
    )
    floor = cut[cut[:, 2] < cut[:, 2].min() + 0.05]
    inside = floor[(np.abs(floor[:, :2]) < 1.4).all(axis=1)]
    least = min(mapped[mapped.TransformPhysicalPointToIndex(point.tolist())] for point in inside)
    assert remaining_dentine(pit)[0].value == pytest.approx(least, abs=0.06)


def test_caries_left_has_the_volume_simpleitk_counts():
    # Second opinion: ITK's label statistics of the voxels that are decay and still there: a wall 0.3 mm thick, 3.4 mm² large.
    # Voxels of 0.023 mm: half of one either way on both its faces is 0.06 mm³.
    blank = phantoms.undermined()
    piece = blank.piece(np.random.default_rng(1), noise_um=0.0)
    around = np.array([[1.0, -1.2, 4.3], [1.7, 1.2, 6.4]])
    grids = [
        distance_grid(s, bounds_mm=around, spacing_mm=0.023, band_mm=0.1)
        for s in (phantoms.DECAY.surface(), piece.surface)
    ]
    left = as_image((grids[0].values < 0.0) & (grids[1].values < 0.0), grids[0])
    counted = SimpleITK.LabelShapeStatisticsImageFilter()
    counted.Execute(left)
    assert caries_left(Pit(piece, blank.prepared))[0].value == pytest.approx(counted.GetPhysicalSize(1), abs=0.06)


def test_no_decay_left_is_not_known_better_than_a_speck():
    # Source: what is not seen between points 0.1 mm apart, a speck 0.2 mm across, holds 0.2³ = 0.008 mm³.
    blank = phantoms.undermined()
    piece = blank.piece(np.random.default_rng(1), noise_um=0.0)
    (left, _junction) = caries_left(Pit(piece, blank.prepared))
    least = next(part for part in left.budget if part.source == "least that is seen")
    assert least.u >= 0.2**3
    assert left.u >= least.u


@pytest.mark.skipif(not DATA.is_dir(), reason="the real layered tooth lies in ../shared/data, which is not here")
def test_a_pocket_in_a_real_premolar_reads_its_distance_to_the_real_pulp():
    # Data: OpenMandible L4 (A. M. Vukicevic et al. 2021, GPL-3.0), read from beside the checkout, never copied.
    # Truth: the pocket's floor is a plane at a known height; the pulp's own highest point under it says the rest.
    def read(name):
        file = read_mesh_file((DATA / name).read_bytes(), name=name, limits=Limits())
        return mend(file.surface, where=name)[0]

    enamel, dentine, pulp = (read(f"L4_{part}.stl") for part in ("enamel", "dentin", "pulp"))
    middle, up = bounds_mm(pulp).mean(axis=0), bounds_mm(enamel).mean(axis=0) - bounds_mm(dentine).mean(axis=0)
    up /= np.linalg.norm(up)
    from kerfmark.geometry.frames import looking_frame

    turn = looking_frame(up, up=[1.0, 0.0, 0.0] if abs(up[0]) < 0.9 else [0.0, 1.0, 0.0])
    turn[:3, 3] = -turn[:3, :3] @ middle
    enamel, dentine, pulp = (transformed(s, turn) for s in (enamel, dentine, pulp))
    top = pulp.vertices_mm[np.argmax(pulp.vertices_mm[:, 2])]
    # The layers leave small voids between them: a plain block round the pulp's top stands in for the tooth that is cut.
    low, high = top - np.array([3.0, 3.0, 4.0]), top + np.array([3.0, 3.0, 4.0])
    body = Solid.box(low, high)
    cut = difference(body, Solid.box([top[0] - 1, top[1] - 1, top[2] + 0.8], high + np.array([-2.0, -2.0, 1.0])))
    grid = {"spacing_mm": 0.1, "band_mm": 0.6}
    prepared = SimpleNamespace(
        exercise=SimpleNamespace(cavity_class=1, target=SimpleNamespace(clear=None)), subject=body.surface(),
        subject_grid=distance_grid(body.surface(), **grid), target=None, target_grid=None, layers={"pulp": pulp},
        layer_grids={"pulp": distance_grid(pulp, **grid)}, outline=None, mesial_sign=1, lattice=None, columns={}, sites=(),
    )  # fmt: skip
    from kerfmark.geometry.evening import evened

    pit = Pit(aligned(evened(cut.surface(), 0.12), noise_um=0.0), prepared)
    (left,), (open_,) = remaining_dentine(pit), pulp_exposed(pit)
    assert left.value == pytest.approx(0.8, abs=0.02)
    assert open_.value == 0.0


@pytest.mark.skipif(not DATA.is_dir(), reason="the real layered tooth lies in ../shared/data, which is not here")
def test_the_junction_of_a_real_premolar_faces_its_dentine():
    # Data: OpenMandible L4, read from beside the checkout. Its layers leave voids of some hundredths of a millimetre between
    # them: they are closed by 0.1 mm. Truth: a rod begins in enamel and points into dentine; 0.25 mm either way of the
    # junction lie in the two layers, but at its rim, where the enamel runs out.
    layers = dict(zip(("enamel", "dentine", "pulp"), real_tooth("tooth_L4", "L4"), strict=True))
    grids = layer_grids(layers, spacing_mm=0.15, band_mm=0.9)
    whole = np.min([grid.values for grid in grids.values()], axis=0) - np.float32(0.1)
    subject = components(surface_of(Grid(grids["enamel"].origin_mm, 0.15, whole)))[0]
    prepared = SimpleNamespace(
        exercise=SimpleNamespace(cavity_class=1, target=SimpleNamespace(clear=None)), subject=subject,
        subject_grid=distance_grid(subject, spacing_mm=0.15, band_mm=0.6), target=None, target_grid=None, layers=layers,
        layer_grids=grids, outline=None, mesial_sign=1, lattice=None, columns={}, sites=(),
    )  # fmt: skip
    junction = junction_of(Pit(aligned(subject, noise_um=0.0), prepared))
    middles, normals = junction.vertices_mm[junction.faces].mean(axis=1), face_normals(junction)
    areas = face_areas_mm2(junction)
    share = lambda name, by: float(areas @ (sample(grids[name], middles + by * normals) < 0.0)) / areas.sum()  # noqa: E731
    assert areas.sum() > 60.0
    assert share("dentine", 0.25) > 0.95
    assert share("enamel", -0.25) > 0.85
