"""NRRD and NIfTI against a general library, their strict rules, and damaged files."""

from __future__ import annotations

import gzip
import struct

import numpy as np
import pytest
import SimpleITK

from kerfmark.errors import InputError
from kerfmark.geometry.volume_files import read_volume_file
from kerfmark.geometry.volumes import sample_volume
from kerfmark.settings import Limits

VALUES = np.random.default_rng(5).integers(-1000, 2000, (6, 5, 4)).astype(np.int16)  # z, y, x
COLUMNS = [0.36, 0.48, 0.8, -0.8, 0.6, 0.0, -0.48, -0.64, 0.6]
"""A turned frame of exact squares: each column of length 1 (3-4-5 triangles)."""


@pytest.fixture
def image() -> SimpleITK.Image:
    image = SimpleITK.GetImageFromArray(VALUES)
    image.SetSpacing((0.3, 0.4, 0.5))
    image.SetOrigin((10.0, -20.0, 5.0))
    image.SetDirection(COLUMNS)
    return image


def read(path, **limits):
    return read_volume_file(path, name=path.name, limits=Limits(**limits))


def refused(data: bytes, name: str = "ct.nrrd", **limits) -> str:
    with pytest.raises(InputError) as caught:
        read_volume_file(data, name=name, limits=Limits(**limits))
    message = str(caught.value)
    assert message.startswith(name)
    assert "\n" not in message
    return message


@pytest.mark.parametrize("name", ["ct.nrrd", "ct.nii", "ct.nii.gz"])
@pytest.mark.parametrize("kind", [SimpleITK.sitkInt16, SimpleITK.sitkUInt8, SimpleITK.sitkFloat32, SimpleITK.sitkInt32])
def test_every_voxel_stands_where_the_general_library_puts_it(image, tmp_path, name, kind):
    # Source: SimpleITK writes the file and says where each voxel lies (LPS, as ours).
    made = SimpleITK.Cast(SimpleITK.Clamp(image, SimpleITK.sitkInt16, 0, 250), kind)
    SimpleITK.WriteImage(made, str(tmp_path / name))
    file = read(tmp_path / name)
    assert file.volume.values.shape == (4, 5, 6)
    np.testing.assert_array_equal(file.volume.values, SimpleITK.GetArrayFromImage(made).transpose(2, 1, 0))
    for index in [(0, 0, 0), (3, 0, 0), (0, 4, 0), (2, 3, 5)]:
        ours = file.volume.matrix @ [*index, 1.0]
        np.testing.assert_allclose(ours[:3], made.TransformIndexToPhysicalPoint(index), atol=1e-4)


def test_packed_nrrd_reads_as_plain_does(image, tmp_path):
    SimpleITK.WriteImage(image, str(tmp_path / "packed.nrrd"), True)
    np.testing.assert_array_equal(read(tmp_path / "packed.nrrd").volume.values, VALUES.transpose(2, 1, 0))


def test_greys_between_voxels_are_those_of_the_general_library(image, tmp_path):
    # Source: SimpleITK, linear interpolation at physical points.
    SimpleITK.WriteImage(image, str(tmp_path / "ct.nrrd"))
    volume = read(tmp_path / "ct.nrrd").volume
    inner = np.random.default_rng(1).uniform(0.0, [3.0, 4.0, 5.0], (50, 3))
    points = [image.TransformContinuousIndexToPhysicalPoint(i.tolist()) for i in inner]
    expected = [image.EvaluateAtPhysicalPoint(p, SimpleITK.sitkLinear) for p in points]
    np.testing.assert_allclose(sample_volume(volume, points), expected, atol=1e-3)


def test_scaled_nifti_gives_scaled_greys(image, tmp_path):
    SimpleITK.WriteImage(image, str(tmp_path / "ct.nii"))
    data = bytearray((tmp_path / "ct.nii").read_bytes())
    struct.pack_into("<2f", data, 112, 0.5, -1024.0)  # scl_slope and scl_inter, nifti1.h
    file = read_volume_file(bytes(data), name="ct.nii", limits=Limits())
    np.testing.assert_allclose(file.volume.values, VALUES.transpose(2, 1, 0) * 0.5 - 1024.0)


def test_big_endian_nifti_reads_as_little_endian_does():
    values = VALUES.transpose(2, 1, 0)
    head = bytearray(352)
    struct.pack_into(">i", head, 0, 348)
    struct.pack_into(">8h", head, 40, 3, 4, 5, 6, 1, 1, 1, 1)
    struct.pack_into(">2h", head, 70, 4, 16)
    struct.pack_into(">f", head, 108, 352.0)
    head[123] = 2
    struct.pack_into(">2h", head, 252, 0, 1)
    struct.pack_into(">12f", head, 280, 0.3, 0, 0, 1, 0, 0.4, 0, 2, 0, 0, 0.5, 3)
    head[344:348] = b"n+1\0"
    file = read_volume_file(bytes(head) + values.astype(">i2").tobytes(order="F"), name="ct.nii", limits=Limits())
    np.testing.assert_array_equal(file.volume.values, values)
    np.testing.assert_allclose(file.volume.matrix[:3, 3], [-1, -2, 3])  # RAS turned to LPS
    np.testing.assert_allclose(np.diag(file.volume.matrix)[:3], [-0.3, -0.4, 0.5], rtol=1e-6)


def nrrd(**changed: str | None) -> bytes:
    fields = {
        "type": "short", "dimension": "3", "sizes": "4 5 6", "encoding": "raw", "endian": "little",
        "space": "left-posterior-superior", "space directions": "(0.3,0,0) (0,0.3,0) (0,0,0.3)",
        "space origin": "(0,0,0)",
    }  # fmt: skip
    fields |= {key.replace("_", " "): value for key, value in changed.items()}
    head = "".join(f"{key}: {value}\n" for key, value in fields.items() if value is not None)
    return f"NRRD0004\n{head}\n".encode() + VALUES.transpose(2, 1, 0).tobytes(order="F")


def test_a_plain_nrrd_is_read():
    file = read_volume_file(nrrd(), name="ct.nrrd", limits=Limits())
    np.testing.assert_array_equal(file.volume.values, VALUES.transpose(2, 1, 0))


def test_ras_nrrd_is_turned_to_lps():
    file = read_volume_file(nrrd(space="RAS", space_origin="(1,2,3)"), name="ct.nrrd", limits=Limits())
    np.testing.assert_allclose(file.volume.matrix @ [1, 1, 1, 1], [-1.3, -2.3, 3.3, 1])


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"endian": None}, "says no byte order"),
        ({"space": None}, "lacks 'space'"),
        ({"space_directions": None}, "lacks 'space directions'"),
        ({"space_origin": None}, "lacks 'space origin'"),
        ({"space": "scanner-xyz"}, "its space is 'scanner-xyz'"),
        ({"encoding": "hex"}, "encoded as 'hex'"),
        ({"dimension": "4", "sizes": "2 4 5 6"}, "has dimension 4"),
        ({"sizes": "4 5 7"}, "holds 240 bytes of voxels, expected 280"),
        ({"sizes": "4 5 5"}, "holds more voxels than its header says"),
        ({"sizes": "4 5 -6"}, "three whole numbers"),
        ({"sizes": "99999 99999 99999"}, "expected at most limits.volume_mib = 1024"),
        ({"sizes": "4 30 1"}, "at least 2"),
        ({"type": "block"}, "its type is 'block'"),
        ({"data_file": "ct.raw"}, "keeps its voxels in another file"),
        ({"space_directions": "(0.3,0,0) (0.3,0,0) (0,0,0.3)"}, "do not span space"),
        ({"space_directions": "(300,0,0) (0,300,0) (0,0,300)"}, "voxels are 300 × 300 × 300 mm"),
        ({"space_directions": "(nan,0,0) (0,1,0) (0,0,1)"}, "not finite"),
        ({"space_origin": "(0,0)"}, "expected three numbers"),
        ({"space_units": '"m" "m" "m"'}, "its space is in 'm, m, m'"),
        ({"encoding": "gzip"}, "packed voxels are damaged"),
    ],
)
def test_a_head_that_says_too_little_or_something_else_is_refused(changed, words):
    assert words in refused(nrrd(**changed))


def test_text_voxels_are_read_and_judged():
    words = " ".join(map(str, VALUES.transpose(2, 1, 0).ravel(order="F"))).encode()
    head = nrrd(encoding="ascii", endian=None).split(b"\n\n")[0] + b"\n\n"
    file = read_volume_file(head + words, name="ct.nrrd", limits=Limits())
    np.testing.assert_array_equal(file.volume.values, VALUES.transpose(2, 1, 0))
    assert "something else than numbers" in refused(head + words[:-4] + b" abc")
    assert "no whole number" in refused(head + b"0.5 " * 120)
    assert "holds 3 voxels" in refused(head + b"1 2 3")


def test_a_small_file_cannot_unpack_into_a_large_one():
    head = nrrd(encoding="gzip").split(b"\n\n")[0] + b"\n\n"
    assert "more voxels than its header says" in refused(head + gzip.compress(bytes(50_000_000)))


def test_voxels_that_are_no_numbers_are_refused():
    values = np.full((4, 5, 6), np.nan, dtype="<f4")
    head = nrrd(type="float").split(b"\n\n")[0] + b"\n\n"
    assert "not numbers" in refused(head + values.tobytes())


def test_limits_are_named():
    assert "limits.volume_mib = 1" in refused(nrrd(sizes="400 500 60"), volume_mib=1)
    assert "limits.file_mib = 1" in refused(nrrd() + bytes(2**21), file_mib=1)


def test_a_nifti_without_a_direction_is_refused(image, tmp_path):
    SimpleITK.WriteImage(image, str(tmp_path / "ct.nii"))
    data = bytearray((tmp_path / "ct.nii").read_bytes())
    struct.pack_into("<2h", data, 252, 0, 0)
    assert "gives no direction" in refused(bytes(data), "ct.nii")
    struct.pack_into("<h", data, 70, 128)
    assert "datatype is 128" in refused(bytes(data), "ct.nii")
    data[344:348] = b"ni1\0"
    assert "half of a pair" in refused(bytes(data), "ct.nii")


def test_content_decides_over_the_suffix_with_a_remark():
    file = read_volume_file(nrrd(), name="ct.nii", limits=Limits())
    assert [r.code for r in file.remarks] == ["suffix-differs"]


@pytest.mark.parametrize("name", ["ct.nrrd", "packed.nrrd", "ct.nii", "ct.nii.gz"])
def test_damaged_files_are_read_or_refused_in_one_sentence(image, tmp_path, name):
    # Cut short anywhere, or with bytes of the head changed: never another kind of failure.
    SimpleITK.WriteImage(image, str(tmp_path / name), name.startswith("packed"))
    whole, rng = (tmp_path / name).read_bytes(), np.random.default_rng(11)
    for n in range(300):
        data = bytearray(whole)
        if n % 3 == 0:
            data = data[: rng.integers(0, len(data))]
        for at in rng.integers(0, min(len(data), 700) or 1, rng.integers(1, 6)) if data else []:
            data[at] = rng.integers(0, 256)
        words = said_of(bytes(data), name)
        assert words == "" or (words.startswith(name) and words.isprintable())


def said_of(data: bytes, name: str) -> str:
    try:
        read_volume_file(data, name=name, limits=Limits())
    except InputError as error:
        return str(error)
    return ""


def test_a_detached_head_is_read_with_the_file_beside_it(image, tmp_path):
    # Source: SimpleITK writes head and voxels as two files.
    SimpleITK.WriteImage(image, str(tmp_path / "ct.nhdr"))
    file = read(tmp_path / "ct.nhdr")
    np.testing.assert_array_equal(file.volume.values, VALUES.transpose(2, 1, 0))
    np.testing.assert_allclose(
        (file.volume.matrix @ [1, 2, 3, 1])[:3], image.TransformIndexToPhysicalPoint((1, 2, 3)), atol=1e-4
    )
    other = tmp_path / "ct.raw"
    other.write_bytes(bytes(len(other.read_bytes())))
    assert read(tmp_path / "ct.nhdr").sha256 != file.sha256


@pytest.mark.parametrize(
    "named", ["../ct.raw", "/etc/hostname", "sub/ct.raw", "LIST", "ct%03d.raw 1 4 1", "lost.raw", "link.raw"]
)
def test_a_detached_head_is_followed_nowhere_else(image, tmp_path, named):
    inside = tmp_path / "in"
    (inside / "sub").mkdir(parents=True)
    SimpleITK.WriteImage(image, str(inside / "ct.nhdr"))
    data = (inside / "ct.raw").read_bytes()
    for place in (tmp_path / "ct.raw", inside / "sub" / "ct.raw"):
        place.write_bytes(data)
    (inside / "link.raw").symlink_to(tmp_path / "ct.raw")
    head = (inside / "ct.nhdr").read_bytes().replace(b"data file: ct.raw", b"data file: " + named.encode())
    (inside / "ct.nhdr").write_bytes(head)
    with pytest.raises(InputError, match=r"ct\.nhdr: keeps its voxels in another file"):
        read(inside / "ct.nhdr")


def test_a_head_without_an_end_or_a_file_says_so():
    assert "its head has no end" in refused(b"NRRD0004\ntype: short\n")
