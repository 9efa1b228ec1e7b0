"""The rig's transform, its uncertainty, and the tip from pivoting poses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from motion_rows import COLUMNS, as_csv, rows, saved
from scipy.spatial.transform import Rotation

from kerfmark.errors import InputError
from kerfmark.geometry.frames import rotation_about
from kerfmark.intake.motions import calibrate_tip, read_motion, read_rig
from kerfmark.intake.motions.turning import product, quaternion_of, shortest_turn, turned
from kerfmark.settings import Limits


def rig_file(folder: Path, matrix, **more) -> Path:
    lines = [f"matrix = {np.asarray(matrix).tolist()}"]
    values = {"u_position_um": 30.0, "u_angle_deg": 0.1} | more
    lines += [f"{key} = {value}" for key, value in values.items() if value is not None]
    path = folder / "rig.toml"
    path.write_text("\n".join(lines))
    return path


def test_a_rig_carries_tips_axes_and_forces_into_the_exercise(slab, tmp_path):
    matrix = rotation_about([1.0, 2.0, 3.0], 50.0)
    matrix[:3, 3] = [4.0, 5.0, 6.0]
    rng = np.random.default_rng(2)
    table = rows(30)
    turns = Rotation.from_rotvec(rng.normal(0.0, 0.01, (30, 3)))
    table[:, 4:] = turns.as_quat(scalar_first=True)
    full = np.column_stack([table, rng.normal(size=(30, 3))])
    path = saved(tmp_path, as_csv(full, columns=(*COLUMNS, "fx_n", "fy_n", "fz_n")))
    motion = read_motion(path, slab, rig_file(tmp_path, matrix))
    turn = Rotation.from_matrix(matrix[:3, :3])
    np.testing.assert_allclose(motion.tip_mm, turn.apply(table[:, 1:4]) + np.array([3.0, 3.0, 3.0]), atol=1e-12)
    axes = Rotation.from_quat(motion.orientation, scalar_first=True).apply([0.0, 0.0, 1.0])
    np.testing.assert_allclose(axes, (turn * turns).apply([0.0, 0.0, 1.0]), atol=1e-12)
    np.testing.assert_allclose(motion.force_n, turn.apply(full[:, 8:]), atol=1e-12)
    assert (motion.u_position_um, motion.u_angle_deg) == (30.0, 0.1)


def test_a_tracked_body_with_a_known_tip_gives_the_tip(slab, tmp_path):
    # The body turns about its tip: whatever it does, the tip stands still and the axis is the one given.
    rng = np.random.default_rng(3)
    turns, tip, axis = (
        Rotation.from_rotvec(rng.normal(0.0, 0.2, (30, 3))),
        np.array([3.0, -2.0, 120.0]),
        np.array([0.6, 0.0, -0.8]),
    )
    table = rows(30, rate_hz=10.0)
    table[:, 1:4] = [7.0, 8.0, 9.0] - turns.apply(tip)
    table[:, 4:] = turns.as_quat(scalar_first=True)
    path = saved(tmp_path, as_csv(table))
    motion = read_motion(path, slab, rig_file(tmp_path, np.eye(4), tip_mm=tip.tolist(), axis=axis.tolist()))
    np.testing.assert_allclose(motion.tip_mm, np.tile([6.0, 6.0, 6.0], (30, 1)), atol=1e-9)
    axes = Rotation.from_quat(motion.orientation, scalar_first=True).apply([0.0, 0.0, 1.0])
    np.testing.assert_allclose(axes, turns.apply(axis), atol=1e-12)


MIRROR, SHEAR = np.diag([1.0, 1.0, -1.0, 1.0]), np.eye(4) + 0.1 * np.eye(4, k=1)


@pytest.mark.parametrize(("matrix", "more", "message"), [
    (MIRROR, {}, "determinant −1"),
    (SHEAR, {}, "stretches or shears"),
    (2.0 * np.eye(4), {}, "last row of matrix"),
    (np.eye(3), {}, "expected 4 × 4 finite numbers"),
    (np.eye(4), {"u_position_um": -1.0}, "0 or more"),
    (np.eye(4), {"u_angle_deg": None}, "has no u_angle_deg"),
    (np.eye(4), {"u_position_um": "true"}, "0 or more"),
    (np.eye(4), {"speed": 1}, "key 'speed' is not known"),
    (np.eye(4), {"axis": [0.0, 0.0, 0.0]}, "axis has no length"),
])  # fmt: skip
def test_a_rig_that_is_none_is_refused(tmp_path, matrix, more, message):
    with pytest.raises(InputError, match=message):
        read_rig(rig_file(tmp_path, matrix, **more), limits=Limits())


def test_the_published_pivot_calibration_comes_out(open_data):
    # Source: open data pivot-poses-bsd (University College London), published_result.txt, read there.
    recorded = np.loadtxt(open_data / "pivot-poses-bsd" / "pivot_poses.csv", delimiter=",", skiprows=1)
    tip = calibrate_tip(recorded[:, 1:].reshape(-1, 4, 4))
    np.testing.assert_allclose(tip.tip_mm, [-14.47617201, 395.14282161, -7.55790421], atol=1e-6)
    np.testing.assert_allclose(tip.pivot_mm, [-805.28473588, -85.44779266, -2112.0664371], atol=1e-6)
    assert tip.residual_mm == pytest.approx(1.83846644201, abs=1e-9)


def test_the_uncertainty_of_the_tip_is_what_repeats_show():
    rng, tips, stated = np.random.default_rng(8), [], []
    for _ in range(60):
        turns = [rotation_about([np.cos(a), np.sin(a), 0.2], 25.0) for a in np.linspace(0.0, 6.0, 60)]
        for turn in turns:
            turn[:3, 3] = -turn[:3, :3] @ [0.0, 0.0, 150.0] + rng.normal(0.0, 0.1, 3)
        found = calibrate_tip(turns)
        tips.append(found.tip_mm)
        stated.append(found.u_tip_mm)
    # 60 repeats give a standard deviation within about 9 %; three times that.
    np.testing.assert_allclose(np.std(tips, axis=0), np.mean(stated, axis=0), rtol=0.27)


def test_a_tool_that_turns_about_one_axis_only_is_refused():
    turns = [rotation_about([0.0, 0.0, 1.0], 3.0 * n) for n in range(60)]
    with pytest.raises(InputError, match="turned too little"):
        calibrate_tip(turns)


def test_quaternions_agree_with_scipy():
    rng = np.random.default_rng(4)
    a, b = (Rotation.random(50, rng=rng) for _ in range(2))
    one, two = a.as_quat(scalar_first=True), b.as_quat(scalar_first=True)
    both = Rotation.from_quat(product(one, two), scalar_first=True)
    np.testing.assert_allclose((both.inv() * (a * b)).magnitude(), 0.0, atol=1e-12)
    points = rng.normal(size=(50, 3))
    np.testing.assert_allclose(turned(one, points), a.apply(points), atol=1e-12)
    for turn in (*a[:5], Rotation.from_rotvec([np.pi, 0.0, 0.0]), Rotation.identity()):
        again = Rotation.from_quat(quaternion_of(turn.as_matrix()), scalar_first=True)
        assert (again.inv() * turn).magnitude() < 1e-7
    axes = np.vstack([points / np.linalg.norm(points, axis=1, keepdims=True), [[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]]])
    np.testing.assert_allclose(turned(shortest_turn(axes), np.tile([0.0, 0.0, 1.0], (52, 1))), axes, atol=1e-12)
