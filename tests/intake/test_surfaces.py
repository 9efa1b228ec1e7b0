"""Taking in a learner's surface: unit, mending, parts, dust."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry.mesh import bounds_mm, joined, submesh, transformed, volume_mm3
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.phantoms import refined
from kerfmark.geometry.solids import Solid
from kerfmark.intake.surfaces import take_in
from kerfmark.records import Surface
from kerfmark.settings import Limits

LIMITS = Limits()


def scaled(surface: Surface, factor: float) -> Surface:
    return Surface(surface.vertices_mm * factor, surface.faces)


def written(folder: Path, surface: Surface, name: str = "piece.ply") -> Path:
    write_surface(folder / name, surface)
    return folder / name


def taken(path: Path, subject: Surface, **keywords):
    return take_in(path, name=path.name, subject_bounds_mm=bounds_mm(subject), limits=LIMITS, **keywords)


def test_a_sound_piece_comes_in_as_it_is(pebble, tmp_path):
    path = written(tmp_path, pebble)
    result = taken(path, pebble)
    assert result.remarks == ()
    assert result.health.closed
    assert result.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    (part,) = result.parts
    assert volume_mm3(part) == pytest.approx(volume_mm3(pebble), rel=1e-12)


def test_bytes_are_taken_like_a_file(pebble, tmp_path):
    path = written(tmp_path, pebble)
    result = take_in(path.read_bytes(), name="x.ply", subject_bounds_mm=bounds_mm(pebble), limits=LIMITS)
    assert result.sha256 == taken(path, pebble).sha256


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("in", 25.4), ("um", 1e-3)])
def test_a_unit_given_is_believed(pebble, tmp_path, unit, mm):
    result = taken(written(tmp_path, scaled(pebble, 1 / mm)), pebble, unit=unit)
    np.testing.assert_allclose(bounds_mm(result.parts[0]), bounds_mm(pebble), rtol=1e-12)


@pytest.mark.parametrize(("factor", "said"), [
    (1e-3, r"1000 times too small in mm .*fit in m .*--unit m\b"),
    (1 / 25.4, "25.4 times too small in mm .*--unit in"),
    (0.1, "10 times too small in mm .*--unit cm"),
    (1e3, "1000 times too large in mm .*--unit um"),
])  # fmt: skip
def test_a_size_that_does_not_fit_is_refused_with_the_factor_and_the_unit_that_would(pebble, tmp_path, factor, said):
    with pytest.raises(InputError, match=said):
        taken(written(tmp_path, scaled(pebble, factor)), pebble)


def test_a_size_no_unit_explains_is_refused_without_one(pebble, tmp_path):
    with pytest.raises(InputError, match="no unit makes it fit"):
        taken(written(tmp_path, scaled(pebble, 1e7)), pebble)


def test_a_glb_in_metres_needs_no_word(pebble, tmp_path):
    (part,) = taken(written(tmp_path, pebble, "piece.glb"), pebble).parts
    np.testing.assert_allclose(bounds_mm(part), bounds_mm(pebble), atol=1e-5)


def test_a_glb_written_in_millimetres_is_refused_and_taken_when_told(pebble, tmp_path):
    path = written(tmp_path, scaled(pebble, 1000.0), "piece.glb")
    with pytest.raises(InputError, match=r"1000 times too large in m .*--unit mm"):
        taken(path, pebble)
    np.testing.assert_allclose(bounds_mm(taken(path, pebble, unit="mm").parts[0]), bounds_mm(pebble), rtol=1e-5)


@pytest.mark.parametrize("factor", [0.3, 5.5])
def test_a_crown_alone_and_a_scan_of_the_whole_arch_both_fit(pebble, tmp_path, factor):
    assert len(taken(written(tmp_path, scaled(pebble, factor)), pebble).parts) == 1


def test_an_unknown_unit_is_refused(pebble, tmp_path):
    with pytest.raises(InputError, match="unit is 'yard', expected one of mm"):
        taken(written(tmp_path, pebble), pebble, unit="yard")


def test_parts_come_largest_first_and_dust_is_dropped_with_a_remark(pebble, tmp_path):
    neighbour = transformed(scaled(pebble, 0.8), [[1, 0, 0, 12], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
    crumbs = [Solid.box([x, 9, 9], [x + 0.1, 9.1, 9.1]).surface() for x in (0, 1, 2)]
    result = taken(written(tmp_path, joined([*crumbs, neighbour, pebble])), pebble)
    assert [round(volume_mm3(p) / volume_mm3(pebble), 6) for p in result.parts] == [1.0, 0.512]
    assert [(r.code, r.message) for r in result.remarks] == [("dust-dropped", "3 tiny loose parts dropped")]


def test_faults_are_mended_remarked_and_change_nothing(pebble, tmp_path):
    fine = refined(pebble, 0.25)
    faces = np.delete(fine.faces, [100, 5000, 9000], axis=0)[:, ::-1]
    result = taken(
        written(tmp_path, Surface(fine.vertices_mm, np.concatenate([faces, faces[:2]]).astype(np.int32))), pebble
    )
    assert [r.code for r in result.remarks] == ["mesh-mended"] * 3
    assert {r.message for r in result.remarks} == {
        "2 doubled faces dropped", f"{len(faces)} turned faces turned back", "3 pinholes closed",
    }  # fmt: skip
    assert {r.where for r in result.remarks} == {"piece.ply"}
    assert volume_mm3(result.parts[0]) == pytest.approx(volume_mm3(fine), rel=1e-12)


def test_an_open_scan_stays_open(pebble, tmp_path):
    crown = submesh(pebble, pebble.vertices_mm[pebble.faces][:, :, 2].min(axis=1) > 0)
    result = taken(written(tmp_path, crown), pebble)
    assert result.health.open_edges > 0
    assert len(result.parts[0].faces) == len(crown.faces)


def test_a_suffix_that_lies_is_remarked(pebble, tmp_path):
    path = written(tmp_path, pebble)
    (remark,) = take_in(path, name="piece.stl", subject_bounds_mm=bounds_mm(pebble), limits=LIMITS).remarks
    assert remark.code == "suffix-differs"


@pytest.mark.slow
def test_two_million_triangles_are_taken_in_within_seconds(pebble, tmp_path, capsys):
    fine = refined(pebble, 0.025)
    assert len(fine.faces) > 2_000_000
    path = written(tmp_path, fine, "piece.stl")
    taken(written(tmp_path, pebble, "small.stl"), pebble)
    started = time.perf_counter()
    result = taken(path, pebble)
    seconds = time.perf_counter() - started
    with capsys.disabled():
        print(f"\n{len(fine.faces)} triangles taken in within {seconds:.2f} s")
    assert len(result.parts) == 1
    assert seconds < 30.0  # a busy machine; about 2 s where nothing else runs
