"""Replay of ten minutes at 1 kHz in a 10 mm cube: how many times faster than it was recorded, how cost grows, and other ways.

Run `NUMBA_NUM_THREADS=2 python benchmarks/replay.py [--quick] [--only sweep|command|growth|others]`. The record is simulated: strokes of 12 mm/s with tremor of 30 µm
that clear a pocket of 7 × 7 × 3 mm in layers, every sample cutting. Factors are seconds recorded over seconds taken: by the clock, and by
processor time shared over two cores (what the clock would show on two idle ones), the better of two runs. Other ways sweep an excerpt.
"""

from __future__ import annotations

import argparse
import itertools
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from motion_phantoms import write_two_layers

from kerfmark.exercise.folder import load_exercise
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.solids import Solid, difference, hull, union
from kerfmark.instruments import head_distance, instrument
from kerfmark.intake.motions.writing import write_motion
from kerfmark.records import Motion
from kerfmark.replay import cut_surface, removal, replay
from kerfmark.settings import read_settings

BALL, TAPER, CYLINDER = "806 314 001 524 010", "chamfer diamond 0.8 to 1.2", "straight fissure 1.4"
FORMS = (BALL, "round 1.0", "245", "33 1/2", "flame 1.0", "171", "272", TAPER, CYLINDER, "twist drill 2.0")
"""Ball, ball on a neck, pear, inverted cone, flame, flat cone, rounded cylinder, rounded taper, flat cylinder, twist drill."""


def strokes(seconds, *, rate_hz=1000, speed_mm_s=12.0, depth_mm=3.0, half_mm=3.5, layers=6, tilt=0.15):
    """Tip and orientation of strokes to and fro, layer by layer, with tremor and a slowly leaning axis."""
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    way, length = speed_mm_s * t, 2 * half_mm
    row = np.floor(way / length).astype(int)
    x = way - row * length
    x = np.where(row % 2 == 0, x, length - x) - half_mm
    rows = max(1, (int(way[-1] / length) + 1) // layers)
    layer = np.minimum(row // rows, layers - 1)
    y = -half_mm + length * (row - layer * rows) / rows
    tip = np.stack([half_mm * np.sin(np.pi * x / length), y, -depth_mm * (layer + 1) / layers], axis=1)
    soft = np.hanning(41) / np.hanning(41).sum()
    tip = np.stack([np.convolve(np.pad(c, 20, mode="edge"), soft, "valid") for c in tip.T], axis=1)
    for axis in range(3):
        tip[:, axis] += 0.03 * np.sin(2 * np.pi * (8.5 + 0.4 * axis) * t + axis)
    lean = [np.ones(n), tilt * np.sin(2 * np.pi * t / 7) / 2, tilt * np.cos(2 * np.pi * t / 9) / 2, np.zeros(n)]
    turn = np.stack(lean, axis=1)
    return t, tip, turn / np.linalg.norm(turn, axis=1, keepdims=True)


def motion_of(name, seconds, **how):
    t, tip, turn = strokes(seconds, **how)
    joined = np.ones(len(t), dtype=bool)
    joined[0] = False
    return Motion(t, tip, turn, joined, np.ones(len(t), dtype=bool), np.zeros(len(t), dtype=np.int32), (name,))


def cube():
    return distance_grid(Solid.box([-5, -5, -10], [5, 5, 0]).surface(), spacing_mm=0.1, band_mm=0.6)


def timed(work):
    clock, cpu = time.perf_counter(), time.process_time()
    result = work()
    return result, time.perf_counter() - clock, time.process_time() - cpu


def sweep_alone(seconds):
    subject = cube()
    for name, spacing in itertools.product(FORMS, (0.05, 0.025)):
        tools, motion = [instrument(name)], motion_of(name, seconds)
        replay(motion_of(name, 1.0), subject, instruments=tools, spacing_mm=spacing)
        clocks, cpus = [], []
        for _ in range(2):
            field, clock, cpu = timed(
                lambda m=motion, t=tools, s=spacing: replay(m, subject, instruments=t, spacing_mm=s, threads=2)
            )
            clocks.append(clock)
            cpus.append(cpu)
        _, surface_s, _ = timed(lambda f=field: cut_surface(f, subject))
        _, volumes_s, _ = timed(lambda f=field: removal(f, subject, layers={"all": subject}))
        print(
            f"sweep, {name}, {spacing * 1e3:g} µm: {seconds / min(clocks):.0f} × real time by the clock, {seconds / (min(cpus) / 2):.0f} × by "
            f"processor time; {field.poses} poses, {len(field.blocks)} blocks; surface {surface_s:.2f} s, volumes {volumes_s:.2f} s"
        )


def growth():
    subject, tools = cube(), [instrument(BALL)]
    for what, records in (
        ("samples (same strokes, 1 then 2 kHz)", (motion_of(BALL, 120), motion_of(BALL, 120, rate_hz=2000))),
        ("touched blocks (same record, pocket of half and whole width)",
         (motion_of(BALL, 240, half_mm=1.75), motion_of(BALL, 240, half_mm=3.5))),
    ):  # fmt: skip
        found = []
        for motion in records:
            field, _, cpu = timed(lambda m=motion: replay(m, subject, instruments=tools, spacing_mm=0.05, threads=1))
            found.append((len(motion.time_s), len(field.blocks), cpu))
        (n, b, first), (m, c, second) = found
        print(f"doubling {what}: samples × {m / n:.1f}, blocks × {c / b:.1f}, processor time × {second / first:.2f}")


def whole_command(folder, seconds, spacing_um):
    exercise = folder / "cube"
    if not exercise.exists():
        write_two_layers(exercise, [-5, -5, -10], [5, 5, 0], enamel_mm=1.5)
    settings = read_settings()
    loaded = load_exercise(exercise, limits=settings.limits, cache_dir=settings.cache_dir)
    record = folder / "motion.parquet"
    if not record.exists():
        write_motion(record, motion_of(BALL, seconds), loaded.exercise)
    command = [
        sys.executable, "-m", "kerfmark", "replay", str(exercise), str(record), "--grid-um", str(spacing_um), "--surface",
        str(folder / "left.ply"), "--json", str(folder / "replay.json"),
    ]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    best, peak = (1e9, 1e9), 0.0
    for _ in range(3):
        clock, child = time.perf_counter(), subprocess.Popen(command, stderr=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        if status != 0:
            sys.exit("kerfmark replay failed")
        best = min(best[0], time.perf_counter() - clock), min(best[1], used.ru_utime + used.ru_stime)
        peak = max(peak, used.ru_maxrss / 2**20)
    print(
        f"kerfmark replay, whole process, Parquet of {record.stat().st_size / 2**20:.0f} MiB, {spacing_um} µm: {best[0]:.2f} s, "
        f"{seconds / best[0]:.0f} × real time by the clock; processor time {best[1]:.2f} s, {seconds / best[1]:.0f} × even on one core; most memory {peak:.2f} GiB"
    )


def by_numpy(motion, spacing=0.05):
    """The usual short way: for each sample, the voxels of the head's box, the least distance and first time kept."""
    tool = instrument(motion.instruments[0])
    low, shape = np.array([-5.0, -5.0, -10.0]), (201, 201, 201)
    distance, when = np.full(shape, 0.1, np.float32), np.full(shape, np.inf, np.float32)
    for tip, t in zip(motion.tip_mm, motion.time_s, strict=True):
        first = np.maximum(((tip - np.array([0.6, 0.6, 0.1]) - low) / spacing).astype(int), 0)
        end = np.minimum(((tip + np.array([0.6, 0.6, 1.1]) - low) / spacing).astype(int) + 2, shape)
        place = tuple(slice(a, b) for a, b in zip(first, end, strict=True))
        axes = [low[k] + spacing * np.arange(first[k], end[k]) - tip[k] for k in range(3)]
        radius = np.hypot(axes[0][:, None], axes[1][None, :])[:, :, None]
        found = head_distance(tool, *np.broadcast_arrays(axes[2], radius)).astype(np.float32)
        reached = (found <= 0) & (distance[place] > 0)
        when[place][reached] = t
        np.minimum(distance[place], found, out=distance[place])
    return distance


def by_booleans(motion):
    """Hulls of neighbouring positions of a ball of 32 segments, joined and taken off the cube."""
    balls = [Solid.sphere(0.5, segments=32).moved(tip + np.array([0, 0, 0.5])) for tip in motion.tip_mm]
    swept = union([hull(a, b) for a, b in itertools.pairwise(balls)])
    return difference(Solid.box([-5, -5, -10], [5, 5, 0]), swept)


def other_ways():
    subject, tools = cube(), [instrument(BALL)]
    ways = [("plain NumPy", by_numpy, 2.0), ("manifold3d, union of hulls", by_booleans, 1.0)]
    try:
        from warp_sweep import by_warp
    except ImportError:
        print("Warp is not installed (pip install warp-lang): not compared")
    else:
        by_warp(motion_of(BALL, 0.01))
        ways.append(("a Warp kernel on one core", by_warp, 10.0))
    for what, way, seconds in ways:
        motion = motion_of(BALL, seconds)
        _, _, theirs = timed(lambda m=motion, w=way: w(m))
        ours = min(
            timed(lambda m=motion: replay(m, subject, instruments=tools, spacing_mm=0.05, threads=1))[2]
            for _ in range(3)
        )
        print(
            f"{what}: {seconds / theirs:.2f} × real time by processor time; ours on the same {seconds:g} s: {theirs / ours:.0f} times as fast"
        )


def commands(seconds):
    with tempfile.TemporaryDirectory() as name:
        for spacing_um in (50, 25):
            whole_command(Path(name), seconds, spacing_um)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quick", action="store_true", help="one minute of record in place of ten")
    asked.add_argument("--only", choices=("sweep", "command", "growth", "others"))
    given = asked.parse_args()
    seconds = 60.0 if given.quick else 600.0
    print(f"{seconds:g} s at 1 kHz, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    parts = {
        "sweep": lambda: sweep_alone(seconds),
        "command": lambda: commands(seconds),
        "growth": growth,
        "others": other_ways,
    }
    for part, work in parts.items():
        if given.only in (None, part):
            work()


if __name__ == "__main__":
    main()
