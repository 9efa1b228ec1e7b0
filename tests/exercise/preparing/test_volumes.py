"""Exercises whose subject is, or comes with, a volume."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import LoadedExercise, version_of
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.geometry.mesh_files.stl import stl_bytes
from kerfmark.geometry.solids import box
from kerfmark.geometry.volumes import sample_volume
from kerfmark.settings import Limits

TABLE = {
    "format": 1,
    "id": "volume-block",
    "title": "A block in a CT",
    "family": "block",
    "frame": {"origin": [-5.0, 2.0, 3.0], "occlusal": [0.0, 0.0, 1.0], "facial": [1.0, 0.0, 0.0], "mesial": "+x"},
    "target": {"clear": "soft"},
    "criteria": [{"reading": "block.floor_depth_mm", "limits": [1.0, 2.0]}],
}


def nrrd(values: np.ndarray, tmp_path: Path) -> bytes:
    """Voxels of 0.25 mm; the middle of the volume at (-5, 2, 0)."""
    middle = 0.125 * (np.array(values.shape) - 1)
    write_nrrd(tmp_path / "made.nrrd", values, origin_mm=np.array([-5.0, 2.0, 0.0]) - middle, spacing_mm=0.25)
    return (tmp_path / "made.nrrd").read_bytes()


def prepared(subject, assets, tmp_path):
    exercise = as_exercise(TABLE | {"subject": subject})
    loaded = LoadedExercise(exercise, version_of(exercise, assets), assets, ())
    return prepare(loaded, cache_dir=tmp_path / "cache", limits=Limits())


@pytest.fixture
def labels(tmp_path):
    """A body 8 × 6 × 6 mm of label 1 with a box of label 2, 3 × 3 × 2 mm, let into its top."""
    values = np.zeros((40, 32, 32), dtype=np.uint8)
    values[4:36, 4:28, 4:28] = 1
    values[14:26, 10:22, 20:28] = 2
    return nrrd(values, tmp_path)


def test_labels_give_the_subject_and_its_layers(labels, tmp_path):
    # Source: voxels counted; evening the steps moves a face by a small part of a voxel and rounds the corners.
    found = prepared({"volume": "l.nrrd", "labels": {"1": "body", "2": "soft"}}, {"l.nrrd": labels}, tmp_path)
    assert volume_mm3(found.subject) == pytest.approx(8 * 6 * 6, rel=0.02)
    assert volume_mm3(found.layers["soft"]) == pytest.approx(3 * 3 * 2, rel=0.06)
    assert list(found.layers) == ["body", "soft"]
    # The frame's y is the files' x.
    np.testing.assert_allclose(np.ptp(found.subject.vertices_mm, axis=0), [6.0, 8.0, 6.0], atol=0.1)


def test_greys_come_along_in_the_tooth_frame_and_are_kept(tmp_path):
    values = np.zeros((40, 32, 32), dtype=np.int16)
    values[4:36, 4:28, 4:28] = 1000
    values[20:36, 4:28, 4:28] = 1600
    data = {"ct.nrrd": nrrd(values, tmp_path), "s.stl": stl_bytes(box([-9, -1, -3], [-1, 5, 3]).surface())}
    assets = data | {"soft.stl": stl_bytes(box([-6, 1, 1], [-4, 3, 3]).surface())}
    subject = {"surface": "s.stl", "volume": "ct.nrrd", "layers": {"soft": "soft.stl"}}
    for found in (prepared(subject, assets, tmp_path), prepared(subject, assets, tmp_path)):  # made, then read back
        assert found.volume is not None
        greys = sample_volume(found.volume, [[0.0, 2.0, -3.0], [0.0, -2.0, -3.0], [0.0, 0.0, 0.5]])
        assert greys.tolist() == [1600.0, 1000.0, 0.0]


def test_a_volume_elsewhere_than_the_surface_is_refused(tmp_path):
    values = np.zeros((40, 32, 32), dtype=np.int16)
    assets = {"ct.nrrd": nrrd(values, tmp_path), "s.stl": stl_bytes(box([20, 20, 0], [28, 26, 6]).surface())}
    with pytest.raises(InputError, match=r"ct\.nrrd covers 0% of s\.stl, expected at least 50%"):
        prepared({"surface": "s.stl", "volume": "ct.nrrd", "layers": {"soft": "s.stl"}}, assets, tmp_path)


def test_a_damaged_volume_is_refused_by_its_name(labels, tmp_path):
    with pytest.raises(InputError, match=r"^l\.nrrd: "):
        prepared({"volume": "l.nrrd", "labels": {"1": "body", "2": "soft"}}, {"l.nrrd": labels[:-300]}, tmp_path)


def test_greys_alone_need_a_threshold_or_two_modes(tmp_path):
    values = np.full((40, 32, 32), -1000, dtype=np.int16)
    values[4:36, 4:28, 4:28] = 1000
    rng = np.random.default_rng(1)
    data = nrrd((values + rng.normal(0, 20, values.shape)).astype(np.int16), tmp_path)
    assets = {"ct.nrrd": data, "soft.stl": stl_bytes(box([-6, 1, 1], [-4, 3, 3]).surface())}
    found = prepared({"volume": "ct.nrrd", "layers": {"soft": "soft.stl"}}, assets, tmp_path)
    assert "threshold-assumed" in {r.code for r in found.remarks}
    # Half the way between the outermost voxels of the body and the empty ones beside them.
    assert volume_mm3(found.subject) == pytest.approx(8.0 * 6.0 * 6.0, rel=0.01)
