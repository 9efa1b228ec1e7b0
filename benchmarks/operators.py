"""Simulated cohorts beside published ones: what operators of three levels cut, assessed from their motions.

    python benchmarks/operators.py [PER_LEVEL]

Prints mesiodistal and buccolingual convergence (mean, standard deviation, skew, share within 6 to 12 degrees) and how often a
neighbour was cut, beside values read in published abstracts (trade facts E4, E5).
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from kerfmark.demo.operators import write_simulated_motion
from kerfmark.demo.operators.hand import STEADINESS
from kerfmark.errors import KerfmarkError
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.settings import read_settings

EXERCISE = "full-crown-46"
PUBLISHED = "15.4 ± 6.7, 33 % within 6 to 12 (n = 75, mesiodistal, practice teeth)"
TOUCHED = "75 % of crowns hit one or both neighbours, 98 % of surfaces in another study"


def main(per_level: int) -> None:
    settings = read_settings()
    loaded, prepared = open_exercise(EXERCISE, settings=settings)
    found: list[tuple[str, float, float, bool, float]] = []
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for level in STEADINESS:
            for seed in range(per_level):
                path = Path(folder) / "piece.parquet"
                write_simulated_motion(path, EXERCISE, level=level, seed=100 + seed, settings=settings)
                try:
                    assessment = assess_prepared(loaded, prepared, path, settings=settings)
                except KerfmarkError as error:
                    failed += 1
                    print(f"{level} {seed}: {error}", file=sys.stderr)
                    continue
                value = {(r.id, r.where): r.value for r in assessment.readings}
                both = [value["crown.total_occlusal_convergence_deg", plane] for plane in ("MD", "BL")]
                if None in both:
                    failed += 1
                    continue
                touched = any(e.kind == "neighbour" and e.depth_mm > 0.05 for e in assessment.events)
                found.append((level, both[0] or 0.0, both[1] or 0.0, touched, value["process.duration_s", None] or 0.0))
    print(
        "| who | n | MD, ° | BL, ° | MD skew | MD within 6 to 12° | neighbour cut deeper than 0.05 mm | time, s |\n|---|---|---|---|---|---|---|---|"
    )
    for level in (*STEADINESS, "all"):
        rows = [f for f in found if level in (f[0], "all")]
        md, bl, hit, took = (np.array([f[k] for f in rows], float) for k in (1, 2, 3, 4))
        skew = float(np.mean((md - md.mean()) ** 3) / md.std() ** 3)
        inside = float(np.mean((md >= 6.0) & (md <= 12.0)))
        print(
            f"| {level} | {len(rows)} | {md.mean():.1f} ± {md.std(ddof=1):.1f} | {bl.mean():.1f} ± {bl.std(ddof=1):.1f} | {skew:+.1f} | {100 * inside:.0f} % | {100 * hit.mean():.0f} % | {took.mean():.0f} |"
        )
    print(f"\nPublished students: {PUBLISHED}; {TOUCHED}. {failed} of {3 * per_level} could not be measured.")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 16)
