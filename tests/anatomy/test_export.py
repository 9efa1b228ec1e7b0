"""A tooth written to a folder and read back by other programs' readers."""

import json

import numpy as np
import pytest
import trimesh

from kerfmark.anatomy.__main__ import main
from kerfmark.anatomy.tooth import tooth
from kerfmark.anatomy.voxels import LABELS, label_grid, layer_grids, write_nrrd
from kerfmark.errors import InputError
from kerfmark.geometry.mesh import volume_mm3


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("teeth")


@pytest.fixture(scope="module")
def written(tmp_path_factory, cache):
    folder = tmp_path_factory.mktemp("out")
    assert main(["46", "--out", str(folder), "--edge-mm", "0.3", "--spacing-mm", "0.2", "--cache", str(cache)]) == 0
    return folder


@pytest.fixture(scope="module")
def made(cache):
    return tooth(46, edge_mm=0.3, cache_dir=cache)


def test_every_layer_reads_back_with_its_volume(written, made):
    # STL holds single precision: 1e-4 of a volume is far more than it loses.
    for name, layer in {"tooth": made.outer, **made.layers}.items():
        assert trimesh.load(written / f"{name}.stl").volume == pytest.approx(volume_mm3(layer), rel=1e-4)


def test_the_3mf_holds_the_layers_as_named_parts(written):
    scene = trimesh.load(written / "tooth.3mf")
    assert {"enamel", "dentine", "pulp"} <= {name.split(".")[0] for name in scene.geometry}


def test_the_glb_is_in_metres(written, made):
    # Source: glTF 2.0, section 3.4: units are metres.
    assert trimesh.load(written / "tooth.glb", force="mesh").extents.max() == pytest.approx(
        1e-3 * np.ptp(made.outer.vertices_mm, axis=0).max(), rel=1e-4
    )


def test_the_description_names_tooth_sites_and_orifices(written):
    said = json.loads((written / "tooth.json").read_text(encoding="utf-8"))
    assert said["tooth"] == {
        "fdi": 46,
        "universal": "30",
        "bracket": "LR6",
        "name": "lower right first molar",
        "seed": None,
    }
    assert said["frame"]["x"] == "distal"
    assert set(said["orifices"]) == {"mesiobuccal", "mesiolingual", "distal"}
    assert said["sites"]["furcation"]["role"] == "furcation"
    assert len(said["sites"]["mesiobuccal cusp"]["point_mm"]) == 3


def test_the_volume_reads_in_another_library_with_its_frame_and_contents(written, made):
    # Outside reader: ITK. Voxel volume · count against the closed surface: 0.2 mm voxels err by under 2 % on enamel.
    itk = pytest.importorskip("SimpleITK")
    image = itk.ReadImage(str(written / "labels.nrrd"))
    labels = itk.GetArrayFromImage(image).transpose(2, 1, 0)
    grids = layer_grids(made.layers, spacing_mm=0.2)
    assert image.GetSpacing() == pytest.approx((0.2, 0.2, 0.2))
    assert image.GetOrigin() == pytest.approx(tuple(grids["enamel"].origin_mm), abs=1e-9)
    assert np.array_equal(labels, label_grid(grids)[0])
    for name, layer in made.layers.items():
        assert (labels == LABELS[name]).sum() * 0.2**3 == pytest.approx(volume_mm3(layer), rel=0.02)


def test_a_grid_keeps_faces_between_its_voxels(made):
    # Volume by sub-voxel faces: share of a voxel inside, from its distance, errs far less than counting voxels.
    grid = layer_grids({"enamel": made.layers["enamel"]}, spacing_mm=0.2)["enamel"]
    share = np.clip(0.5 - grid.values / 0.2, 0.0, 1.0)
    assert share.sum() * 0.2**3 == pytest.approx(volume_mm3(made.layers["enamel"]), rel=0.003)


def test_the_same_volume_is_the_same_file(tmp_path):
    values = np.arange(24, dtype=np.int16).reshape(2, 3, 4)
    for name in ("a", "b"):
        write_nrrd(tmp_path / name, values, origin_mm=np.zeros(3), spacing_mm=0.5)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_a_grid_too_large_for_memory_is_refused_before_anything_is_written(tmp_path, cache, capsys):
    out = tmp_path / "nothing"
    assert main(["46", "--out", str(out), "--edge-mm", "0.3", "--spacing-mm", "0.01", "--cache", str(cache)]) == 2
    assert "MiB" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(("code", "notation", "says"), [("33", "universal", "1 to 32"), ("99", "fdi", "FDI number")])
def test_an_unknown_tooth_is_one_sentence_and_status_2(tmp_path, capsys, code, notation, says):
    assert main([code, "--out", str(tmp_path / "x"), "--notation", notation]) == 2
    assert says in capsys.readouterr().err


def test_volumes_other_than_numbers_in_three_dimensions_are_refused(tmp_path):
    with pytest.raises(InputError, match="float64"):
        write_nrrd(tmp_path / "x.nrrd", np.zeros((2, 2, 2)), origin_mm=np.zeros(3), spacing_mm=1.0)


def test_a_file_in_place_of_the_folder_is_said_in_a_sentence(tmp_path, cache, capsys):
    (tmp_path / "taken").touch()
    assert main(["46", "--out", str(tmp_path / "taken"), "--edge-mm", "0.3", "--cache", str(cache)]) == 2
    assert capsys.readouterr().err.startswith(f"error: {tmp_path / 'taken'}: File exists, expected a folder")
