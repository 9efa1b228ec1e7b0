"""DICOM series: taken rightly or refused with the reason. The files are written here, by the tests' own hand, with pydicom."""

from __future__ import annotations

import zipfile

import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    JPEG2000Lossless,
)

from kerfmark.errors import InputError
from kerfmark.geometry.volumes import sample_volume, voxel_points
from kerfmark.intake.volumes import is_volume, read_volume
from kerfmark.settings import Limits

SERIES = "1.2.826.0.1.3680043.8.498.1"
ROW, COLUMN = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.8, 0.6])
NORMAL = np.cross(ROW, COLUMN)
SPACING = (0.4, 0.3)  # between rows, between columns
FIRST = np.array([-10.0, 5.0, 20.0])


def greys(points_mm):
    """A grey for every place: linear, so that reading between voxels is exact."""
    return 100.0 + 3.0 * points_mm @ [2.0, -1.0, 4.0]


def head(n, *, series=SERIES, rows=6, columns=5, number=None):
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = f"{series}.{n + 1}"
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = Dataset()
    data.file_meta = meta
    data.SOPClassUID, data.SOPInstanceUID = CTImageStorage, f"{series}.{n + 1}"
    data.SeriesInstanceUID, data.SeriesNumber, data.Modality = series, 3, "CT"
    data.InstanceNumber = n + 1 if number is None else number
    data.Rows, data.Columns = rows, columns
    data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 16
    data.HighBit, data.PixelRepresentation = 15, 0
    data.RescaleSlope, data.RescaleIntercept = 1, -1024
    return data


def lay(data, position, *, row=ROW, column=COLUMN):
    """Say where the slice lies and give it the greys of its places."""
    data.ImagePositionPatient = [f"{v:.6f}" for v in position]
    data.ImageOrientationPatient = [f"{v:.6f}" for v in (*row, *column)]
    data.PixelSpacing = [f"{v:.6f}" for v in SPACING]
    r, c = np.mgrid[: data.Rows, : data.Columns]
    places = position + r[..., None] * SPACING[0] * column + c[..., None] * SPACING[1] * row
    data.PixelData = np.rint(greys(places) + 1024).astype("<u2").tobytes()
    return data


def series_in(folder, heights, *, drift=(0.0, 0.0, 0.0), numbers=None, series=SERIES, prefix="slice"):
    folder.mkdir(exist_ok=True)
    for n, height in enumerate(heights):
        data = head(n, series=series, number=None if numbers is None else numbers[n])
        lay(data, FIRST + height * (NORMAL + np.array(drift)))
        data.save_as(folder / f"{prefix}{(7 * n) % 100:02d}.dcm", enforce_file_format=True)
    return folder


def read(path, **options):
    return read_volume(path, name=path.name, limits=options.pop("limits", Limits()), **options)


def refused(path, **options) -> str:
    with pytest.raises(InputError) as caught:
        read(path, **options)
    assert str(caught.value).isprintable()
    return str(caught.value)


def assert_right(file, *, atol=0.6):
    """Every voxel holds the grey of its own place: within the half unit that whole numbers leave."""
    index = np.argwhere(np.ones(file.volume.values.shape, dtype=bool))
    found = file.volume.values[tuple(index.T)].astype(float)
    np.testing.assert_allclose(found, greys(voxel_points(file.volume, index)), atol=atol)


def test_a_series_is_sorted_by_place_not_by_name(tmp_path):
    file = read(series_in(tmp_path / "ct", 0.5 * np.arange(9)))
    assert file.volume.values.shape == (5, 6, 9)
    assert file.volume.values.dtype == np.int16
    assert not file.remarks
    assert_right(file)


def test_the_general_library_puts_every_voxel_in_the_same_place(tmp_path):
    # Source: SimpleITK (GDCM) reads the same series.
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(7))
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    other, ours = reader.Execute(), read(folder).volume
    np.testing.assert_array_equal(ours.values, SimpleITK.GetArrayFromImage(other).transpose(2, 1, 0))
    for index in [(0, 0, 0), (4, 0, 0), (0, 5, 0), (1, 2, 6)]:
        np.testing.assert_allclose(
            (ours.matrix @ [*index, 1])[:3], other.TransformIndexToPhysicalPoint(index), atol=1e-5
        )


def test_a_tilted_gantry_is_taken_out_and_said(tmp_path):
    # Source: drift of tan(15°) along the columns.
    drift = np.tan(np.radians(15.0)) * COLUMN
    file = read(series_in(tmp_path / "ct", 0.5 * np.arange(8), drift=drift))
    assert [r.code for r in file.remarks] == ["gantry-tilt"]
    assert "15.0°" in file.remarks[0].message
    assert_right(file)
    middle = voxel_points(file.volume, [[2.3, 2.7, 3.4]])
    np.testing.assert_allclose(sample_volume(file.volume, middle), greys(middle), atol=0.6)


def test_uneven_slices_are_resampled_and_said(tmp_path):
    heights = np.array([0.0, 0.5, 1.1, 1.6, 2.4, 3.0, 3.5, 4.2])
    file = read(series_in(tmp_path / "ct", heights))
    assert [r.code for r in file.remarks] == ["uneven-slices"]
    assert "0.5 to 0.8 mm apart" in file.remarks[0].message
    assert file.volume.values.shape[2] == 9
    assert_right(file, atol=1.1)


def test_two_zones_of_steps_are_uneven_not_missing(tmp_path):
    file = read(series_in(tmp_path / "ct", [0.0, 0.5, 1.0, 1.5, 2.5, 3.5, 4.5]))
    assert [r.code for r in file.remarks] == ["uneven-slices"]
    assert_right(file, atol=1.1)


@pytest.mark.parametrize("numbered", [True, False])
def test_a_missing_slice_is_an_error_that_says_where(tmp_path, numbered):
    heights = np.delete(0.5 * np.arange(10), 4)
    numbers = np.delete(np.arange(10), 4).tolist() if numbered else list(range(9))
    message = refused(series_in(tmp_path / "ct", heights, numbers=numbers))
    assert "1 slice is missing, 1 of them between" in message
    assert "(1 mm apart, the others 0.5 mm)" in message


def test_a_repeated_slice_is_an_error(tmp_path):
    message = refused(series_in(tmp_path / "ct", [0.0, 0.5, 1.0, 1.0, 1.5, 2.0]))
    assert "stand at the same place" in message


def test_a_turned_slice_is_an_error(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(6))
    lay(head(9), FIRST + 3.0 * NORMAL, column=np.array([0.0, 1.0, 0.0])).save_as(
        folder / "turned.dcm", enforce_file_format=True
    )
    assert "turned.dcm is turned against" in refused(folder)


def test_a_slice_of_another_size_is_an_error(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(6))
    lay(head(9, rows=8), FIRST + 3.0 * NORMAL).save_as(folder / "odd.dcm", enforce_file_format=True)
    assert "expected one size in a series" in refused(folder)


def test_a_slice_beside_the_others_is_an_error(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(6))
    lay(head(9), FIRST + 3.0 * NORMAL + [2.0, 0.0, 0.0]).save_as(folder / "aside.dcm", enforce_file_format=True)
    assert "beside the line of the others" in refused(folder)


def test_several_series_are_an_error_that_lists_them_and_one_can_be_chosen(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(6))
    series_in(folder, 0.7 * np.arange(4), series=f"{SERIES}.9", prefix="other")
    message = refused(folder)
    assert "holds 2 series" in message
    assert f"{SERIES} (number 3" in message
    assert "--series" in message
    assert read(folder, series=f"{SERIES}.9").volume.values.shape[2] == 4
    assert "has no series '7'" in refused(folder, series="7")


def test_other_files_are_passed_over_with_a_remark(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(5))
    (folder / "notes.txt").write_text("hello")
    (folder / "DICOMDIR").write_bytes(bytes(300))
    file = read(folder)
    assert [r.code for r in file.remarks] == ["files-passed-over"]
    assert "DICOMDIR, notes.txt" in file.remarks[0].message
    assert_right(file)


def test_a_folder_without_slices_is_refused(tmp_path):
    (tmp_path / "ct").mkdir()
    assert "holds no DICOM slices" in refused(tmp_path / "ct")
    (tmp_path / "ct" / "inner").mkdir()
    assert "Hand in the folder that holds the slices themselves" in refused(tmp_path / "ct")


def test_a_slice_that_does_not_say_where_it_lies_is_refused(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(5))
    data = lay(head(9), FIRST + 2.5 * NORMAL)
    del data.ImagePositionPatient
    data.save_as(folder / "lost.dcm", enforce_file_format=True)
    assert "lost.dcm: has no ImagePositionPatient of 3 numbers" in refused(folder)


def test_packed_slices_that_cannot_be_unpacked_are_refused_with_the_name(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(4))
    for path in folder.iterdir():
        data = pydicom.dcmread(path)
        data.file_meta.TransferSyntaxUID = JPEG2000Lossless
        data.PixelData = pydicom.encaps.encapsulate([b"\xff\x4fnothing"])
        data["PixelData"].VR = "OB"
        data.save_as(path, enforce_file_format=True)
    assert "packed as JPEG 2000" in refused(folder)


def test_big_endian_slices_read_as_little_endian_ones_do(tmp_path):
    for n in range(4):
        data = lay(head(n), FIRST + 0.5 * n * NORMAL)
        data.PixelData = np.frombuffer(data.PixelData, "<u2").astype(">u2").tobytes()
        data.file_meta.TransferSyntaxUID = ExplicitVRBigEndian
        data.save_as(tmp_path / f"{n}.dcm", enforce_file_format=True)
    assert_right(read(tmp_path))


def frames_in(path, count=6):
    """One file of many frames, as cone-beam units export them."""
    data = head(0)
    data.file_meta.MediaStorageSOPClassUID = data.SOPClassUID = EnhancedCTImageStorage
    data.NumberOfFrames = count
    planes, groups = [], []
    for n in range(count):
        one = lay(head(n), FIRST + 0.5 * n * NORMAL)
        planes.append(one.PixelData)
        place = Dataset()
        place.ImagePositionPatient = one.ImagePositionPatient
        group = Dataset()
        group.PlanePositionSequence = Sequence([place])
        groups.append(group)
    turned, measures, scale, shared = Dataset(), Dataset(), Dataset(), Dataset()
    turned.ImageOrientationPatient, measures.PixelSpacing = one.ImageOrientationPatient, one.PixelSpacing
    scale.RescaleSlope, scale.RescaleIntercept = 1, -1024
    shared.PlaneOrientationSequence, shared.PixelMeasuresSequence = Sequence([turned]), Sequence([measures])
    shared.PixelValueTransformationSequence = Sequence([scale])
    data.SharedFunctionalGroupsSequence, data.PerFrameFunctionalGroupsSequence = Sequence([shared]), Sequence(groups)
    data.PixelData = b"".join(planes)
    data.save_as(path, enforce_file_format=True)
    return path


def test_a_file_of_many_frames_is_a_volume(tmp_path):
    file = read(frames_in(tmp_path / "frames.dcm"))
    assert file.volume.values.shape == (5, 6, 6)
    assert_right(file)


def test_one_slice_alone_is_refused(tmp_path):
    folder = series_in(tmp_path / "ct", [0.0])
    assert "expected a series of at least two" in refused(folder)
    assert "expected a folder that holds the whole series" in refused(next(folder.iterdir()))


def test_limits_are_named(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(4))
    assert "limits.slices = 3" in refused(folder, limits=Limits(slices=3))
    data = lay(head(9), FIRST + 2.5 * NORMAL)
    data.Rows = data.Columns = 60000
    huge = tmp_path / "huge"
    huge.mkdir()
    for n in range(2):
        data.ImagePositionPatient = [0, 0, n]
        data.save_as(huge / f"{n}.dcm", enforce_file_format=True)
    assert "limits.volume_mib = 1024" in refused(huge)


def test_what_is_a_volume_is_seen_by_its_content(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(2))
    assert is_volume(folder)
    plain = tmp_path / "no-suffix"
    plain.write_bytes(next(folder.iterdir()).read_bytes())
    assert is_volume(plain)
    (tmp_path / "a.stl").write_bytes(b"solid a\nendsolid")
    assert not is_volume(tmp_path / "a.stl")
    assert is_volume(tmp_path / "gone.nii.gz")
    assert "cannot be read" in refused(tmp_path / "gone.nii.gz")


@pytest.mark.parametrize("of", ["slices", "frames"])
def test_damaged_files_are_read_or_refused_in_one_sentence(tmp_path, of):
    # Cut short anywhere, or with bytes of the head changed: never another kind of failure.
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(3))
    victim = sorted(folder.iterdir())[1] if of == "slices" else frames_in(tmp_path / "frames.dcm")
    whole, rng = victim.read_bytes(), np.random.default_rng(12)
    for n in range(120):
        data = bytearray(whole)
        if n % 3 == 0:
            data = data[: rng.integers(0, len(data))]
        for at in 128 + rng.integers(0, max(len(data) - 128, 1), rng.integers(1, 6)):
            if at < len(data):
                data[at] = rng.integers(0, 256)
        victim.write_bytes(data)
        assert said_of(folder if of == "slices" else victim).isprintable()


def said_of(path) -> str:
    try:
        read(path)
    except InputError as error:
        return str(error)
    return ""


def as_zip(folder, path, *, inside=""):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(folder.iterdir()):
            archive.write(file, inside + file.name)
    return path


@pytest.mark.parametrize("inside", ["", "patient/study/series/"])
def test_a_zip_of_a_series_is_read_as_its_folder(tmp_path, inside):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(9))
    path = as_zip(folder, tmp_path / "ct.zip", inside=inside)
    assert is_volume(path)
    file, same = read(path), read(folder)
    assert_right(file)
    assert file.sha256 == same.sha256


def test_other_zips_are_no_volumes(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.3mf", "w") as archive:
        archive.writestr("3D/3dmodel.model", "<model/>" * 40)
    assert not is_volume(tmp_path / "a.3mf")


def test_a_zip_cannot_fill_the_memory_or_reach_outside(tmp_path):
    # A slice that unpacks to 3 MiB of nothing, one that is a link, one too many.
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(3))
    bomb = as_zip(folder, tmp_path / "bomb.zip")
    with zipfile.ZipFile(bomb, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("more.dcm", bytes(128) + b"DICM" + bytes(3 << 20))
    assert "unpacks to 3.0 MiB, expected at most unpacked_mib = 2" in refused(bomb, limits=Limits(unpacked_mib=2))
    assert "expected at most limits.slices = 2" in refused(bomb, limits=Limits(slices=2))
    outside = as_zip(folder, tmp_path / "outside.zip")
    with zipfile.ZipFile(outside, "a") as archive:
        archive.writestr("../slice.dcm", b"x")
    assert "member '../slice.dcm' has a name with '..'" in refused(outside)


def test_a_zip_whose_head_lies_about_a_size_gives_no_more_than_it_says(tmp_path):
    folder = series_in(tmp_path / "ct", 0.5 * np.arange(3))
    path = as_zip(folder, tmp_path / "ct.zip")
    data = bytearray(path.read_bytes())
    for at in range(len(data) - 30):
        if data[at : at + 4] == b"PK\x01\x02":  # the directory's entry: its unpacked size at 24
            data[at + 24 : at + 28] = (600).to_bytes(4, "little")
    path.write_bytes(bytes(data))
    assert "cannot be read as DICOM" in refused(path)


def test_a_damaged_zip_is_refused_in_words(tmp_path):
    path = as_zip(series_in(tmp_path / "ct", 0.5 * np.arange(3)), tmp_path / "ct.zip")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    assert "cannot be read as a zip" in refused(path)
    broken = bytearray(data)
    broken[300] ^= 0xFF
    path.write_bytes(bytes(broken))
    assert "cannot be read as DICOM" in refused(path)
