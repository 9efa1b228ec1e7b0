"""A CT of a cut block goes the same way as a scan of it, to the same readings."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.demo.learners import simulated_piece
from kerfmark.errors import InputError
from kerfmark.geometry.grids import distance_grid
from kerfmark.intake.volumes.piece import take_in_volume
from kerfmark.pipeline import assess
from kerfmark.settings import Limits

SPACING_MM = 0.2


@pytest.fixture(scope="module")
def cut_block(settings, tmp_path_factory):
    """A simulated block, and a CT of it: greys by how far each voxel is filled, with noise."""
    piece = simulated_piece("layered-block", level="middle", seed=5, settings=settings)
    grid = distance_grid(piece.surface, spacing_mm=SPACING_MM, band_mm=0.6)
    filled = np.clip(0.5 - grid.values / SPACING_MM, 0.0, 1.0)
    greys = 200.0 + 1500.0 * filled + np.random.default_rng(1).normal(0.0, 25.0, filled.shape)
    path = tmp_path_factory.mktemp("ct") / "block.nrrd"
    write_nrrd(path, np.rint(greys).astype(np.int16), origin_mm=grid.origin_mm, spacing_mm=SPACING_MM)
    return piece, path


def test_a_ct_of_a_block_gives_what_was_truly_cut(cut_block, settings):
    # Source: the construction of the piece, as for scans; a CT's stated trueness is wide, so this asks for 50 µm as well.
    piece, path = cut_block
    assessment = assess("layered-block", path, settings=settings)
    assert assessment.piece.kind == "volume"
    assert {"threshold-assumed", "another-kind"} <= {r.code for r in assessment.remarks}
    readings = {r.key: r for r in assessment.readings}
    depth = readings["block.floor_depth_mm", None, None]
    true = piece.truth["block.floor_depth_mm", None, None]
    assert abs(depth.value - true) < min(0.05, 3 * depth.u)


def test_options_of_scans_and_motions_are_refused(cut_block, settings):
    _piece, path = cut_block
    with pytest.raises(InputError, match="volumes are always in mm"):
        assess("layered-block", path, unit="cm", settings=settings)
    with pytest.raises(InputError, match="--rig goes with a recorded motion, but the piece is a volume"):
        assess("layered-block", path, rig="rig.toml", settings=settings)
    with pytest.raises(InputError, match="--neighbour goes with a scan"):
        assess("layered-block", path, neighbours={"mesial": "a.stl"}, settings=settings)


def test_a_series_is_asked_of_a_folder_only(settings, tmp_path):
    (tmp_path / "a.stl").write_bytes(b"solid a\nendsolid")
    with pytest.raises(InputError, match="--series goes with a folder of DICOM slices"):
        assess("layered-block", tmp_path / "a.stl", series="1", settings=settings)


def test_labels_of_the_table_are_material_and_others_are_refused(tmp_path):
    values = np.zeros((20, 20, 20), dtype=np.uint8)
    values[5:15, 5:15, 5:15] = 2
    values[5:15, 5:15, 12:15] = 5
    write_nrrd(tmp_path / "labels.nrrd", values, origin_mm=np.zeros(3), spacing_mm=0.2)

    def take(table):
        return take_in_volume(
            tmp_path / "labels.nrrd", name="labels.nrrd", limits=Limits(), labels=table, threshold=None
        )

    taken = take({2: "bone", 5: "cortical", 7: "enamel"})
    assert len(taken.parts) == 1
    np.testing.assert_allclose(np.ptp(taken.parts[0].vertices_mm, axis=0), 2.0, atol=0.1)
    assert "7 (enamel)" in taken.remarks[0].message
    with pytest.raises(InputError, match=r"holds the label 5, expected 0 or one of the table \(2 = bone\)"):
        take({2: "bone"})


def test_a_volume_of_one_grey_asks_for_a_threshold(tmp_path):
    write_nrrd(tmp_path / "flat.nrrd", np.full((9, 9, 9), 7, dtype=np.int16), origin_mm=np.zeros(3), spacing_mm=0.2)
    with pytest.raises(InputError, match="no two modes"):
        take_in_volume(tmp_path / "flat.nrrd", name="flat.nrrd", limits=Limits(), labels={}, threshold=None)
    with pytest.raises(InputError, match="does not pass the level 400"):
        take_in_volume(tmp_path / "flat.nrrd", name="flat.nrrd", limits=Limits(), labels={}, threshold=400.0)
