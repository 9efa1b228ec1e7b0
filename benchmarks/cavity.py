"""How long one assessment of a class II takes on a scan of 200,000 triangles, as a process, and where the time goes.

Run `python benchmarks/cavity.py [--runs 5] [--exercise cavity-ii-mo-36]`; caches warm. The aim is under 2 s on two quiet cores.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

from scan import of_size, timed

from kerfmark.demo.learners import simulated_piece
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.measurement import MEASURES, measure
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.settings import read_settings

TRIANGLES = 200_000


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--runs", type=int, default=5)
    ask.add_argument("--exercise", default="cavity-ii-mo-36")
    given = ask.parse_args()
    settings = read_settings()
    loaded, prepared = open_exercise(given.exercise, settings=settings)
    with tempfile.TemporaryDirectory() as folder:
        piece = Path(folder) / "piece.stl"
        surface = of_size(simulated_piece(given.exercise, level="middle", seed=3, settings=settings).surface, TRIANGLES)
        write_surface(piece, surface)
        command = [
            sys.executable,
            "-m",
            "kerfmark",
            "assess",
            given.exercise,
            str(piece),
            "--json",
            str(Path(folder) / "out.json"),
        ]
        timed(command)
        seconds = [timed(command)[0] for _ in range(given.runs)]
        print(
            f"{given.exercise}, {len(surface.faces)} triangles: whole command {statistics.median(seconds):.2f} s (median of {given.runs})"
        )
        found = assess_prepared(loaded, prepared, piece, settings=settings)
    begun = time.perf_counter()
    measure(found.piece, prepared)
    print(f"  measuring alone {time.perf_counter() - begun:.2f} s")
    made: dict[object, object] = {}
    for m in MEASURES:
        if m.family != "cavity":
            continue
        if m.context not in made:
            made[m.context] = m.context(found.piece, prepared)
        begun = time.process_time()
        m.function(made[m.context])  # type: ignore[arg-type]
        took = time.process_time() - begun
        if took > 0.02:
            print(f"    {m.id:<36} {took:.3f} s of processor, with what it shares where it is the first to ask")


if __name__ == "__main__":
    main()
