"""What is made of an exercise once: in the tooth frame, where plain geometry says, and kept safely."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import LoadedExercise, load_exercise, save_exercise
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import is_closed, volume_mm3
from kerfmark.settings import Limits


def loaded(folder: Path, table: dict[str, Any], assets: dict[str, bytes]) -> LoadedExercise:
    save_exercise(folder, as_exercise(table), assets)
    return load_exercise(folder, limits=Limits())


def ready(tmp_path: Path, table: dict[str, Any], assets: dict[str, bytes]) -> Prepared:
    return prepare(loaded(tmp_path / "exercise", table, assets), cache_dir=tmp_path / "cache", limits=Limits())


def stl(mesh: trimesh.Trimesh) -> bytes:
    data = mesh.export(file_type="stl")
    assert isinstance(data, bytes)
    return data


def cylinder(radius_mm: float, bottom_mm: float, top_mm: float, *, x_mm: float = 0.0) -> trimesh.Trimesh:
    mesh = trimesh.creation.cylinder(radius=radius_mm, height=top_mm - bottom_mm, sections=96)
    mesh.apply_translation([x_mm, 0.0, 0.5 * (bottom_mm + top_mm)])
    return mesh


def test_fixed_points_lie_on_what_target_and_subject_share(tmp_path, crown_table, crown_assets):
    # Source: the stump is cut above the shoulder at height 1 and kept below it, less 0.2 mm; its foot is hidden from above.
    prepared = ready(tmp_path, crown_table, crown_assets)
    points, normals = prepared.fixed_points, prepared.fixed_normals
    assert 10_000 < len(points) <= 20_000
    assert points[:, 2].max() <= 0.8 + 0.02
    assert points[:, 2].max() > 0.75
    np.testing.assert_allclose(np.hypot(points[:, 0], points[:, 1]), 5.0, atol=0.005)
    assert (np.einsum("ij,ij->i", normals[:, :2], points[:, :2]) > 4.9).all()
    # Spread evenly: no worse than counts of chance, whose 3 sigma are 6 percent of 2400.
    octant = np.floor(np.degrees(np.arctan2(points[:, 1], points[:, 0])) % 360.0 / 45.0).astype(int)
    counts = np.bincount(octant, minlength=8)
    assert counts.max() <= 1.06 * counts.min()


def test_an_envelope_decides_what_is_fixed(tmp_path, crown_table, crown_assets):
    # Source: a cylinder round all above height 2: points more than 0.1 mm below it are fixed.
    crown_table["permitted"]["envelope"] = "envelope.stl"
    assets = crown_assets | {"envelope.stl": stl(cylinder(7.0, 2.0, 8.0))}
    points = ready(tmp_path, crown_table, assets).fixed_points
    assert points[:, 2].max() == pytest.approx(1.9, abs=0.02)


def test_with_no_plan_at_all_the_lower_part_is_fixed_and_that_is_said(tmp_path, crown_table, crown_assets):
    del crown_table["target"]
    prepared = ready(tmp_path, crown_table, crown_assets)
    assert prepared.fixed_points[:, 2].max() <= 0.0
    assert "nothing-fixed" in [remark.code for remark in prepared.remarks]


def test_everything_is_carried_to_the_tooth_frame(tmp_path, crown_table, crown_assets):
    # Source: the same solids and frame moved by one rigid motion must be prepared alike.
    turn = trimesh.transformations.rotation_matrix(0.7, [1.0, 2.0, 3.0])
    turn[:3, 3] = [10.0, -20.0, 30.0]
    moved = {}
    for name, data in crown_assets.items():
        mesh = trimesh.load(trimesh.util.wrap_as_stream(data), file_type="stl")
        mesh.apply_transform(turn)
        moved[name] = stl(mesh)
    plain = ready(tmp_path / "plain", crown_table, crown_assets)
    site = crown_table["sites"][0]
    site["point"] = (turn @ [*site["point"], 1.0])[:3].tolist()
    crown_table["frame"] |= {
        "origin": turn[:3, 3].tolist(), "occlusal": turn[:3, 2].tolist(), "facial": (2.0 * turn[:3, 1]).tolist(),
    }  # fmt: skip
    turned = ready(tmp_path / "turned", crown_table, moved)
    np.testing.assert_allclose(turned.frame @ turn, np.eye(4), atol=1e-9)
    np.testing.assert_allclose(turned.sites[0].point_mm, plain.sites[0].point_mm, atol=1e-9)
    assert plain.subject is not None
    assert turned.subject is not None
    # STL holds single precision: 4e-6 mm at these sizes.
    assert volume_mm3(turned.subject) == pytest.approx(volume_mm3(plain.subject), rel=1e-5)
    probe = np.random.default_rng(5).uniform(-5.2, 5.2, (500, 3))
    near = np.abs(sample(plain.subject_grid, probe)) < 0.5
    np.testing.assert_allclose(
        sample(turned.subject_grid, probe)[near], sample(plain.subject_grid, probe)[near], atol=0.02
    )


def test_a_site_is_every_subject_point_within_half_a_millimetre(tmp_path, crown_table, crown_assets):
    # Source: on a flat top the patch is a disc of radius 0.5; points 0.05 mm apart stand for 0.0025 mm² each.
    site = ready(tmp_path, crown_table, crown_assets).sites[0]
    away = np.linalg.norm(site.points_mm - site.point_mm, axis=1)
    assert away.max() <= 0.5
    assert len(away) * 0.0025 == pytest.approx(np.pi * 0.25, rel=0.05)
    # Area inside radius r goes with r²: half of the points lie within 0.5 / √2.
    assert np.median(away) == pytest.approx(0.5 / np.sqrt(2.0), abs=0.01)
    np.testing.assert_allclose(site.inward, np.tile([0.0, 0.0, -1.0], (len(away), 1)), atol=1e-9)


def test_a_site_off_the_surface_is_refused(tmp_path, crown_table, crown_assets):
    crown_table["sites"][0]["point"] = [1.0, 0.5, 7.0]
    with pytest.raises(InputError, match=r"site 'top' is over 0\.5 mm from the subject's surface"):
        ready(tmp_path, crown_table, crown_assets)


def test_crown_points_have_inward_normals_averaged_over_an_edge(tmp_path, crown_table, crown_assets):
    # Source: on the cylinder's side inward is towards the axis; at the rim the two normals average to about 45 degrees.
    prepared = ready(tmp_path, crown_table, crown_assets)
    points, inward = prepared.surface_points, prepared.surface_normals
    side = (np.hypot(points[:, 0], points[:, 1]) > 4.99) & (points[:, 2] < 5.5)
    radial = -points[side, :2] / 5.0
    assert np.einsum("ij,ij->i", inward[side, :2], radial).min() > 0.999
    rim = np.hypot(np.hypot(points[:, 0], points[:, 1]) - 5.0, points[:, 2] - 6.0) < 0.05
    lean = np.degrees(np.arcsin(-inward[rim, 2]))
    # Half a disc of radius 0.3 on either side; 0.05 mm off the edge tips the balance by up to 6 degrees, the 90 points of
    # the average by 3 more (1 sigma).
    assert lean.mean() == pytest.approx(45.0, abs=2.0)
    np.testing.assert_allclose(lean, 45.0, atol=15.0)
    np.testing.assert_allclose(np.linalg.norm(inward, axis=1), 1.0, atol=1e-12)


def test_one_open_base_is_capped_with_a_remark(tmp_path, crown_table, crown_assets):
    # Source: the capped cylinder has its volume again: 48 sin(2π/96) r² h for 96 sides.
    mesh = trimesh.load(trimesh.util.wrap_as_stream(crown_assets["subject.stl"]), file_type="stl")
    mesh.update_faces(mesh.triangles_center[:, 2] > -3.99)
    prepared = ready(tmp_path, crown_table, crown_assets | {"subject.stl": stl(mesh)})
    assert prepared.subject is not None
    assert is_closed(prepared.subject)
    assert volume_mm3(prepared.subject) == pytest.approx(48 * np.sin(2 * np.pi / 96) * 25.0 * 10.0, rel=1e-6)
    assert "base-capped" in [remark.code for remark in prepared.remarks]


def test_other_open_edges_are_refused_with_their_number(tmp_path, crown_table, crown_assets):
    mesh = trimesh.load(trimesh.util.wrap_as_stream(crown_assets["subject.stl"]), file_type="stl")
    for cut in (mesh.triangles_center[:, 2] < 5.99, np.abs(mesh.triangles_center[:, 2] - 1.0) < 4.99):
        opened = mesh.copy()
        opened.update_faces(cut)
        with pytest.raises(InputError, match=r"subject\.stl has (96|192) open edges"):
            ready(tmp_path, crown_table, crown_assets | {"subject.stl": stl(opened)})


def test_a_subject_in_metres_is_refused_with_its_factor(tmp_path, crown_table, crown_assets):
    mesh = trimesh.load(trimesh.util.wrap_as_stream(crown_assets["subject.stl"]), file_type="stl")
    mesh.apply_scale(0.001)
    with pytest.raises(InputError, match=r"m \(factor 1000\)"):
        ready(tmp_path, crown_table, crown_assets | {"subject.stl": stl(mesh)})


@pytest.mark.parametrize(
    ("part", "told"),
    [
        ({"layers": {"pulp": "other.stl"}}, "other.stl: 100% of the layer pulp lies outside the subject"),
        ({"neighbours": {"mesial": "other.stl"}}, "other.stl lies 29 mm from the subject"),
        ({"gingiva": "other.stl"}, "other.stl lies 29 mm from the subject"),
    ],
)
def test_surfaces_of_another_place_are_refused(tmp_path, crown_table, crown_assets, part, told):
    # Source: two cylinders of radius 5 and 1 whose axes are 35 mm apart leave a gap of 29 mm.
    crown_table["subject"] |= part
    with pytest.raises(InputError, match=told):
        ready(tmp_path, crown_table, crown_assets | {"other.stl": stl(cylinder(1.0, 0.0, 3.0, x_mm=35.0))})


def test_a_damaged_file_is_named(tmp_path, crown_table, crown_assets):
    with pytest.raises(InputError, match=r"target\.stl"):
        ready(tmp_path, crown_table, crown_assets | {"target.stl": b"no mesh at all"})


def same(a: Prepared, b: Prepared) -> bool:
    pairs = (
        (a.fixed_points, b.fixed_points), (a.surface_normals, b.surface_normals), (a.sites[0].points_mm, b.sites[0].points_mm),
        (a.subject_grid.values, b.subject_grid.values), (a.search_grid.values, b.search_grid.values),
    )  # fmt: skip
    return all(np.array_equal(x, y) for x, y in pairs) and a.version == b.version


def never_kept(tmp_path) -> Prepared:
    """Made, with a file where the cache's folder should be, so that nothing is read back."""
    exercise = load_exercise(tmp_path / "exercise", limits=Limits())
    return prepare(exercise, cache_dir=tmp_path / "exercise" / "exercise.toml", limits=Limits())


def test_it_is_read_back_the_same_within_60_ms(tmp_path, crown_table, crown_assets):
    ready(tmp_path, crown_table, crown_assets)
    first = never_kept(tmp_path)
    exercise = load_exercise(tmp_path / "exercise", limits=Limits())
    taken = []
    for _ in range(5):
        start = time.perf_counter()
        again = prepare(exercise, cache_dir=tmp_path / "cache", limits=Limits())
        taken.append(time.perf_counter() - start)
    assert same(first, again)
    assert min(taken) < 0.060


@pytest.mark.parametrize("damage", ["cut", "emptied", "index", "gone", "swapped"])
def test_a_damaged_cache_is_made_anew(tmp_path, crown_table, crown_assets, damage):
    ready(tmp_path, crown_table, crown_assets)
    [index] = (tmp_path / "cache" / "prepared").rglob("index.json")
    array = index.parent / "values.bin"
    if damage == "cut":
        array.write_bytes(array.read_bytes()[:1000])
    elif damage == "emptied":
        array.write_bytes(b"")
    elif damage == "index":
        index.write_text('{"arrays": {')
    elif damage == "gone":
        array.unlink()
    else:
        places = json.loads(index.read_text())
        places["arrays"]["fixed_points"][2] = array.stat().st_size - 8
        index.write_text(json.dumps(places))
    fresh = load_exercise(tmp_path / "exercise", limits=Limits())
    assert same(prepare(fresh, cache_dir=tmp_path / "cache", limits=Limits()), never_kept(tmp_path))
    assert array.stat().st_size > 100_000


def test_what_was_just_made_is_handed_on_as_it_is_read_back(tmp_path, crown_table, crown_assets):
    # Loops are compiled for the arrays they are given: those of the first process must be like those of all later ones.
    first = ready(tmp_path, crown_table, crown_assets)
    again = ready(tmp_path, crown_table, crown_assets)
    for a, b in ((first.subject_grid.values, again.subject_grid.values), (first.fixed_points, again.fixed_points)):
        assert (a.dtype, a.flags.num, a.strides) == (b.dtype, b.flags.num, b.strides)


def test_a_place_that_cannot_be_written_is_said_and_does_no_harm(tmp_path, crown_table, crown_assets):
    (tmp_path / "cache").write_text("a file where the folder should be")
    prepared = ready(tmp_path, crown_table, crown_assets)
    assert "cache-not-written" in [remark.code for remark in prepared.remarks]


THERE = """
import sys
from pathlib import Path
from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.prepared import prepare
from kerfmark.settings import Limits
exercise = load_exercise(Path(sys.argv[1]), limits=Limits())
print(len(prepare(exercise, cache_dir=Path(sys.argv[2]), limits=Limits()).fixed_points))
"""


def test_two_processes_at_once_leave_one_whole_cache(tmp_path, crown_table, crown_assets):
    loaded(tmp_path / "exercise", crown_table, crown_assets)
    command = [sys.executable, "-c", THERE, str(tmp_path / "exercise"), str(tmp_path / "cache")]
    running = [subprocess.Popen(command, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    counts = [process.communicate(timeout=120)[0] for process in running]
    assert [process.returncode for process in running] == [0, 0]
    assert counts[0] == counts[1]
    [place] = (tmp_path / "cache" / "prepared").iterdir()
    assert [entry.name for entry in place.iterdir() if entry.name.startswith(".")] == []
