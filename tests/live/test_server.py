"""A client that loses its line goes on without losing a sample; the server refuses what it cannot take, in words."""

from __future__ import annotations

import json
import runpy
import threading
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
from websockets.sync.client import connect

from kerfmark.intake.motions import read_motion
from kerfmark.live.frames import read_answer, sample_frame
from kerfmark.live.server import LiveServer

from .test_session import strokes

CLIENT = Path(__file__).resolve().parents[2] / "examples" / "live_client.py"
HELLO = {"instrument": "chamfer diamond 0.8 to 1.2"}


@pytest.fixture
def server(felt, tmp_path):
    running = LiveServer(felt, out=tmp_path)
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    yield running
    running.close()
    thread.join(5.0)


def samples(n=120):
    tip, turn = strokes(n)
    return np.column_stack([np.arange(n) / 1000.0, tip, turn, np.full(n, 2e5)])


@pytest.fixture
def lines():
    """Connections, hung up at the end."""
    with ExitStack() as stack:
        yield stack


def greeted(lines, server, hello):
    line = lines.enter_context(connect(f"ws://127.0.0.1:{server.port}", compression=None))
    line.send(json.dumps(hello))
    return line, json.loads(line.recv())


def answer(line):
    while isinstance(said := line.recv(timeout=10), str):
        assert "error" not in json.loads(said), said
    return read_answer(said)


def test_a_dropped_client_goes_on_where_it_was(server, felt, lines, tmp_path):
    # Source: the record that is written holds every sample once, and the cut is that of the samples sent in one go.
    rows = samples()
    line, greeting = greeted(lines, server, HELLO)
    line.send(sample_frame(0, rows[:50]))
    taken, forces = answer(line)
    assert (taken, forces.shape) == (50, (50, 4))
    line.send(sample_frame(50, rows[50:70]))  # sent, and the line is lost before the answer
    line.close()
    line, again = greeted(lines, server, {"session": greeting["session"]})
    assert 50 <= again["taken"] <= 70  # as far as it had come when the line was lost; what follows overlaps it
    line.send(sample_frame(40, rows[40:]))
    assert answer(line)[0] == 120
    line.send(json.dumps({"finish": True}))
    done = {}
    while "finished" not in done:
        said = line.recv(timeout=10)
        done = json.loads(said) if isinstance(said, str) else {}
    motion = read_motion(tmp_path / done["record"], felt.exercise)
    np.testing.assert_allclose(motion.time_s, rows[:, 0], atol=1e-12)
    assert done["taken"] == 120
    assert done["removed_mm3"]["all"] > 0


def test_what_cannot_be_taken_is_told(server, lines):
    for hello, words in (({"session": "nothing"}, "is not known"), ({"instrument": "no such tool"}, "is not known")):
        assert words in greeted(lines, server, hello)[1]["error"]
    for frame, words in ((sample_frame(5, samples()[:1]), "begins with sample 5"), (b"12345", "has 5 bytes")):
        line, _ = greeted(lines, server, HELLO)
        line.send(frame)
        assert words in json.loads(line.recv(timeout=10))["error"]
    line, greeting = greeted(lines, server, HELLO)
    bad = samples()[:3]
    bad[1, 0] = -1.0
    line.send(sample_frame(0, bad))
    assert answer(line)[0] == 1
    assert "The sample is left out" in json.loads(line.recv(timeout=10))["error"]
    _, again = greeted(lines, server, {"session": greeting["session"]})
    assert again["taken"] == 1


def test_the_reference_client_sends_a_whole_record(server, tmp_path):
    rows = samples(40)
    names = "time_s,x_mm,y_mm,z_mm,qw,qx,qy,qz,spindle_rpm"
    np.savetxt(tmp_path / "motion.csv", rows, delimiter=",", header=names, comments="", fmt="%.12g")
    client = runpy.run_path(str(CLIENT))
    said = client["send_all"](f"ws://127.0.0.1:{server.port}", HELLO, client["read_motion"](tmp_path / "motion.csv"))
    assert said["taken"] == 40
    assert (tmp_path / said["record"]).is_file()


def test_unfinished_sessions_are_written_when_the_server_stops(felt, lines, tmp_path):
    running = LiveServer(felt, out=tmp_path)
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    line, greeting = greeted(lines, running, HELLO)
    line.send(sample_frame(0, samples()[:10]))
    assert answer(line)[0] == 10
    running.close()
    thread.join(5.0)
    assert len(read_motion(tmp_path / f"live-{greeting['session']}.parquet", felt.exercise).time_s) == 10
