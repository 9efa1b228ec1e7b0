"""One assessment of a scan of 200,000 triangles, as a process, beside the same work with general mesh tools.

Run `python benchmarks/scan.py [--runs 5] [--general PYTHON]`: PYTHON is an interpreter that has Open3D or trimesh (default: this
one). Runs are paired, one of each in turn, caches warm. The general tools do less: no uncertainty, no margin, no rulings.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from general_tools import away

from kerfmark.demo.learners import simulated_piece
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.phantoms import refined
from kerfmark.pipeline import open_exercise
from kerfmark.settings import read_settings

EXERCISE, TRIANGLES = "full-crown-46", 200_000


def timed(command):
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - start
    if done.returncode != 0:
        sys.exit(f"{' '.join(map(str, command))} failed: {done.stderr.strip()[-500:]}")
    return seconds, done.stdout


def of_size(surface, triangles):
    """The surface with about so many triangles: edges halved as far as needed."""
    edge = 0.5
    while len(surface.faces) < 0.9 * triangles and edge > 0.02:
        surface, edge = refined(surface, edge), edge * 0.85
    return surface


def prepared_files(folder):
    settings = read_settings()
    _, prepared = open_exercise(EXERCISE, settings=settings)
    simulated = simulated_piece(EXERCISE, level="middle", seed=3, settings=settings)
    piece = of_size(simulated.surface, TRIANGLES)
    write_surface(folder / "piece.stl", piece)
    write_surface(folder / "subject.stl", prepared.subject)
    sites = [np.hstack([site.points_mm, site.inward]) for site in prepared.sites]
    np.save(folder / "sites.npy", np.concatenate(sites))
    np.save(folder / "pose.npy", prepared.frame @ np.linalg.inv(simulated.pose))
    return len(piece.faces)


def main():
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--runs", type=int, default=5)
    asked.add_argument("--general", default=sys.executable)
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        triangles = prepared_files(folder)
        ours = [sys.executable, "-m", "kerfmark", "assess", EXERCISE, str(folder / "piece.stl"), "--json", "-"]
        general = [options.general, str(Path(__file__).with_name("general_tools.py")), str(folder)]
        timed(ours)
        timed(general)
        pairs = []
        for _ in range(options.runs):
            mine, found = timed(ours)
            theirs, said = timed(general)
            tool, work, imports, degrees, mm = said.strip().splitlines()[-1].split(";")
            pairs.append((mine, theirs, float(work), float(imports)))
        matrix = np.array(json.loads(found)["alignment"]["matrix"])
        our_degrees, our_mm = away(matrix, np.load(folder / "pose.npy"))
    mine, theirs, work, imports = zip(*pairs, strict=True)
    print(f"piece of {triangles} triangles, {options.runs} paired runs, caches warm")
    print(f"kerfmark assess, whole process: least {min(mine):.2f} s, median {statistics.median(mine):.2f} s")
    print(f"{tool}, whole process: least {min(theirs):.2f} s, median {statistics.median(theirs):.2f} s")
    print(f"  of which the work: least {min(work):.2f} s; its imports: least {min(imports):.2f} s")
    print(f"pose found within: kerfmark {our_degrees:.3f}° {our_mm:.4f} mm, {tool} {degrees}° {mm} mm")
    print(
        f"ratio general / kerfmark: whole process {min(theirs) / min(mine):.1f}, its work alone {min(work) / min(mine):.1f}"
    )


if __name__ == "__main__":
    main()
