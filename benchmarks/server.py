"""Reliability over HTTP: 500 learners hand in to a running `kerfmark serve` within a minute; that server killed a hundred times.

Run `python benchmarks/server.py rush|kills [--database sqlite|postgresql]`. The server is a process of its own on a free port with one process
that measures; PostgreSQL is a real server out of the `pgserver` wheel. What is handed in are real scans of a small exercise, and they are really
measured. Clients, server and measuring share the machine's processors.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import re
import secrets
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from store import empty_store, small_exercise

from kerfmark.geometry.evening import refined
from kerfmark.geometry.mesh_files.stl import stl_bytes
from kerfmark.geometry.solids import Solid, difference
from kerfmark.settings import read_settings
from kerfmark.sittings import access
from kerfmark.sittings.exercises import import_exercise
from kerfmark.sittings.keeping import prove_store
from kerfmark.sittings.opening import open_sitting
from kerfmark.sittings.people import add_person
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.roles import actor_of
from kerfmark.sittings.seating import appoint, seat_learners
from kerfmark.sittings.sites import add_site
from kerfmark.storage import Store, open_store
from kerfmark.storage import schema as kept

CLIENTS = 100
"""Learners who may wait for the server at once."""
HEADER_BYTES = 80
LONGEST_S = {"handing in": 0.3, "measuring": 2.0, "marking": 0.06, "signing": 0.06}
"""What a kill is aimed at, in turn, and how long after that has begun it comes at most; what else was under way is counted."""
PATIENCE_S = 300.0
"""How long nothing may move before it counts as stuck."""
WAITING = 4
"""So many pieces wait to be measured before clients hand in no more, but where handing in is aimed at."""
SCOPES = ("read", "submit", "examine", "manage")


class Served:
    """`kerfmark serve` in a process of its own, on a free port."""

    def __init__(self, address: str, files: str, *, workers: int = 1) -> None:
        command = [sys.executable, "-m", "kerfmark", "serve", "--port", "0", "--workers", str(workers)]
        self._process = subprocess.Popen(
            [*command, "--store", address, "--files", files], stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        said = self._process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)", said)
        assert found, f"the server did not start: {said!r}"
        self.port, self.pid = int(found[1]), self._process.pid

    def kill(self) -> None:
        """SIGKILL, to the server alone: the process that measures has to notice by itself."""
        self._process.send_signal(signal.SIGKILL)
        self._end()

    def stop(self) -> None:
        """As Ctrl-C does."""
        self._process.send_signal(signal.SIGINT)
        self._end()

    def _end(self) -> None:
        self._process.wait(PATIENCE_S)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Caller:
    """Somebody with a token, on a connection of their own for each request, as `kerfmark submit` does it."""

    def __init__(self, secret: str) -> None:
        self._secret = secret

    def ask(
        self, port: int, method: str, path: str, body: bytes = b"", kind: str = "application/json", **headers: str
    ) -> tuple[int, Any]:
        """The status and the answer; raises OSError or HTTPException where the server breaks off."""
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60.0)
        try:
            given = {"Authorization": f"Bearer {self._secret}", "Content-Type": kind, **headers}
            connection.request(method, f"/api/v1{path}", body, given)
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())
        finally:
            connection.close()

    def hand_in(self, port: int, sitting: str, content: bytes) -> tuple[int, Any]:
        """Hand a scan in."""
        edge = b"kerfmark-edge"
        head = b"--%s\r\nContent-Disposition: form-data; name=" % edge
        body = b"".join([
            head, b'"sitting"\r\n\r\n', sitting.encode(), b"\r\n", head, b'"piece"; filename="piece.stl"\r\n\r\n', content,
            b"\r\n--%s--\r\n" % edge,
        ])  # fmt: skip
        return self.ask(port, "POST", "/pieces", body, f"multipart/form-data; boundary={edge.decode()}")


@dataclass(frozen=True)
class School:
    """A sitting, its people's tokens, and a scan to hand in."""

    sitting: str
    criteria: int
    learners: Sequence[Caller]
    examiners: Sequence[Caller]
    lead: Caller
    scan: bytes

    def piece(self, name: str) -> bytes:
        """The scan under another name in its header, so that its digest is its own."""
        return name.encode().ljust(HEADER_BYTES)[:HEADER_BYTES] + self.scan[HEADER_BYTES:]


def school(store: Store, learners: int, *, edge_mm: float) -> School:
    """A site and an exam that two examiners see; each with a token."""
    site = add_site(store, PROGRAM, "North")
    with tempfile.TemporaryDirectory() as folder:
        exercise = import_exercise(store, PROGRAM, small_exercise(Path(folder)), settings=read_settings(), prove=False)
    with store.write() as tx:
        row = tx.get(kept.ExerciseVersion, exercise)
        assert row is not None
        row.can_be_marked = row.can_be_cut = True
        criteria = len(tx.all(kept.Criterion, kept.Criterion.exercise_version_id == exercise))
    sitting = open_sitting(
        store, PROGRAM, title="Rush", site_id=site, exercise_id=exercise, kind="exam", attempts=100_000, second="all"
    )
    ids = [
        add_person(store, PROGRAM, code=f"L{n:04d}", name=f"Learner {n}", roles=[("learner", site)])
        for n in range(learners)
    ]
    seat_learners(store, PROGRAM, sitting, ids)
    examiners = [
        add_person(store, PROGRAM, code=f"E{n}", name=f"Examiner {n}", roles=[("examiner", site)]) for n in (1, 2)
    ]
    for person in examiners:
        appoint(store, PROGRAM, sitting, person, "examiner")
    lead = add_person(store, PROGRAM, code="lead", name="Lead", roles=[("lead", None)])
    return School(
        sitting, criteria, [_caller(store, i) for i in ids], [_caller(store, i) for i in examiners], _caller(store, lead), _scan(edge_mm)
    )  # fmt: skip


def _caller(store: Store, person: str) -> Caller:
    return Caller(access.make_token(store, actor_of(store, person), name="a benchmark", scopes=SCOPES)[1])


def _scan(edge_mm: float) -> bytes:
    """The bed cut 20 µm too wide, as a binary STL in triangles of about that size."""
    block = Solid.box([-6.0, -5.0, -6.0], [6.0, 5.0, 0.0])
    cut = difference(block, Solid.box([-2.02, -1.52, -2.03], [2.01, 1.51, 1.0]))
    return stl_bytes(refined(cut.surface(), edge_mm))


def rush(
    address: str, files: str, *, learners: int, seconds: float, twice: float = 0.2, edge_mm: float = 0.3
) -> dict[str, Any]:
    """Learners hand in at random moments of a minute, some of them twice at once, as a client that did not hear back does."""
    store = open_store(address, files)
    held = school(store, learners, edge_mm=edge_mm)
    served, rng = Served(address, files), random.Random(5)
    plan = sorted((rng.uniform(0.0, seconds), n) for n in range(learners))
    again = set(rng.sample(range(learners), int(twice * learners)))
    took_s: list[float] = []
    receipts: dict[int, str] = {}
    lock, began = threading.Lock(), time.perf_counter()

    def send(n: int, due: float) -> None:
        status, answer = held.learners[n].hand_in(served.port, held.sitting, held.piece(f"learner {n}"))
        with lock:
            took_s.append(time.perf_counter() - began - due)
            assert status in (200, 201), (status, answer)
            assert receipts.setdefault(n, answer["piece"]) == answer["piece"]

    with ThreadPoolExecutor(CLIENTS) as pool:
        jobs = []
        for due, n in plan:
            time.sleep(max(0.0, began + due - time.perf_counter()))
            jobs += [pool.submit(send, n, due) for _ in range(2 if n in again else 1)]
        for job in jobs:
            job.result()
    whole_s = time.perf_counter() - began
    with store.read() as tx:
        rows, measured = tx.all(kept.Piece), len(tx.all(kept.Assessment))
    served.stop()
    proof = prove_store(store, PROGRAM)
    store.close()
    lost, more = set(receipts.values()) - {row.id for row in rows}, len(rows) - learners
    assert (lost, more, len(receipts), proof.holds) == (set(), 0, learners, True), (lost, more, proof)
    took_s.sort()
    return {
        "learners": learners, "requests": len(took_s), "MB_each": len(held.scan) / 1e6, "spread_over_s": seconds, "whole_s": whole_s,
        "median_s": statistics.median(took_s), "p95_s": took_s[int(0.95 * len(took_s))], "worst_s": took_s[-1], "lost": len(lost), "twice": more,
        "measured_meanwhile": measured,
    }  # fmt: skip


@dataclass
class Told:
    """What the server has said is done, and what was under way when it was killed."""

    pieces: dict[str, str] = field(default_factory=dict)
    unheard: dict[str, int] = field(default_factory=dict)
    views: set[str] = field(default_factory=set)
    measured: set[str] = field(default_factory=set)
    examined: set[tuple[str, int]] = field(default_factory=set)
    signed: set[str] = field(default_factory=set)


class Round:
    """One life of the server: clients at work, until it is killed."""

    def __init__(self, held: School, told: Told, served: Served, rng: random.Random, number: int) -> None:
        self.held, self.told, self.served, self.rng, self.number = held, told, served, rng, number
        self.over, self.armed, self.struck = threading.Event(), threading.Event(), threading.Event()
        self.aim = ""
        self.under_way: Counter[str] = Counter()
        self.wrong: list[BaseException] = []
        self._lock = threading.Lock()

    def run(self, aim: str, delay: Callable[[], float], busy: Callable[[], bool]) -> Counter[str]:
        """Let the clients work, kill the server while what is aimed at runs; returns what was under way then."""
        self.aim = aim
        acts = (self._hand_in, self._hand_in, self._examine, self._sign)
        threads = [threading.Thread(target=self._work, args=(act, n)) for n, act in enumerate(acts)]
        for thread in threads:
            thread.start()
        if aim == "measuring":
            _wait(busy)
        else:
            self.armed.set()
            self.struck.wait(PATIENCE_S)
        time.sleep(delay())
        with self._lock:
            under_way = Counter(self.under_way)
        measuring = busy()
        self.served.kill()
        self.over.set()
        for thread in threads:
            thread.join()
        if self.wrong:
            raise self.wrong[0]
        return under_way + Counter(measuring=int(measuring))

    def _work(self, act: Callable[[int], bool], n: int) -> None:
        while not self.over.is_set():
            try:
                if not act(n):
                    self.over.wait(0.1)
            except (OSError, http.client.HTTPException):
                return  # the server is gone
            except BaseException as wrong:
                self.wrong.append(wrong)  # a thread's own failure is nobody's: the round raises it
                return

    def _asked(self, what: str, caller: Caller, *request: Any) -> tuple[int, Any]:
        with self._lock:
            self.under_way[what] += 1
        if what == self.aim and self.armed.is_set():
            self.struck.set()
        done = False
        try:
            answer = caller.hand_in(*request) if what == "handing in" else caller.ask(*request)
            done = True
        finally:
            if done:
                with self._lock:
                    self.under_way[what] -= 1
        return answer

    def _hand_in(self, n: int) -> bool:
        """A new piece, or one whose receipt was never heard, from a learner; then its own view."""
        told, held = self.told, self.held
        if n == 0 and told.unheard:
            name, learner = next(iter(told.unheard.items()))
        elif self.aim != "handing in" and len(told.pieces) - len(told.measured) >= WAITING:
            return False
        else:
            learner = self.rng.randrange(len(held.learners))
            name = f"{self.number} {secrets.token_hex(8)}"
            told.unheard[name] = learner
        port, caller = self.served.port, held.learners[learner]
        status, answer = self._asked("handing in", caller, port, held.sitting, held.piece(name))
        assert status in (200, 201), answer
        told.pieces[name] = answer["piece"]
        told.unheard.pop(name, None)
        views = [{"number": k + 1, "view": "inside", "confidence": "sure"} for k in range(held.criteria)]
        given = json.dumps({"views": views}).encode()
        status, _ = self._asked("own view", caller, port, "POST", f"/pieces/{answer['piece']}/own-view", given)
        if status == 200:
            told.views.add(answer["piece"])
        return True

    def _examine(self, _: int) -> bool:
        did = False
        for n, examiner in enumerate(self.held.examiners):
            _, queue = examiner.ask(self.served.port, "GET", "/queue")
            self.told.measured |= {line["piece_id"] for line in queue}
            for line in queue[:1]:
                decided = [{"number": at + 1, "ruling": "met", "note": "Clear."} for at in line["open"]]
                body, place = json.dumps({"decisions": decided}).encode(), f"/pieces/{line['piece_id']}/examination"
                status, answer = self._asked("marking", examiner, self.served.port, "POST", place, body)
                assert status == 200, answer
                self.told.examined.add((line["piece_id"], n))
                did = True
        return did

    def _sign(self, _: int) -> bool:
        """One piece that both examiners saw."""
        seen = {p for p, n in set(self.told.examined) if n == 0} & {p for p, n in set(self.told.examined) if n == 1}
        ready = sorted(seen - self.told.signed)
        if not ready:
            return False
        status, answer = self._asked(
            "signing", self.held.lead, self.served.port, "POST", f"/pieces/{ready[0]}/signature"
        )
        assert status == 201 or "signed" in answer["detail"], answer  # signed when the kill came before the answer
        self.told.signed.add(ready[0])
        return True


def kills(
    address: str, files: str, *, rounds: int, moments: Sequence[str] = tuple(LONGEST_S), seed: int = 3
) -> dict[str, Any]:
    """Kill the server at random moments; after each kill everything it said was done must be there, at the end all must prove."""
    store, rng, told = open_store(address, files), random.Random(seed), Told()
    held, hit = school(store, 12, edge_mm=0.8), Counter[str]()
    for number in range(rounds):
        aim, served = moments[number % len(moments)], Served(address, files)
        longest_s = LONGEST_S[aim]

        def busy(worker: str = f" {served.pid} ") -> bool:
            with store.read() as tx:
                return bool(tx.all(kept.Job, kept.Job.state == "running", kept.Job.claimed_by.contains(worker)))

        life = Round(held, told, served, rng, number)
        hit += life.run(aim, lambda longest_s=longest_s: rng.uniform(0.0, longest_s), busy)
        _check_told(store, told)
        print(f"kill {number + 1} of {rounds}: {len(told.pieces)} pieces acknowledged", file=sys.stderr, flush=True)
    again = _measured_to_the_end(store, Served(address, files))
    _check_told(store, told)
    proof = prove_store(store, PROGRAM)
    assert proof.holds, proof
    with store.read() as tx:
        pieces, blobs = tx.all(kept.Piece), {row.blob for row in tx.all(kept.Piece)}
    store.close()
    assert len(blobs) == len(pieces), "a piece stands twice"
    assert all(p.state == "assessed" for p in pieces), Counter((p.state, p.reason) for p in pieces)
    return {
        "kills": rounds, **{f"kills_while_{what.replace(' ', '_')}": n for what, n in sorted(hit.items())},
        "pieces_acknowledged": len(told.pieces), "own_views_acknowledged": len(told.views), "measured_and_seen_so": len(told.measured),
        "examinations_acknowledged": len(told.examined), "signatures_acknowledged": len(told.signed), "lost": 0, "twice": 0,
        "measured_after_the_last_start": again, "audit_entries": proof.audit.entries, "files": proof.files, "files_of_nobody": proof.nobodys,
    }  # fmt: skip


def _measured_to_the_end(store: Store, served: Served) -> int:
    """Start once more and let what waits be measured; returns how many that were."""

    def left() -> int:
        with store.read() as tx:
            return len(tx.all(kept.Job, kept.Job.state.in_(("queued", "running"))))

    waiting = before = left()
    while before:
        _wait(lambda before=before: left() < before)
        before = left()
    served.stop()
    return waiting


def _check_told(store: Store, told: Told) -> None:
    with store.read() as tx:
        pieces = {row.id: row.state for row in tx.all(kept.Piece)}
        assessments = [a.piece_id for a in tx.all(kept.Assessment)]
        signatures = [s.piece_id for s in tx.all(kept.Signature)]
        examined = [(e.piece_id, e.examiner_id) for e in tx.all(kept.Examination)]
        views = [v.piece_id for v in tx.all(kept.OwnView)]
    assert set(told.pieces.values()) <= set(pieces), "an acknowledged piece is lost"
    assert all(pieces[piece] == "assessed" for piece in told.measured), "an acknowledged measurement is lost"
    for name, rows in (("measured", assessments), ("signed", signatures), ("examined", examined), ("viewed", views)):
        assert len(rows) == len(set(rows)), f"a piece was {name} twice"
    assert told.views <= set(views), "an acknowledged own view is lost"
    assert told.signed <= set(signatures), "an acknowledged signature is lost"
    assert len(told.examined) <= len(examined), "an acknowledged examination is lost"


def _wait(ready: Callable[[], bool], *, patience_s: float = PATIENCE_S) -> None:
    until = time.monotonic() + patience_s
    while not ready():
        assert time.monotonic() < until, "it did not come"
        time.sleep(0.02)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("rush", "kills"))
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--learners", type=int, default=500)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rounds", type=int, default=100)
    given = parser.parse_args()
    with empty_store(given.database) as place:
        if given.what == "kills":
            found = kills(*place, rounds=given.rounds)
        else:
            found = rush(*place, learners=given.learners, seconds=given.seconds)
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"{given.what} over HTTP on {given.database}, {os.cpu_count()} processors, load {load:.1f}")
    for name, value in found.items():
        print(f"  {name:<30} {value:.3f}" if isinstance(value, float) else f"  {name:<30} {value}")


if __name__ == "__main__":
    main()
