"""A session cuts what the replay of its record cuts, feels what is left, and stays passive below the published limit."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.instruments import instrument
from kerfmark.live import TISSUE_STIFFNESS, Session, point_shell
from kerfmark.recorded import Recorded, piece_of
from kerfmark.replay import removal, replay

# Carries tooth-frame axes into the files': z to x, y to y, x = y × z to −z... as a quaternion of the files' own upright tool.
UPRIGHT = np.array([np.sqrt(0.5), 0.0, np.sqrt(0.5), 0.0])


def in_file(points):
    """Tooth frame to files' frame of the block: x̂ = ŷ × ẑ = (0, 1, 0) × (1, 0, 0) = (0, 0, −1)."""
    x, y, z = np.asarray(points, dtype=float).T
    return np.stack([10.0 + z, 20.0 + y, 30.0 - x], axis=-1)


def strokes(n=600):
    p = np.linspace(0.0, 1.0, n)
    tip = np.stack([1.5 * np.sin(9 * p), 1.2 * np.cos(7 * p), 0.3 - 1.2 * p], axis=1)
    lean = 0.2 * np.sin(5 * p)
    q = np.stack([np.cos(lean / 2), np.sin(lean / 2), 0 * p, 0 * p], axis=1)
    w, x = q[:, 0], q[:, 1]
    a, b = UPRIGHT[0], UPRIGHT[2]
    return in_file(tip), np.stack([w * a, x * a, w * b, x * b], axis=1)


def test_the_finished_cut_is_the_replay_of_the_record_bit_for_bit(felt, settings):
    # Source: the same samples replayed at once, through gaps, a jump and a still spindle.
    session = Session(felt, "chamfer diamond 0.8 to 1.2")
    tip, turn = strokes()
    time = np.arange(600) / 1000.0
    time[300:] += 0.5
    tip[300:] += [0.0, 0.3, 0.0]
    tip[450:] += [0.0, 0.0, 2.5]
    for n in range(600):
        session.step(time[n], tip[n], turn[n], 0.0 if 100 <= n < 140 else 2e5)
    motion = session.motion()
    assert not motion.joined[[0, 300, 450]].any()
    assert motion.joined.sum() == 597
    whole = replay(motion, felt.subject_grid, instruments=[session.tool], spacing_mm=0.05)
    live = session.field()
    assert (live.poses, live.samples, live.contacts) == (whole.poses, whole.samples, whole.contacts)
    for a, b in ((live.blocks, whole.blocks), (live.distance_mm, whole.distance_mm), (live.time_s, whole.time_s)):
        np.testing.assert_array_equal(a, b)
    piece = session.finish()
    again = piece_of(Recorded(motion, None), felt, source=felt.exercise.source)
    np.testing.assert_array_equal(piece.surface.vertices_mm, again.surface.vertices_mm)
    np.testing.assert_array_equal(piece.surface.faces, again.surface.faces)


def test_readings_follow_the_cut(felt):
    # Source: removal of the finished field; voxels whole by their centre's tissue, so tissues differ by half a tissue voxel (0.05 of 0.5 mm here) at most at their border.
    session = Session(felt, "chamfer diamond 0.8 to 1.2")
    tip, turn = strokes()
    events = []
    for n in range(700):
        m = min(n, 599)
        events += session.step(n / 1000.0, tip[m], turn[m], 2e5 if n < 600 else 0.0).events
    exact = removal(session.field(), felt.subject_grid, layers=felt.layer_grids).removed_mm3
    found = session.readings()
    assert found["all"] == pytest.approx(exact["all"], rel=1e-3)
    assert found["enamel"] == pytest.approx(exact["enamel"], rel=0.04)
    cuts = [(e.tissue, e.time_s) for e in events if e.kind == "first_cut"]
    assert [t for t, _ in cuts][:2] == ["enamel", "dentine"]
    # The tip passes z = 0 at a quarter of the way and z = −0.5 at two thirds.
    assert cuts[0][1] == pytest.approx(0.15, abs=0.06)
    assert cuts[1][1] == pytest.approx(0.4, abs=0.06)


def press(session, depth_mm, *, spindle=0.0, steps=30):
    """Lower the tool square onto the top, then hold it."""
    for n in range(steps):
        at = depth_mm * min(1.0, n / 10)
        last = session.step(n / 1000.0, in_file([[0.0, 0.0, -at]])[0], UPRIGHT, spindle)
    return last


def test_a_flat_end_pressed_square_feels_contact_and_coupling_in_series(felt):
    # Source: two springs in series; the flat end's weights add up to 1 by construction. 3 %: the rim's points stand on the grid's edge.
    session = Session(felt, "straight fissure 1.4", hardest_n_mm=4.0, coupling_n_mm=2.0)
    last = press(session, 0.09)
    assert session.felt_n_mm == pytest.approx(4.0 / 3.0)
    np.testing.assert_allclose(last.force_n, [session.felt_n_mm * 0.09, 0.0, 0.0], atol=0.03 * 0.12)
    assert last.tissue == "enamel"
    assert (session.field().distance_mm.size, session.readings()["all"]) == (0, 0.0)


def test_tissues_feel_by_the_ratio_of_their_moduli(felt):
    # Source: E of dentine over enamel, 18.6 / 80, in finite-element work (PMC9914466, table 1), through a coupling that hardly gives.
    forces = {}
    for tissue, opened in (("enamel", 0.0), ("dentine", 1.0)):
        session = Session(felt, "straight fissure 1.4", hardest_n_mm=1.0, coupling_n_mm=1e6)
        if opened:
            for n, z in enumerate(np.linspace(0.5, -opened, 200)):
                session.step(-1.0 + n / 1000.0, in_file([[0.0, 0.0, z]])[0], UPRIGHT, 2e5)
        at = in_file([[0.0, 0.0, -opened - 0.04]])[0]
        for n in range(20):
            last = session.step(n / 1000.0, at, UPRIGHT, 0.0)
        assert last.tissue == tissue
        forces[tissue] = last.force_n[0]
    assert forces["dentine"] / forces["enamel"] == pytest.approx(TISSUE_STIFFNESS["dentine"], rel=0.06)


@pytest.mark.parametrize(("share", "settles"), [(0.8, True), (1.3, False)])
def test_contact_is_stable_below_the_passivity_limit_and_not_above(felt, share, settles):
    # Source: Colgate & Schenkel: a device of damping b sampled every T stays passive for K < 2 b / T; b = 2 N·s/m and T = 1 ms
    # give 4000 N/m. A mass of 50 g lands on the block, held down by 0.2 N, force held between samples.
    b, period, mass, limit = 0.002, 1e-3, 0.05e-3, 4.0  # N·s/mm, s, N·s²/mm, N/mm
    stiffness = share * limit
    session = Session(felt, "straight fissure 1.4", hardest_n_mm=2.0 * stiffness, coupling_n_mm=2.0 * stiffness)
    assert session.felt_n_mm == pytest.approx(stiffness)
    z, speed, heights = 0.0005, 0.0, []
    for n in range(1500):
        up = session.step(n * period, in_file([[0.0, 0.0, z]])[0], UPRIGHT, 0.0).force_n[0]
        for _ in range(20):  # the device between two samples
            speed += (up - 0.02 - b * speed) / mass * period / 20
            z += speed * period / 20
        heights.append(z)
    swing = np.ptp(heights[-200:])
    if settles:
        assert swing < 2e-4
        assert np.mean(heights[-200:]) == pytest.approx(-0.02 / stiffness, rel=0.1)
    else:
        assert swing > 2.0 * 0.02 / stiffness  # more than twice as far as it would rest deep


def test_a_bad_sample_is_left_out_and_the_session_goes_on(felt):
    session = Session(felt, "round 1.0")
    session.step(1.0, in_file([[0.0, 0.0, 2.0]])[0], UPRIGHT)
    for time, tip, turn in (
        (1.0, [10, 20, 30], UPRIGHT),
        (2.0, [np.nan, 20, 30], UPRIGHT),
        (2.0, [10, 20, 30], np.zeros(4)),
    ):
        with pytest.raises(InputError, match="The sample is left out"):
            session.step(time, tip, turn)
    session.step(1.001, in_file([[0.0, 0.0, 1.9]])[0], 1.5 * UPRIGHT)
    assert len(session.motion().time_s) == 2
    with pytest.raises(InputError, match="no sample came"):
        Session(felt, "round 1.0").finish()


def test_the_shell_has_the_area_of_the_head():
    # Source: 4 π r² of a ball; 2 π r L + 2 π r² of a cylinder; normals point away from the axis' middle.
    for name, area in (("806 314 001 524 010", np.pi), ("straight fissure 1.4", np.pi * 1.4 * 4.0 + np.pi * 0.98)):
        tool = instrument(name)
        shell = point_shell(tool)
        section = np.pi * tool.diameter_mm**2 / 4
        assert shell[:, 6].sum() * section == pytest.approx(area, rel=2e-3)
        np.testing.assert_allclose(np.linalg.norm(shell[:, 3:6], axis=1), 1.0, atol=1e-12)
        assert ((shell[:, :3] - [0, 0, tool.length_mm / 2]) * shell[:, 3:6]).sum(axis=1).min() > 0
