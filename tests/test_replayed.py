"""The replay command: what it says and writes, on a box cut into a block in a frame of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
import zarr

import kerfmark
from kerfmark.errors import InputError
from kerfmark.exercise.folder import load_exercise
from kerfmark.intake.motions.writing import write_motion
from kerfmark.records import Motion

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))


@pytest.fixture(scope="module")
def brick(tmp_path_factory, settings):
    """A block whose top (+z of the tooth frame) is +x of its files, and a slot of 1 × 2 mm cut 0.8 deep, 5 s into the record."""
    from motion_phantoms import write_two_layers

    folder = write_two_layers(
        tmp_path_factory.mktemp("brick"),
        [7, 17, 28],
        [10, 23, 32],
        enamel_mm=0.5,
        up=0,
        permitted=["straight fissure 1.0"],
    )
    n = 200
    tip = np.stack([np.zeros(n), np.linspace(-1.0, 1.0, n), np.full(n, -0.8)], axis=1)
    upright = np.tile([1.0, 0.0, 0.0, 0.0], (n, 1))
    spinning = np.ones(n, dtype=bool)
    motion = Motion(
        5.0 + np.arange(n) / 200.0,
        tip,
        upright,
        np.arange(n) > 0,
        spinning,
        np.zeros(n, dtype=np.int32),
        ("straight fissure 1.0",),
    )
    exercise = load_exercise(folder, limits=settings.limits, cache_dir=settings.cache_dir).exercise
    write_motion(folder / "slot.parquet", motion, exercise)
    return folder


def run(brick, settings, *more):
    kept = {k: v for k, v in os.environ.items() if k in ("PYTHONPATH", "PATH", "NUMBA_CACHE_DIR", "HOME")}
    return subprocess.run(
        [sys.executable, "-m", "kerfmark", "replay", str(brick), *map(str, more)],
        capture_output=True, text=True, check=False, env=kept | {"KERFMARK_CACHE_DIR": str(settings.cache_dir)},
    )  # fmt: skip


def test_the_command_says_and_writes_what_was_removed(brick, settings, tmp_path):
    # Source: the slot's volume 0.8 × (2 + π/4) mm³ in all, 0.5 × in the upper layer; the format's fields.
    out = tmp_path / "left.ply"
    done = run(
        brick,
        settings,
        brick / "slot.parquet",
        "--grid-um",
        "50",
        "--surface",
        out,
        "--field",
        tmp_path / "cut.zarr",
        "--json",
        "-",
    )
    assert done.returncode == 0, done.stderr
    values = json.loads(done.stdout)
    area = 2.0 + np.pi / 4
    assert values["removed_mm3"]["all"] == pytest.approx(0.8 * area, rel=3e-3)
    assert values["removed_mm3"]["enamel"] == pytest.approx(0.5 * area, rel=5e-3)
    assert values["removed_mm3"]["dentine"] == pytest.approx(0.3 * area, rel=5e-3)
    assert values["duration_s"] == pytest.approx(0.995)
    assert (values["samples"], values["samples_used"]) == (200, 200)
    assert values["layers"]["enamel"]["first_cut_s"] == pytest.approx(5.0, abs=0.01)
    assert values["layers"]["dentine"]["last_cut_s"] == pytest.approx(5.995, abs=0.02)
    assert values["wall_s"] > 0
    mesh = trimesh.load(out, process=False)
    assert mesh.is_watertight
    # In the files' frame: the slot opens towards +x at x = 10 and runs along y about (20, 30).
    dated = mesh.metadata["_ply_raw"]["vertex"]["data"]["value"].ravel() >= 0
    low, high = mesh.vertices[dated].min(axis=0), mesh.vertices[dated].max(axis=0)
    np.testing.assert_allclose(low, [9.2, 18.5, 29.5], atol=0.03)
    np.testing.assert_allclose(high, [10.0, 21.5, 30.5], atol=0.06)  # the rim: the last vertex below it
    group = zarr.open_group(tmp_path / "cut.zarr", mode="r")
    deepest = np.argwhere(group["distance_mm"][:] <= 0)[0]
    voxel = 8 * group["blocks"][:][deepest[0]] + deepest[1:]
    point = np.array(group.attrs["matrix"]) @ [*(np.array(group.attrs["origin_mm"]) + 0.05 * voxel), 1.0]
    assert 9.15 <= point[0] <= 10.7
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.zarr", "left.ply"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--grid-um", "2"], "grid is 2 µm, expected 5 to 1000 µm"),
        (["--surface", "."], "is a folder"),
        (["--keep", "kept.npz", "--device", "cuda"], "--keep goes with --device cpu"),
    ],
)
def test_bad_usage_is_one_sentence(brick, settings, more, words):
    done = run(brick, settings, brick / "slot.parquet", *more)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stdout == ""


def test_what_was_kept_is_gone_on_from_and_never_the_record_itself(brick, settings, tmp_path):
    asked = ("--json", "-", "--keep", tmp_path / "kept.npz")
    first, second = (run(brick, settings, brick / "slot.parquet", *asked) for _ in range(2))
    assert first.returncode == second.returncode == 0, first.stderr + second.stderr
    one, two = json.loads(first.stdout), json.loads(second.stdout)
    assert one["removed_mm3"] == two["removed_mm3"]
    assert one["samples_used"] == two["samples_used"] == 200
    record = (brick / "slot.parquet").read_bytes()
    over = run(brick, settings, brick / "slot.parquet", "--keep", brick / "slot.parquet")
    assert over.returncode == 2
    assert (brick / "slot.parquet").read_bytes() == record


def test_python_gives_the_same(brick, settings):
    done = kerfmark.replay_motion(brick, brick / "slot.parquet", grid_um=100.0, settings=settings)
    assert done.as_json()["grid_um"] == pytest.approx(100.0)
    assert done.surface is not None
    assert "enamel" in "\n".join(done.summary_lines())
    with pytest.raises(InputError, match="5 to 1000"):
        kerfmark.replay_motion(brick, brick / "slot.parquet", grid_um=4000.0, settings=settings)


def test_a_surface_as_glb_carries_its_times(brick, settings, tmp_path):
    # Source: trimesh reads the attribute by the glTF rule for custom attributes (leading underscore).
    done = kerfmark.replay_motion(brick, brick / "slot.parquet", grid_um=100.0, settings=settings)
    done.write(surface=tmp_path / "left.glb", field=None)
    (mesh,) = trimesh.load(tmp_path / "left.glb", process=False).geometry.values()
    times = mesh.vertex_attributes["_VALUE"].ravel()
    assert len(times) == len(mesh.vertices)
    assert times.min() == -1.0
    assert 0.9 < times.max() <= 1.0
