"""How true the readings are: phantoms with known answers, measured over and over; writes docs/accuracy.md.

    python benchmarks/accuracy.py --pieces 500 --noise 0 10 30 50

A family gives blanks: a prepared exercise, surfaces, and the truth of each reading. To add a family, write its module
beside this one and name its function in FAMILIES.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

FAMILIES = {"crown": "crown_phantoms", "block": "block_phantoms", "line": "line_phantoms", "common": "common_phantoms"}
"""Family → module here with `blanks()`: name → object with `prepared`, `truth` and `piece(rng, noise_um=…, …)`."""

ALIGNMENT = np.diag([3e-4**2] * 3 + [0.003**2] * 3)
Key = tuple[str, str | None, str | None]
Row = tuple[float, float]


def measures_of(family: str) -> tuple[Any, ...]:
    from kerfmark.measurement import MEASURES

    return tuple(m for m in MEASURES if m.family == family)


def readings(family: str, piece: Any, prepared: Any) -> list[Any]:
    contexts: dict[Any, Any] = {}
    found = []
    for m in measures_of(family):
        if m.context not in contexts:
            contexts[m.context] = m.context(piece, prepared)
        found.extend(m.function(contexts[m.context]))
    return found


def sweep(
    family: str, *, pieces: int, noise_um: float, trueness_um: float, seed: int, made: dict[str, Any] | None = None
) -> tuple[dict[tuple[str, str | None], list[Row]], dict[str, int]]:
    """Error and u of every reading with a known answer, by (id, stat), and how many were not measured."""
    made = made if made is not None else importlib.import_module(FAMILIES[family]).blanks()
    rng = np.random.default_rng(seed)
    names = list(made)
    rows: dict[tuple[str, str | None], list[Row]] = defaultdict(list)
    missing: dict[str, int] = defaultdict(int)
    for i in range(pieces):
        blank = made[names[i % len(names)]]
        piece = blank.piece(rng, noise_um=noise_um, trueness_um=trueness_um, covariance=ALIGNMENT)
        for r in readings(family, piece, blank.prepared):
            if r.key not in blank.truth:
                continue
            if r.value is None:
                missing[r.id] += 1
            else:
                rows[r.id, r.stat].append((r.value - blank.truth[r.key], r.u))
    return rows, missing


def line_of(key: tuple[str, str | None], rows: list[Row], missing: int) -> str:
    error, u = np.array(rows).T
    covered = 100.0 * np.mean(np.abs(error) <= 1.96 * u)
    name = key[0] if key[1] is None else f"{key[0]} ({key[1]})"
    unit = 1.0 if name.split(" ")[0].endswith(("_deg", "_um", "insertion")) else 1000.0
    numbers = (error.mean(), error.std(), np.abs(error).max(), u.mean())
    shown = " | ".join(f"{unit * n:.3g}" for n in numbers)
    return f"| `{name}` | {len(rows)} | {shown} | {covered:.1f} | {missing} |"


def table(rows: dict[tuple[str, str | None], list[Row]], missing: dict[str, int], title: str) -> list[str]:
    head = "| reading | n | bias | sd | worst | mean u | within ± 1.96 u, % | not measured |"
    lines = [f"## {title}", "", head, "|---|---|---|---|---|---|---|---|"]
    return [*lines, *(line_of(key, rows[key], missing.get(key[0], 0)) for key in rows), ""]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--pieces", type=int, default=100)
    ask.add_argument("--noise", type=float, nargs="+", default=[10.0])
    ask.add_argument("--trueness", type=float, default=0.0)
    ask.add_argument("--family", nargs="+", default=list(FAMILIES))
    ask.add_argument("--out", type=Path)
    given = ask.parse_args()
    text = [INTRODUCTION]
    for family in given.family:
        made = importlib.import_module(FAMILIES[family]).blanks()
        for noise in given.noise:
            begun = time.perf_counter()
            rows, missing = sweep(
                family, pieces=given.pieces, noise_um=noise, trueness_um=given.trueness, seed=20, made=made
            )
            title = f"{family.capitalize()}, noise {noise:g} µm, trueness {given.trueness:g} µm, {given.pieces} pieces"
            text += table(rows, missing, title)
            print("\n".join(text[-len(rows) - 5 :]), f"{time.perf_counter() - begun:.0f} s", flush=True)
    if given.out:
        given.out.write_text("\n".join(text), encoding="utf-8")


INTRODUCTION = """# How true the readings are

Made by `python benchmarks/accuracy.py` from phantoms with known answers: booleans of solids, triangles of about 0.1 mm,
noise along the normals of every point, an alignment drawn for each piece from a covariance of 0.3 mrad and 3 µm. Bias,
standard deviation, worst error and mean u are in degrees for angles, in µm for lengths and roughness, in 10⁻³ mm² or mm³ for areas
and volumes, in 10⁻³ for ratios and fractions. A nominal 95 % interval should hold the truth in 92 to 98 % of the pieces; readings whose
truth is an end of their scale (0 roughness, all of the margin) are covered on one side only and lie above.
"""

if __name__ == "__main__":
    main()
