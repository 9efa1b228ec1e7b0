"""Pieces held on a rig's machine: through being offline, a full disk and a kill, against a small server of the standard library."""

import errno
import json
import os
import signal
import subprocess
import sys
import threading
from email.parser import BytesParser
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

import kerfmark.spool as spool_module
from kerfmark.spool import Held, Spool, Target, piece_to_hold, send


class Taking(BaseHTTPRequestHandler):
    """Takes pieces as decision 12 says, each key once; `status` of the server overrides its answer."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        head = f"Content-Type: {self.headers['Content-Type']}\r\n\r\n".encode()
        parts = {p.get_param("name", header="content-disposition"): p for p in BytesParser().parsebytes(head + body).walk() if not p.is_multipart()}  # fmt: skip
        status, answer = self.server.status, {"detail": "not now"}
        key = self.headers["Idempotency-Key"]
        if status is None:
            repeated = key in self.server.taken
            self.server.taken.setdefault(key, parts["piece"].get_payload(decode=True))
            self.server.requests.append((self.path, self.headers["Authorization"], {n: p.get_payload() for n, p in parts.items() if n != "piece"}))  # fmt: skip
            sha256 = parts["sha256"].get_payload().strip()
            status, answer = (
                200 if repeated else 201,
                {"piece": "p", "attempt": 1, "sha256": sha256, "repeated": repeated},
            )
        content = json.dumps(answer).encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def server():
    made = ThreadingHTTPServer(("127.0.0.1", 0), Taking)
    made.taken, made.requests, made.status = {}, [], None
    thread = threading.Thread(target=made.serve_forever)
    thread.start()
    yield made
    made.shutdown()
    thread.join()
    made.server_close()


def target(server) -> Target:
    return Target(f"http://127.0.0.1:{server.server_address[1]}", "ks_0123456789abcdef0123_secret")


def piece(tmp_path: Path, content: bytes = b"solid piece", **options) -> Held:
    path = tmp_path / "piece.stl"
    path.write_bytes(content)
    given = {"learner": "L1", "sitting": "s", "exercise": None, **options}
    return piece_to_hold(path, secret="ks_0123456789abcdef0123_secret", **given)


def test_a_piece_arrives_byte_for_byte_with_its_key_and_goes_from_the_spool(tmp_path, server):
    spool, held = Spool(tmp_path / "spool"), piece(tmp_path, bytes(range(256)) * 300, unit="mm")
    spool.hold(held)
    assert [answer.state for _, answer in spool.send_all(target(server))] == ["kept"]
    assert server.taken == {held.key: bytes(range(256)) * 300}
    path, authorization, fields = server.requests[0]
    assert (path, authorization) == ("/api/v1/pieces", "Bearer ks_0123456789abcdef0123_secret")
    assert {k: v.strip() for k, v in fields.items()} == {
        "sha256": held.sha256,
        "learner": "L1",
        "sitting": "s",
        "unit": "mm",
    }
    assert spool.waiting() == []


def test_offline_pieces_wait_and_are_sent_oldest_first(tmp_path, server):
    spool, there = Spool(tmp_path / "spool"), target(server)
    keys = []
    for number in range(3):
        held = piece(tmp_path, f"piece {number}".encode())
        os.utime(spool.hold(held) / "entry.json", ns=(number, number))
        keys.append(held.key)
    nobody = Target("http://127.0.0.1:9", there.secret)  # the discard port: nothing listens there
    assert [answer.state for _, answer in spool.send_all(nobody)] == ["later"]
    assert [held.key for held in spool.waiting()] == keys
    list(spool.send_all(there))
    assert list(server.taken) == keys


def test_the_same_piece_twice_is_sent_once(tmp_path, server):
    spool, held = Spool(tmp_path / "spool"), piece(tmp_path)
    spool.hold(held)
    spool.hold(held)
    list(spool.send_all(target(server)))
    spool.hold(held)
    assert (spool.waiting(), len(server.requests)) == ([], 1)


@pytest.mark.parametrize("status", [429, 500, 503])
def test_a_busy_server_is_asked_again_later(tmp_path, server, status):
    server.status = status
    held = piece(tmp_path)
    assert send(held, target(server)).state == "later"


@pytest.mark.parametrize("status", [401, 403, 404, 409, 413, 422])
def test_a_refused_piece_is_kept_with_the_servers_words_and_can_be_sent_again(tmp_path, server, status):
    spool, held = Spool(tmp_path / "spool"), piece(tmp_path)
    spool.hold(held)
    server.status = status
    list(spool.send_all(target(server)))
    assert [(r.key, r.refused) for r in spool.refused()] == [(held.key, "not now")]
    server.status = None
    assert spool.again() == 1
    list(spool.send_all(target(server)))
    assert list(server.taken) == [held.key]


def test_a_full_disk_leaves_nothing_half_held(tmp_path, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    spool, held = Spool(tmp_path / "spool"), piece(tmp_path)
    monkeypatch.setattr(spool_module.shutil, "copyfileobj", full)
    with pytest.raises(OSError, match="No space left"):
        spool.hold(held)
    assert spool.waiting() == []
    assert not list((tmp_path / "spool").glob(".passing*"))


KILLED = """
import os, signal, sys
import kerfmark.spool as spool
from pathlib import Path
held = spool.piece_to_hold(Path(sys.argv[1]), secret="t", learner="L1", sitting="s", exercise=None)
place = spool.Spool(Path(sys.argv[2]))
real = getattr(spool, sys.argv[3])
def dying(*arguments, **options):
    result = real(*arguments, **options)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(spool, sys.argv[3], dying)
place.hold(held)
list(place.send_all(spool.Target(sys.argv[4], "t")))
"""


@pytest.mark.parametrize(("after", "waits"), [("_copied", False), ("_write", False), ("_flush", True), ("send", True)])
def test_a_kill_loses_nothing_and_sends_nothing_half(tmp_path, server, after, waits):
    held = piece(tmp_path, b"whole" * 1000)
    address = target(server).server
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path / "piece.stl"), str(tmp_path / "spool"), after, address],
        check=False,
    )
    assert done.returncode == -signal.SIGKILL
    spool = Spool(tmp_path / "spool")
    assert bool(spool.waiting()) == waits
    again = piece_to_hold(tmp_path / "piece.stl", secret="t", learner="L1", sitting="s", exercise=None)
    spool.hold(again)
    list(spool.send_all(Target(address, "t")))
    assert list(server.taken.values()) == [b"whole" * 1000]
    assert held.sha256 == again.sha256
