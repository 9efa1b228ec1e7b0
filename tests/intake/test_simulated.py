"""What we simulate says so of itself, in every format, and the mark changes nothing else."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.exercise.folder import load_exercise
from kerfmark.geometry.mesh_files import FORMATS, SIMULATED, read_mesh_file, write_surface
from kerfmark.geometry.solids import Solid
from kerfmark.intake.motions import read_motion, write_motion
from kerfmark.records import Motion
from kerfmark.settings import Limits


def codes(remarks):
    return [remark.code for remark in remarks]


@pytest.mark.parametrize("form", FORMATS)
def test_a_simulated_surface_says_so_and_a_plain_one_does_not(tmp_path, form):
    # Source: trimesh reads the noted file as it reads the plain one.
    box = Solid.box([0, 0, 0], [1, 2, 3]).surface()
    noted, plain = tmp_path / f"noted.{form}", tmp_path / f"plain.{form}"
    write_surface(noted, box, note=SIMULATED)
    write_surface(plain, box)
    read = [read_mesh_file(path, name=path.name, limits=Limits()) for path in (noted, plain)]
    assert [codes(file.remarks) for file in read] == [["simulated"], []]
    np.testing.assert_array_equal(read[0].surface.vertices_mm, read[1].surface.vertices_mm)
    theirs = [trimesh.load(path, force="mesh").volume for path in (noted, plain)]
    assert theirs[0] == theirs[1] > 0.0


@pytest.mark.parametrize("suffix", [".parquet", ".csv"])
@pytest.mark.parametrize("simulated", [True, False])
def test_a_simulated_motion_says_so(tmp_path, settings, suffix, simulated):
    exercise = load_exercise("straight-line", limits=settings.limits, cache_dir=settings.cache_dir).exercise
    n = 20
    tip, still = np.linspace([0, 0, 0], [1, 0, 0], n), np.tile([1.0, 0, 0, 0], (n, 1))
    motion = Motion(
        np.arange(n) / 1e3, tip, still, np.arange(n) > 0, np.ones(n, bool), np.zeros(n, np.int32), ("round 1.0",)
    )
    write_motion(tmp_path / f"m{suffix}", motion, exercise, simulated=simulated)
    back = read_motion(tmp_path / f"m{suffix}", exercise)
    assert ("simulated" in codes(back.remarks)) == simulated
    np.testing.assert_allclose(back.tip_mm, tip, atol=1e-12)
