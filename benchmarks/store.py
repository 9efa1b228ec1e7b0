"""Reliability of the store: 500 learners hand in within a minute; a server killed a hundred times; 10,000 pieces on the limits bench.

Run `python benchmarks/store.py rush|kills|bench [--database sqlite|postgresql]`. PostgreSQL is a real server out of the `pgserver` wheel. The
flows are called in the process, as the server's threads call them; HTTP comes on top.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from kerfmark.errors import KerfmarkError
from kerfmark.records import Reading
from kerfmark.sittings.apart import Assessed
from kerfmark.sittings.exercises import CriterionLine, criteria_of, import_exercise
from kerfmark.sittings.handing_in import hand_in
from kerfmark.sittings.keeping import prove_store
from kerfmark.sittings.limits import open_bench
from kerfmark.sittings.marks import standings
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import actor_of, add_person, add_site
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.seating import seat_learners
from kerfmark.sittings.signing import sign
from kerfmark.sittings.work import claim, finish, release_dead_claims
from kerfmark.storage import Store, open_store
from kerfmark.storage import schema as kept

THREADS = 40
"""As many requests at once as the server's thread pool takes."""
ROUNDS_MS = (20, 600)


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


def made_up(criteria: tuple[CriterionLine, ...], rng: random.Random) -> Assessed:
    """Readings in and about the limits, as measuring would give them."""
    readings = []
    for c in criteria:
        low, high = c.limits
        middle = 0.5 * (low + high) if math.isfinite(low + high) else (high - 0.1 if math.isfinite(high) else low + 0.1)
        readings.append(Reading(c.reading, c.where, c.stat, middle + rng.gauss(0.0, 0.01), c.unit, 0.01))
    return Assessed("0", "scan", 8.0, 0.95, tuple(readings), json.dumps({"draw": rng.random()}).encode())


def rush(store: Store, *, learners: int, size: int, seconds: float, twice: float = 0.2) -> dict[str, float]:
    """Learners hand in at random moments of a minute, some of them twice at once, as a client that did not hear back does."""
    sitting, ids, _ = school(store, learners)
    actors = {person: actor_of(store, person) for person in ids}
    rng = random.Random(5)
    plan = sorted((rng.uniform(0.0, seconds), person) for person in ids)
    again = set(rng.sample(ids, int(twice * learners)))
    took_s: list[float] = []
    receipts: dict[str, str] = {}
    lock, began = threading.Lock(), time.perf_counter()

    def send(person: str, due: float) -> None:
        content = person.encode() * (size // len(person))
        for _ in range(2 if person in again else 1):
            receipt = hand_in(store, actors[person], content=content, file_name="piece.stl", sitting_id=sitting)
            with lock:
                took_s.append(time.perf_counter() - began - due)
                assert receipts.setdefault(person, receipt.piece_id) == receipt.piece_id

    with ThreadPoolExecutor(THREADS) as pool:
        jobs = []
        for due, person in plan:
            time.sleep(max(0.0, began + due - time.perf_counter()))
            jobs.append(pool.submit(send, person, due))
        for job in jobs:
            job.result()
    whole_s = time.perf_counter() - began
    with store.read() as tx:
        rows = tx.all(kept.Piece)
        jobs_left = len(tx.all(kept.Job))
    proof = prove_store(store, PROGRAM)
    lost, more = set(receipts.values()) - {row.id for row in rows}, len(rows) - learners
    assert (lost, more, jobs_left, proof.holds) == (set(), 0, learners, True), (len(lost), more, jobs_left, proof)
    took_s.sort()
    return {
        "learners": learners, "MB_each": size / 1e6, "spread_over_s": seconds, "whole_s": whole_s, "median_s": statistics.median(took_s),
        "p95_s": took_s[int(0.95 * len(took_s))], "worst_s": took_s[-1], "lost": len(lost), "twice": more,
    }  # fmt: skip


def server(address: str, files: str, sitting: str, seed: int) -> None:
    """Hand in, measure and sign without end, saying each thing only when it is done; whoever started this kills it."""
    store, rng = open_store(address, files), random.Random(seed)
    release_dead_claims(store)
    with store.read() as tx:
        ids = [seat.learner_id for seat in tx.all(kept.Seat, order=[kept.Seat.code])]
        row = tx.get(kept.Sitting, sitting)
        lead = tx.one(kept.Person, kept.Person.code == "lead")
        assert row is not None
        assert lead is not None
        criteria = criteria_of(tx, row.exercise_version_id)
    actor = actor_of(store, lead.id)

    def say(what: str, key: str) -> None:
        print(json.dumps([what, key]), flush=True)

    while True:
        act = rng.random()
        if act < 0.5:
            content = f"piece {seed} {rng.random()}".encode() * 500
            receipt = hand_in(
                store, actor_of(store, rng.choice(ids)), content=content, file_name="a.stl", sitting_id=sitting
            )
            say("piece", receipt.piece_id)
        elif act < 0.8:
            job = claim(store, f"bench {os.getpid()} 0", seconds=0.5)
            if job is not None and finish(store, job, made_up(criteria, rng)):
                say("measured", job.piece_id)
        else:
            with store.read() as tx:
                ready = [
                    s.piece.id for s in standings(tx, kept.Piece.state == "assessed").values() if s.word == "settled"
                ]
            if ready:
                try:
                    sign(store, actor, rng.choice(ready))
                except KerfmarkError:
                    continue
                say("signed", ready[0] if len(ready) == 1 else "one of several")


def kills(address: str, files: str, *, rounds: int, seed: int = 3) -> dict[str, int]:
    """Kill that server at random moments; after each kill everything it said was done must be there, at the end all must prove."""
    store = open_store(address, files)
    sitting, _, _ = school(store, 12)
    rng, said = random.Random(seed), {"piece": set[str](), "measured": set[str](), "signed": 0}
    for number in range(rounds):
        command = [
            sys.executable,
            __file__,
            "server",
            "--address",
            address,
            "--files",
            files,
            "--sitting",
            sitting,
            "--seed",
            str(number),
        ]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            lines = [process.stdout.readline()]  # it is at work
            time.sleep(rng.uniform(*ROUNDS_MS) / 1000.0)
            process.send_signal(signal.SIGKILL)
            lines += process.stdout.readlines()
        for line in lines:
            what, key = json.loads(line) if line.endswith("\n") else ("", "")
            if what == "signed":
                said["signed"] += 1
            elif what:
                said[what].add(key)
        _check_said(store, said)
    proof = prove_store(store, PROGRAM)
    assert proof.holds, proof
    store.close()
    return {
        "kills": rounds, "pieces_acknowledged": len(said["piece"]), "measurements_acknowledged": len(said["measured"]),
        "signatures_acknowledged": said["signed"], "lost": 0, "audit_entries": proof.audit.entries, "files": proof.files,
        "files_of_nobody": proof.nobodys,
    }  # fmt: skip


def _check_said(store: Store, said: dict) -> None:
    with store.read() as tx:
        pieces = {row.id: row.state for row in tx.all(kept.Piece)}
        assessments = [a.piece_id for a in tx.all(kept.Assessment)]
        signatures = [s.piece_id for s in tx.all(kept.Signature)]
    assert said["piece"] <= set(pieces), "an acknowledged piece is lost"
    assert all(pieces[piece] == "assessed" for piece in said["measured"]), "an acknowledged measurement is lost"
    assert len(assessments) == len(set(assessments)), "a piece was measured twice"
    assert len(signatures) == len(set(signatures)) >= said["signed"], (
        "an acknowledged signature is lost, or stands twice"
    )


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
    parser.add_argument("what", choices=("rush", "kills", "bench", "server"))
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--learners", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--pieces", type=int, default=10_000)
    for name in ("--address", "--files", "--sitting"):
        parser.add_argument(name)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    if given.what == "server":
        server(given.address, given.files, given.sitting, given.seed)
    with empty_store(given.database) as (address, files):
        if given.what == "kills":
            found = kills(address, files, rounds=given.rounds)
        else:
            store = open_store(address, files)
            found = rush(store, learners=given.learners, size=10**6, seconds=given.seconds) if given.what == "rush" else bench(store, given.pieces)  # fmt: skip
            store.close()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else math.nan
    print(f"{given.what} on {given.database}, {os.cpu_count()} processors, load {load:.1f}")
    for name, value in found.items():
        print(f"  {name:<26} {value:.3f}" if isinstance(value, float) else f"  {name:<26} {value}")


if __name__ == "__main__":
    main()
