"""How true the readings are: phantoms with known answers, scanned and measured over and over; writes docs/accuracy.md.

    python benchmarks/accuracy.py                     every sweep: hours; a run that was cut off goes on where it stopped
    python benchmarks/accuracy.py --family block      one family
    python benchmarks/accuracy.py --table             only writes the page again from what was measured before

Every piece's readings go to a CSV file of its sweep under `--results`, a row each: blank, reading, truth, error and u. A
family gives blanks: a prepared exercise, surfaces, and the truth of each reading. To add a family, write its module
beside this one and name its function in FAMILIES.
"""

from __future__ import annotations

import argparse
import csv
import importlib
import pickle
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

FAMILIES = {
    "crown": "crown_phantoms",
    "cavity": "cavity_phantoms",
    "block": "block_phantoms",
    "line": "line_phantoms",
    "implant": "implant_phantoms",
    "access": "access_phantoms",
    "abutments": "bridge_phantoms",
    "common": "common_phantoms",
}
"""Family → module here with `blanks(edge_mm)`: name → object with `prepared`, `truth` and `piece(rng, noise_um=…, …)`."""

ALIGNMENT = np.diag([3e-4**2] * 3 + [0.003**2] * 3)
STEPS = (50, 100, 200, 300, 400, 500)
"""The families take turns, so that a run that is cut off has as many pieces of each."""
FINE_PIECES = 20
"""At 0.05 mm a plate has two million triangles and a piece takes a minute."""
COLUMNS = ("piece", "blank", "id", "where", "stat", "truth", "end", "error", "u", "reason")
Key = tuple[str, str | None, str | None]


@dataclass(frozen=True)
class Sweep:
    """Pieces of one family scanned in one way: noise and trueness of the source, sides of its triangles."""

    family: str
    pieces: int
    noise_um: float = 10.0
    edge_mm: float = 0.1
    trueness_um: float = 0.0

    @property
    def name(self) -> str:
        return f"{self.family}-noise{self.noise_um:g}-edge{self.edge_mm:g}-trueness{self.trueness_um:g}"

    def __str__(self) -> str:
        return f"{self.noise_um:g} µm noise, {self.edge_mm:g} mm triangles, {self.trueness_um:g} µm trueness"


def sweeps(family: str) -> list[Sweep]:
    """The target's own conditions over 500 pieces, then each condition changed alone."""
    others = [Sweep(family, 150, noise_um=noise) for noise in (0.0, 30.0, 50.0)]
    others.append(Sweep(family, 150, trueness_um=15.0))
    others += [Sweep(family, 100, edge_mm=0.2), Sweep(family, FINE_PIECES, edge_mm=0.05)]
    return [Sweep(family, 500), *others]


def readings(truth: dict[Key, float], piece: Any, prepared: Any) -> list[Any]:
    """Every reading whose answer is known."""
    from kerfmark.measurement import MEASURES

    wanted, contexts, found = {name for name, _, _ in truth}, dict[Any, Any](), list[Any]()
    for m in (m for m in MEASURES if m.id in wanted):
        if m.context not in contexts:
            contexts[m.context] = m.context(piece, prepared)
        found.extend(m.function(contexts[m.context]))
    return found


AT_LEAST_0 = ("damage", "undercut_depth", "smoothness", "roughness", "left_mm3", "overcut", "flatness", "squareness")
AT_LEAST_0 += (
    "entry_deviation",
    "apex_deviation",
    "implant.angle_deg",
    "lateral",
    "overrun",
    "depth_sd",
    "width_sd",
    "removed_mm3",
)
AT_LEAST_0 += ("floor_tilt", "unsupported_enamel", "pulp_exposed", "caries_left", "sound_removed", "remaining_dentine")
AT_LEAST_0 += ("roof_left", "floor_cut", "gouge_depth", "centring", "wall_left", "straight_line")
AT_LEAST_0 += ("common_path", "undercut_volume")
AT_MOST_1 = ("continuity", "target_cleared", "overlap", "completeness")


def end_of_scale(key: Key, truth: dict[Key, float]) -> float | None:
    """Where a reading's scale ends, or what its percentile cannot pass: 0, 1, or the median; None where nowhere."""
    name, where, stat = key
    if stat in ("p05", "p95") and (name, where, "median") in truth:
        return truth[name, where, "median"]
    if name in ("line.lateral_95_mm", "line.lateral_max_mm"):
        return truth["line.lateral_rms_mm", None, None]
    if any(word in name for word in AT_MOST_1):
        return 1.0
    return 0.0 if any(word in name for word in AT_LEAST_0) else None


def rows_of(sweep: Sweep, number: int, blank_name: str, blank: Any) -> Iterator[tuple[Any, ...]]:
    """One piece's readings with known answers. Its random numbers hang on the sweep and its own number alone."""
    rng = np.random.default_rng([20, *sweep.name.encode(), number])
    piece = blank.piece(rng, noise_um=sweep.noise_um, trueness_um=sweep.trueness_um, covariance=ALIGNMENT)
    known = truth_of(blank, sweep.noise_um)
    for r in readings(known, piece, blank.prepared):
        if r.key not in known:
            continue
        truth, end = known[r.key], end_of_scale(r.key, known)
        error = "" if r.value is None else f"{r.value - truth:.7g}"
        shown = ("" if end is None else f"{end:.7g}", error, "" if r.u is None else f"{r.u:.7g}", r.reason or "")
        yield number, blank_name, r.id, r.where or "", r.stat or "", f"{truth:.7g}", *shown


def truth_of(blank: Any, noise_um: float) -> dict[Key, float]:
    """A blank's truth; where a definition hangs on the source's noise, as of what counts as hidden, the truth for that noise."""
    return dict(blank.truth_at(noise_um) if hasattr(blank, "truth_at") else blank.truth)


def run(sweep: Sweep, results: Path, *, pieces: int) -> None:
    """Measure the pieces of a sweep, up to so many, that its file does not hold yet."""
    path = results / f"{sweep.name}.csv"
    done = 1 + max((int(row["piece"]) for row in read(path)), default=-1)
    pieces = min(pieces, sweep.pieces)
    if done >= pieces:
        return
    made, begun = blanks_of(sweep, results), time.perf_counter()
    names = list(made)
    with path.open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        if done == 0:
            writer.writerow(COLUMNS)
        for number in range(done, pieces):
            name = names[number % len(names)]
            writer.writerows(list(rows_of(sweep, number, name, made[name])))
            file.flush()
    print(f"{sweep.name}: {pieces - done} pieces in {time.perf_counter() - begun:.0f} s", flush=True)


def blanks_of(sweep: Sweep, results: Path) -> dict[str, Any]:
    """The family's blanks with these triangles; the crown's take minutes to mesh and are kept beside the results."""
    return _blanks(sweep.family, sweep.edge_mm, results)


@cache
def _blanks(family: str, edge_mm: float, results: Path) -> dict[str, Any]:
    module, kept = importlib.import_module(FAMILIES[family]), results / f"{family}-{edge_mm:g}.pickle"
    if family != "crown":
        return dict(module.blanks(edge_mm))
    if not kept.exists():
        kept.write_bytes(pickle.dumps(module.blanks(edge_mm)))
    return dict(pickle.loads(kept.read_bytes()))


def read(path: Path) -> list[dict[str, str]]:
    """The rows of a sweep's file, without those of a piece that was cut off half-way."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["reason"] is not None]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--family", nargs="+", default=list(FAMILIES), choices=list(FAMILIES))
    ask.add_argument("--results", type=Path, default=Path("build/accuracy"))
    ask.add_argument("--table", action="store_true", help="only write the page from what was measured before")
    ask.add_argument("--page", type=Path, default=Path("docs/accuracy.md"))
    given = ask.parse_args()
    given.results.mkdir(parents=True, exist_ok=True)
    if not given.table:
        first, *others = zip(*(sweeps(f) for f in given.family), strict=True)
        for sweep, pieces in [(s, n) for n in STEPS for s in first] + [
            (s, s.pieces) for other in others for s in other
        ]:
            run(sweep, given.results, pieces=pieces)
    from accuracy_page import page

    text = page([(s, read(given.results / f"{s.name}.csv")) for f in FAMILIES for s in sweeps(f)])
    given.page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
