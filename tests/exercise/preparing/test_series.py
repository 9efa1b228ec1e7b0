"""Exercises whose CT is a folder of DICOM slices: right, or refused with the reason, however the exercise is packed."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import numpy as np
import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import load_exercise, load_kept, save_exercise
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.mesh_files.stl import stl_bytes
from kerfmark.geometry.solids import box
from kerfmark.geometry.volumes import sample_volume
from kerfmark.intake.volumes.files import PackedFolder
from kerfmark.settings import Limits

TABLE = {
    "format": 1,
    "id": "series-block",
    "title": "A block in a series",
    "family": "block",
    "frame": {"origin": [0.0, 0.0, 3.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "+x"},
    "target": {"surface": "t.stl"},
    "criteria": [{"reading": "block.floor_depth_mm", "limits": [1.0, 2.0]}],
}
STEP_MM = 0.5
GREY = np.array([30.0, -20.0, 50.0])
"""Greys rise so much for each mm: linear, so that reading between voxels is exact."""


def slices_in(folder: Path, heights, *, series="1.2.3", number=1, lean=0.0) -> Path:
    """Slices of a linear grey round a block; `lean` is how far each moves along y for each mm, as a tilted gantry leaves them."""
    folder.mkdir(exist_ok=True)
    for n, height in enumerate(heights):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID = CTImageStorage, f"{series}.{n + 1}"
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data = Dataset()
        data.file_meta = meta
        data.SOPClassUID, data.SOPInstanceUID = CTImageStorage, f"{series}.{n + 1}"
        data.SeriesInstanceUID, data.SeriesNumber, data.Modality, data.InstanceNumber = series, number, "CT", n + 1
        data.Rows, data.Columns, data.SamplesPerPixel, data.PhotometricInterpretation = 24, 30, 1, "MONOCHROME2"
        data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 1
        first = np.array([-7.0, -6.0 + lean * height, -4.0 + height])
        data.ImagePositionPatient = [f"{v:.6f}" for v in first]
        data.ImageOrientationPatient, data.PixelSpacing = [1, 0, 0, 0, 1, 0], [STEP_MM, STEP_MM]
        row, column = np.mgrid[:24, :30]
        places = first + np.stack([STEP_MM * column, STEP_MM * row, 0.0 * row], axis=-1)
        data.PixelData = np.rint(places @ GREY).astype("<i2").tobytes()
        data.save_as(folder / f"{number}-{n:03d}.dcm", enforce_file_format=True)
    return folder


@pytest.fixture
def folder(tmp_path) -> Path:
    """The exercise's folder with a series `ct` of 20 slices."""
    subject, target = box([-4, -3, -3], [4, 3, 3]).surface(), box([-4, -3, -3], [4, 3, 2]).surface()
    table = TABLE | {"subject": {"surface": "s.stl"}}
    save_exercise(tmp_path / "ex", as_exercise(table), {"s.stl": stl_bytes(subject), "t.stl": stl_bytes(target)})
    slices_in(tmp_path / "ex" / "ct", STEP_MM * np.arange(20))
    name_volume(tmp_path / "ex", 'volume = "ct"')
    return tmp_path / "ex"


def name_volume(folder: Path, lines: str) -> None:
    text = (folder / "exercise.toml").read_text(encoding="utf-8")
    (folder / "exercise.toml").write_text(text.replace("[subject]\n", f"[subject]\n{lines}\n"), encoding="utf-8")


def made(source: Path, cache: Path, limits: Limits | None = None):
    loaded = load_exercise(source, limits=limits or Limits())
    return loaded, prepare(loaded, cache_dir=cache, limits=limits or Limits())


def refused(source: Path, cache: Path, limits: Limits | None = None) -> str:
    with pytest.raises(InputError) as caught:
        made(source, cache, limits)
    return str(caught.value)


def as_zip(folder: Path) -> Path:
    path = folder.parent / "ex.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(folder.rglob("*"), reverse=True):
            archive.write(file, file.relative_to(folder.parent).as_posix())
    return path


PLACES = np.array([[0.3, -1.2, -1.0], [2.6, 1.9, -4.0], [-3.3, 0.4, 0.7]])
"""In the tooth frame, whose origin lies so far up in the files' coordinates."""
UP = np.array([0.0, 0.0, 3.0])


def test_every_grey_is_in_its_place_from_a_folder_and_from_a_zip(folder, tmp_path):
    # Source: the linear grey the slices were filled with; half a unit is lost to whole numbers.
    for source in (folder, as_zip(folder)):
        _loaded, ready = made(source, tmp_path / "cache")
        np.testing.assert_allclose(sample_volume(ready.volume, PLACES), (PLACES + UP) @ GREY, atol=0.6)


def test_the_version_is_that_of_the_content_however_it_is_packed(folder, tmp_path):
    first = load_exercise(folder, limits=Limits()).version
    (folder / "ct" / ".hidden").write_bytes(b"what a system leaves")
    assert load_exercise(folder, limits=Limits()).version == first
    assert load_exercise(as_zip(folder), limits=Limits()).version == first
    last = sorted((folder / "ct").glob("*.dcm"))[-1]
    last.write_bytes(last.read_bytes()[:-2] + b"\x07\x00")
    assert load_exercise(folder, limits=Limits()).version != first


def test_a_saved_copy_has_its_folder_again_and_the_same_version(folder, tmp_path):
    loaded = load_exercise(folder, limits=Limits())
    assert isinstance(loaded.assets["ct"], PackedFolder)
    save_exercise(tmp_path / "copy", loaded.exercise, loaded.assets)
    assert len(list((tmp_path / "copy" / "ct").iterdir())) == 20
    assert load_exercise(tmp_path / "copy", limits=Limits()).version == loaded.version
    kept = load_kept(tmp_path / "copy", version=loaded.version, limits=Limits())
    assert kept.assets["ct"] == loaded.assets["ct"]


def test_a_tilted_gantry_and_uneven_steps_are_said_and_read_right(folder, tmp_path):
    # Source: as above, for slices that lean by tan(10°) and whose steps are 0.5 and 0.8 mm.
    for n, (heights, lean, code) in enumerate([
        (STEP_MM * np.arange(20), np.tan(np.radians(10.0)), "gantry-tilt"),
        (np.cumsum([0.0, 0.5, 0.8] * 7), 0.0, "uneven-slices"),
    ]):  # fmt: skip
        shutil.rmtree(folder / "ct")
        slices_in(folder / "ct", np.unique(heights), lean=lean)
        _loaded, ready = made(folder, tmp_path / f"cache-{n}")
        assert code in {r.code for r in ready.remarks}
        np.testing.assert_allclose(sample_volume(ready.volume, PLACES), (PLACES + UP) @ GREY, atol=1.1)


def test_of_several_series_one_is_chosen_by_the_key_series(folder, tmp_path):
    slices_in(folder / "ct", [0.0, 1.0], series="1.2.4", number=7)
    said = refused(folder, tmp_path / "cache")
    assert "ct: holds 2 series" in said
    assert "[subject] series" in said
    name_volume(folder, 'series = "1"')
    _loaded, ready = made(folder, tmp_path / "cache")
    assert ready.volume.values.shape == (30, 24, 20)


def test_what_a_pieces_folder_is_refused_for_an_exercises_is_too(folder, tmp_path):
    (sorted((folder / "ct").iterdir())[9]).unlink()
    assert "ct: 1 slice is missing" in refused(folder, tmp_path / "cache")
    shutil.rmtree(folder / "ct")
    (folder / "ct").mkdir()
    assert "ct: holds no DICOM slices among 0 files" in refused(folder, tmp_path / "cache")


def test_limits_of_slices_and_members_hold_each_for_itself(folder, tmp_path):
    assert "ct holds 20 files, expected at most slices = 19" in refused(folder, tmp_path / "c", Limits(slices=19))
    packed = as_zip(folder)
    made(packed, tmp_path / "cache", Limits(zip_members=6))  # three files and two folders beside twenty slices
    assert "expected at most zip_members = 3 beside DICOM slices" in refused(
        packed, tmp_path / "c", Limits(zip_members=3)
    )
    assert "has 24 members" in refused(packed, tmp_path / "c", Limits(zip_members=4, slices=9))


def test_a_link_out_of_the_series_folder_is_refused(folder, tmp_path):
    (tmp_path / "outside.dcm").write_bytes(b"x")
    (folder / "ct" / "a.dcm").symlink_to(tmp_path / "outside.dcm")
    assert "a link that leads out of the folder" in refused(folder, tmp_path / "cache")


def test_the_key_series_asks_for_a_folder(folder, tmp_path):
    with pytest.raises(InputError, match=r"\[subject\] series is given without a volume"):
        as_exercise(TABLE | {"subject": {"surface": "s.stl", "series": "1"}})
    one = sorted((folder / "ct").iterdir())[0].read_bytes()
    shutil.rmtree(folder / "ct")
    (folder / "ct").write_bytes(one)
    name_volume(folder, 'series = "1"')
    assert "is one file, and [subject] series goes with a folder or zip" in refused(folder, tmp_path / "cache")
