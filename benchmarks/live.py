"""Ten minutes of a live session at 1 kHz and 50 µm in one process: how long each step takes.

Run `python benchmarks/live.py [--minutes 10]`. Steps come one after the other, without waiting for the next millisecond. A
garbage collection inside a step is noted and reported apart; so is processor time, since a step that the scheduler put
aside takes clock time and no processor time. The record is that of `benchmarks/replay.py`.
"""

from __future__ import annotations

import argparse
import gc
import os
import tempfile
import time
from pathlib import Path

import numpy as np
from motion_phantoms import write_two_layers

from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.prepared import prepare
from kerfmark.live import Session
from kerfmark.replay import replay
from kerfmark.settings import read_settings
from replay import BALL, strokes


def prepared_cube(folder):
    write_two_layers(folder, [-5, -5, -10], [5, 5, 0], enamel_mm=1.5)
    settings = read_settings()
    loaded = load_exercise(folder, limits=settings.limits, cache_dir=settings.cache_dir)
    return prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)


def run(session, minutes):
    t, tip, turn = strokes(60.0 * minutes)
    clock, cpu = np.empty(len(t)), np.empty(len(t))
    collected = np.zeros(len(t), dtype=bool)
    at = [0]
    gc.callbacks.append(lambda _phase, _info: collected.__setitem__(at[0], True))
    for n in range(len(t)):
        at[0] = n
        a, b = time.perf_counter(), time.thread_time()
        session.step(t[n], tip[n], turn[n], 2e5)
        cpu[n], clock[n] = time.thread_time() - b, time.perf_counter() - a
    gc.callbacks.clear()
    return clock * 1e3, cpu * 1e3, collected


def said(name, values):
    marks = np.percentile(values, [50, 99, 99.9, 99.99])
    shares = ", ".join(f"{p} % {v:.3f}" for p, v in zip((50, 99, 99.9, 99.99), marks, strict=True))
    print(
        f"{name}: {shares}, most {values.max():.3f} ms; over 0.2 ms {np.mean(values > 0.2):.4%}, over 1 ms {int((values > 1).sum())}"
    )


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--minutes", type=float, default=10.0)
    minutes = asked.parse_args().minutes
    with tempfile.TemporaryDirectory() as name:
        prepared = prepared_cube(Path(name) / "cube")
        run(Session(prepared, BALL), 0.02)
        session = Session(prepared, BALL)
        gc.collect()
        clock, cpu, collected = run(session, minutes)
        print(f"{len(clock)} steps, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        said("by the clock", clock[~collected])
        said("by processor time", cpu[~collected])
        if collected.any():
            said(f"steps with a garbage collection ({int(collected.sum())}), by processor time", cpu[collected])
        field = session.field()
        whole = replay(session.motion(), prepared.subject_grid, instruments=[session.tool], spacing_mm=0.05)
        same = np.array_equal(field.distance_mm, whole.distance_mm) and np.array_equal(field.time_s, whole.time_s)
        print(
            f"same as the replay of its record, bit for bit: {same}; {len(field.blocks)} blocks, {session.readings()['all']:.1f} mm³"
        )


if __name__ == "__main__":
    main()
