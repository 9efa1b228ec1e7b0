"""Simulated cohorts beside published ones: what operators of three levels cut, assessed from their motions.

    python benchmarks/operators.py [PER_LEVEL] [--results FILE]

Prints mesiodistal and buccolingual convergence (mean, standard deviation, skew, share within 6 to 12 degrees) of the plans the
operators were after and of what was measured on their pieces, and how often a neighbour was cut, beside values read in
published abstracts (trade facts E4, E5). FILE keeps one line a piece, so that a run that was broken off goes on.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

import numpy as np

from kerfmark.demo.operators import write_simulated_motion
from kerfmark.demo.operators.hand import STEADINESS
from kerfmark.errors import KerfmarkError
from kerfmark.measurement import events, measure
from kerfmark.pipeline import open_exercise
from kerfmark.recorded import piece_of, read_recorded
from kerfmark.settings import read_settings

EXERCISE = "full-crown-46"
FIRST_SEED = 100
CONVERGENCE = "crown.total_occlusal_convergence_deg"
WANTED = frozenset({(CONVERGENCE, None, None), ("process.duration_s", None, None)})
PLANES = {"MD": ("mesial", "distal"), "BL": ("buccal", "lingual")}
PUBLISHED = "15.4 ± 6.7, 33 % within 6 to 12 (n = 75, mesiodistal, practice teeth)"
TOUCHED = "75 % of crowns hit one or both neighbours, 98 % of surfaces in another study"
HEAD = """| who | n | MD, ° | BL, ° | MD skew | MD within 6 to 12° | neighbour cut deeper than 0.05 mm | time, s |
|---|---|---|---|---|---|---|---|"""


def one_piece(level, seed, prepared, settings, folder):
    """What one operator was after, and what was measured on its piece; null where it could not be."""
    path = Path(folder) / "piece.parquet"
    plan = write_simulated_motion(path, EXERCISE, level=level, seed=seed, settings=settings).plan
    meant = {plane: sum(plan.taper_deg[wall] for wall in walls) for plane, walls in PLANES.items()}
    row = {"level": level, "seed": seed, "meant": meant, "measured": None}
    try:
        recorded = read_recorded(path, prepared, rig=None, limits=settings.limits)
        source = prepared.exercise.source.model_copy(update={"kind": "motion", "noise_um": 5.0, "trueness_um": 15.0})
        piece = piece_of(recorded, prepared, source=source, grid_um=50.0, threads=settings.threads, name=path.name)
        value = {(r.id, r.where): r.value for r in measure(piece, prepared, wanted=WANTED)}
    except KerfmarkError as error:
        print(f"{level} {seed}: {error}", file=sys.stderr)
        return row
    row["measured"] = {plane: value[CONVERGENCE, plane] for plane in PLANES}
    row["touched"] = any(e.kind == "neighbour" and e.depth_mm > 0.05 for e in events(piece, prepared))
    row["duration_s"] = value["process.duration_s", None]
    return row


def pieces(per_level, results, *, settings):
    """A row for each operator; those that `results` holds are not cut again."""
    rows = [json.loads(line) for line in results.read_text().splitlines()] if results and results.exists() else []
    have = {(row["level"], row["seed"]) for row in rows}
    _loaded, prepared = open_exercise(EXERCISE, settings=settings)
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(FIRST_SEED, FIRST_SEED + per_level):
            for level in STEADINESS:
                if (level, seed) in have:
                    continue
                rows.append(one_piece(level, seed, prepared, settings, folder))
                if results:
                    with results.open("a") as file:
                        file.write(json.dumps(rows[-1]) + "\n")
    return [row for row in rows if row["seed"] < FIRST_SEED + per_level]


def figures(md, bl):
    """Mean and spread of both planes, skew and share of the mesiodistal one, as cells of the table."""
    skew = float(np.mean((md - md.mean()) ** 3) / md.std() ** 3)
    inside = 100.0 * float(np.mean((md >= 6.0) & (md <= 12.0)))
    return f"{md.mean():.1f} ± {md.std(ddof=1):.1f} | {bl.mean():.1f} ± {bl.std(ddof=1):.1f} | {skew:+.1f} | {inside:.0f} %"


def main(per_level, results):
    rows = pieces(per_level, results, settings=read_settings())
    measured = [row for row in rows if row["measured"] and None not in row["measured"].values()]
    print(HEAD)
    for level in (*STEADINESS, "all"):
        some = [row for row in measured if level in (row["level"], "all")]
        md, bl = (np.array([row["measured"][plane] for row in some]) for plane in PLANES)
        hit, took = (np.array([row[key] for row in some], float) for key in ("touched", "duration_s"))
        print(f"| {level} | {len(some)} | {figures(md, bl)} | {100 * hit.mean():.0f} % | {took.mean():.0f} |")
    md, bl = (np.array([row["meant"][plane] for row in measured]) for plane in PLANES)
    print(f"| all, as their plans meant it | {len(measured)} | {figures(md, bl)} | | |")
    for n, plane in enumerate(PLANES):
        off = np.array([row["measured"][plane] for row in measured]) - (md, bl)[n]
        print(
            f"\nmeasured less meant, {plane}: {off.mean():+.2f} ± {off.std(ddof=1):.2f}°, median {np.median(off):+.2f}°"
        )
    print(
        f"\nPublished students: {PUBLISHED}; {TOUCHED}. {len(rows) - len(measured)} of {len(rows)} could not be measured."
    )


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("per_level", nargs="?", type=int, default=16)
    asked.add_argument("--results", type=Path)
    given = asked.parse_args()
    main(given.per_level, given.results)
