"""The limits bench on 10,000 stored pieces: loaded once, then every piece ruled anew as a limit is dragged.

Run `python benchmarks/store.py [--database sqlite|postgresql] [--pieces N]`. PostgreSQL is a real server out of the `pgserver` wheel.
`benchmarks/server.py` says how much a running server stands.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import statistics
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from kerfmark.sittings.exercises import criteria_of, import_exercise
from kerfmark.sittings.limits import open_bench
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import seat_learners
from kerfmark.sittings.sites import add_site
from kerfmark.storage import Store, open_store
from kerfmark.storage import schema as kept


@contextmanager
def empty_store(database: str) -> Iterator[tuple[str, str]]:
    """Addresses of an empty store and of its files, on the disk; gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="kerfmark-store-") as folder:
        if database == "sqlite":
            yield str(Path(folder) / "store"), str(Path(folder) / "files")
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import pgserver

            place = tempfile.mkdtemp(prefix="kerfmark-pg-")
            server = pgserver.get_server(place, cleanup_mode="stop")
        try:
            yield str(server.get_uri()), str(Path(folder) / "files")
        finally:
            server.cleanup()
            shutil.rmtree(place, ignore_errors=True)


def small_exercise(folder: Path) -> Path:
    """A bed in a small block, seven kilobytes."""
    from kerfmark.exercise.definition import as_exercise
    from kerfmark.exercise.folder import save_exercise
    from kerfmark.geometry.mesh_files.ply import ply_bytes
    from kerfmark.geometry.solids import Solid, difference

    block = Solid.box([-6.0, -5.0, -6.0], [6.0, 5.0, 0.0])
    bed = difference(block, Solid.box([-2.0, -1.5, -2.0], [2.0, 1.5, 1.0]))
    limited = [("block.overcut_mm3", "all", (-math.inf, 0.5)), ("block.left_mm3", "all", (-math.inf, 1.0))]
    limited += [("block.target_cleared", None, (0.9, math.inf)), ("block.outline_overlap", None, (0.8, math.inf))]
    limited += [("block.floor_depth_mm", None, (1.9, 2.1)), ("block.floor_flatness_um", None, (-math.inf, 200.0))]
    limited += [("block.wall_squareness_deg", wall, (-5.0, 5.0)) for wall in ("buccal", "lingual", "mesial", "distal")]
    criteria = [{"reading": r, "limits": list(limits), **({"where": w} if w else {})} for r, w, limits in limited]
    table = {
        "format": 1, "id": "small-bed", "title": "A bed in a small block", "family": "block", "subject": {"surface": "subject.ply"},
        "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "-x"},
        "target": {"surface": "target.ply"}, "criteria": criteria,
    }  # fmt: skip
    assets = {"subject.ply": ply_bytes(block.surface()), "target.ply": ply_bytes(bed.surface())}
    save_exercise(folder / "small-bed", as_exercise(table), assets)
    return folder / "small-bed"


def school(store: Store, learners: int) -> tuple[str, list[str], str]:
    """A site, a sitting and learners with seats; ids of the sitting, the learners and the lead."""
    from kerfmark.settings import read_settings

    site = add_site(store, PROGRAM, "North")
    lead = add_person(store, PROGRAM, code="lead", name="Lead", roles=[("lead", None)])
    with tempfile.TemporaryDirectory() as folder:
        exercise = import_exercise(store, PROGRAM, small_exercise(Path(folder)), settings=read_settings(), prove=False)
    sitting = open_sitting(store, PROGRAM, title="Rush", site_id=site, exercise_id=exercise)
    ids = [
        add_person(store, PROGRAM, code=f"L{n:04d}", name=f"Learner {n}", roles=[("learner", site)])
        for n in range(learners)
    ]
    seat_learners(store, PROGRAM, sitting, ids)
    return sitting, ids, lead


def bench(store: Store, pieces: int) -> dict[str, float]:
    """The limits bench on many pieces: loaded once, then ruled as a limit is dragged. Rows are written without their log."""
    sitting, _ids, lead = school(store, 20)
    rng = np.random.default_rng(1)
    with store.write() as tx:
        row = tx.get(kept.Sitting, sitting)
        assert row is not None
        seats, exercise = tx.all(kept.Seat), row.exercise_version_id
        criteria = criteria_of(tx, exercise)
        tx.note_blob("0" * 64, 0)
        for first in range(0, pieces, 500):
            numbers = range(first, min(first + 500, pieces))
            tx.add(*(kept.Piece(id=f"{n:020d}", sitting_id=sitting, seat_id=seats[n % 20].id, learner_id=seats[n % 20].learner_id, exercise_version_id=exercise, attempt=n, idempotency_key=f"{n:064d}", blob="0" * 64, file_name="", neighbours={}, state="assessed", received_at=tx.now, simulated=True) for n in numbers))  # fmt: skip
            tx.add(*(kept.Assessment(id=f"{n:020d}", piece_id=f"{n:020d}", exercise_version_id=exercise, kerfmark="0", kind="scan", rms_um=1.0, overlap=1.0, modelled=True, made_at=tx.now) for n in numbers))  # fmt: skip
            tx.add(*(kept.Marking(id=f"{n:020d}", piece_id=f"{n:020d}", assessment_id=f"{n:020d}", number=1, percent=0.0, outcome="fail", why="", made_at=tx.now) for n in numbers))  # fmt: skip
            tx.add(*(kept.Reading(assessment_id=f"{n:020d}", position=at, criterion=at % len(criteria), reading=criteria[at % len(criteria)].reading, unit="mm", value=float(2.0 + rng.normal(0.0, 0.3)), u=0.02, status="measured") for n in numbers for at in range(len(criteria))))  # fmt: skip
    actor = actor_of(store, lead)
    began = time.perf_counter()
    made = open_bench(store, actor, exercise)
    loaded_ms = 1000.0 * (time.perf_counter() - began)
    high = np.array([c.limits[1] for c in made.criteria])
    times = []
    for step in range(20):
        began = time.perf_counter()
        made.ruled(upper=high + 0.01 * step).counts()
        times.append(1000.0 * (time.perf_counter() - began))
    return {"pieces": len(made.pieces), "criteria": len(criteria), "load_ms": loaded_ms, "ruled_median_ms": statistics.median(times), "ruled_worst_ms": max(times)}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--pieces", type=int, default=10_000)
    given = parser.parse_args()
    with empty_store(given.database) as (address, files):
        store = open_store(address, files)
        found = bench(store, given.pieces)
        store.close()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else math.nan
    print(f"limits bench on {given.database}, {os.cpu_count()} processors, load {load:.1f}")
    for name, value in found.items():
        print(f"  {name:<26} {value:.3f}" if isinstance(value, float) else f"  {name:<26} {value}")


if __name__ == "__main__":
    main()
