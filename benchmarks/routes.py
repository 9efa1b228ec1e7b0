"""Two routes to one piece: a simulated motion assessed as it is, and the surface it left "scanned" with noise in another pose.

    python benchmarks/routes.py [EXERCISE ...]

Prints, for each exercise, every criterion's reading by both routes, the difference, and the difference over its own U (95 %, k = 2).
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np

from kerfmark.demo.operators import write_simulated_motion
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.records import Assessment, Reading
from kerfmark.settings import Settings, read_settings

NOISE_UM, EDGE_MM = 10.0, 0.12


def both_routes(
    exercise: str, *, level: str, seed: int, settings: Settings, grid_um: float = 50.0
) -> tuple[Assessment, Assessment]:
    """The same simulated piece as a motion and as a scan of what the motion left."""
    loaded, prepared = open_exercise(exercise, settings=settings)
    with tempfile.TemporaryDirectory() as folder:
        motion, scan = Path(folder) / "piece.parquet", Path(folder) / "piece.ply"
        write_simulated_motion(motion, exercise, level=level, seed=seed, settings=settings)
        recorded = assess_prepared(loaded, prepared, motion, grid_um=grid_um, settings=settings)
        rng = np.random.default_rng(seed)
        pose = random_pose(rng)
        seen = scanned(recorded.piece.surface, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, pose=pose)
        write_surface(scan, seen)
        beside = {}
        for side, surface in recorded.piece.neighbours.items():
            beside[side] = scan.with_name(f"{side}.ply")
            write_surface(
                beside[side], scanned(surface, noise_um=NOISE_UM, edge_mm=EDGE_MM, rng=rng, pose=pose, even=False)
            )
        return recorded, assess_prepared(loaded, prepared, scan, neighbours=beside, settings=settings)


def compared(recorded: Assessment, scan: Assessment) -> list[tuple[Reading, Reading]]:
    """Readings of the exercise's criteria that both routes measured."""
    asked = {(r.reading, r.where, r.stat) for r in recorded.rulings}
    others = {r.key: r for r in scan.readings}
    pairs = [(r, others[r.key]) for r in recorded.readings if r.key in asked and r.key in others]
    return [(a, b) for a, b in pairs if a.value is not None and b.value is not None]


def normalised(a: Reading, b: Reading) -> float:
    """The difference over its expanded uncertainty: E_n of ISO 13528 [memory]; agreement is 1 or less."""
    return abs((a.value or 0.0) - (b.value or 0.0)) / max(2.0 * math.hypot(a.u or 0.0, b.u or 0.0), 1e-9)


def main(exercises: list[str]) -> None:
    settings = read_settings()
    for exercise in exercises:
        recorded, scan = both_routes(exercise, level="middle", seed=2, settings=settings)
        print(
            f"\n### {exercise}\n\n| reading | from the motion | from the scan | difference over U |\n|---|---|---|---|"
        )
        scores = []
        for a, b in compared(recorded, scan):
            scores.append(normalised(a, b))
            name = " ".join(x for x in (a.id, a.where, a.stat) if x)
            print(
                f"| `{name}` | {a.value:.3f} ± {2 * (a.u or 0):.3f} | {b.value:.3f} ± {2 * (b.u or 0):.3f} {b.unit} | {scores[-1]:.2f} |"
            )
        print(f"\n{sum(s <= 1.0 for s in scores)} of {len(scores)} within U.")


if __name__ == "__main__":
    main(sys.argv[1:] or ["straight-line", "layered-block", "full-crown-46"])
