"""Live sessions over a local WebSocket: the one door to the socket library.

A connection begins with a JSON text: `{"instrument": name, "rate_hz": 1000}` for a new session or `{"session": id}` to go on with one.
The answer is a JSON text with `session` and `taken`, the number of samples the session has. Then come frames
(`kerfmark.live.frames`), each answered by one; samples the session has already are passed over, so a client that was cut off sends
again from `taken`. Events come as JSON texts `{"event": …}`. `{"finish": true}` ends the session: its record is written and what it
removed comes back.
"""

from __future__ import annotations

import json
import secrets
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from websockets.exceptions import ConnectionClosed
from websockets.sync.server import Server, ServerConnection, serve

from kerfmark.errors import InputError, KerfmarkError, printable
from kerfmark.exercise.prepared import Prepared
from kerfmark.intake.motions.writing import write_motion
from kerfmark.live.frames import answer_frame, read_samples
from kerfmark.live.session import Session

__all__ = ["LiveServer"]

LOCAL = "127.0.0.1"
MOST_SESSIONS = 8


@dataclass(eq=False)
class _Held:
    """A session with the lock that keeps two connections from feeding it at once."""

    session: Session
    taken: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)


class LiveServer:
    """Serves live sessions of one exercise on this machine only.

    Parameters
    ----------
    prepared : Prepared
    out : Path
        Folder for the records of finished sessions.
    port : int
        0 takes any free one.
    grid_um : float
    """

    def __init__(self, prepared: Prepared, *, out: Path, port: int = 0, grid_um: float = 50.0) -> None:
        self._prepared, self._out, self._grid_um = prepared, out, grid_um
        self._sessions: dict[str, _Held] = {}
        self._adding = threading.Lock()
        try:
            self._server: Server = serve(self._talk, LOCAL, port, max_size=2**24, compression=None)
        except OSError as error:
            raise InputError(
                f"port {port}: cannot be served ({printable(error.strerror or error, limit=80)}), expected a free port. Choose another."
            ) from error

    @property
    def port(self) -> int:
        """The port that is served."""
        return int(self._server.socket.getsockname()[1])

    def under_way(self) -> dict[str, float]:
        """Sessions that are running, and the seconds recorded of each."""
        return {number: held.taken / held.session.rate_hz for number, held in list(self._sessions.items())}

    def run(self) -> None:
        """Serve until `close` is called."""
        self._server.serve_forever()

    def close(self) -> None:
        """Stop serving; the records of sessions that were not finished are written."""
        self._server.shutdown()
        for number, held in list(self._sessions.items()):
            if held.taken:
                self._finish(number, held)

    def _talk(self, connection: ServerConnection) -> None:
        try:
            number, held = self._greeted(connection.recv())
            connection.send(json.dumps({"session": number, "taken": held.taken, "felt_n_mm": held.session.felt_n_mm}))
            for message in connection:
                self._answer(connection, number, held, message)
        except ConnectionClosed:
            return
        except (KerfmarkError, ValueError, TypeError) as fault:
            connection.send(json.dumps({"error": printable(fault, limit=400)}))

    def _greeted(self, message: str | bytes) -> tuple[str, _Held]:
        asked = json.loads(message)
        if "session" in asked:
            held = self._sessions.get(str(asked["session"]))
            if held is None:
                raise InputError(
                    f"session '{printable(asked['session'], limit=40)}' is not known, expected one that is under way. Begin a new one."
                )
            return str(asked["session"]), held
        with self._adding:
            if len(self._sessions) >= MOST_SESSIONS:
                raise InputError(f"{MOST_SESSIONS} sessions are under way, expected fewer. Finish one first.")
            session = Session(
                self._prepared,
                str(asked["instrument"]),
                rate_hz=float(asked.get("rate_hz", 1000.0)),
                grid_um=self._grid_um,
            )
            number = secrets.token_hex(8)
            self._sessions[number] = _Held(session)
        return number, self._sessions[number]

    def _answer(self, connection: ServerConnection, number: str, held: _Held, message: str | bytes) -> None:
        with held.lock:
            if isinstance(message, bytes):
                self._take(connection, held, message)
            elif json.loads(message).get("finish"):
                connection.send(json.dumps(self._finish(number, held)))

    def _take(self, connection: ServerConnection, held: _Held, message: bytes) -> None:
        first, samples = read_samples(message)
        if first > held.taken:
            raise InputError(
                f"live frame: begins with sample {first}, expected at most {held.taken}, the number taken. Send again from there."
            )
        answers: list[tuple[float, ...]] = []
        events: list[dict[str, Any]] = []
        try:
            for row in samples[held.taken - first :]:
                step = held.session.step(row[0], row[1:4], row[4:8], row[8])
                held.taken += 1
                answers.append((*step.force_n, step.depth_mm))
                events += [{"event": e.kind, "tissue": e.tissue, "time_s": e.time_s} for e in step.events]
        finally:
            connection.send(answer_frame(held.taken, np.array(answers, dtype=float)))
        for event in events:
            connection.send(json.dumps(event))

    def _finish(self, number: str, held: _Held) -> dict[str, Any]:
        path = self._out / f"live-{number}.parquet"
        write_motion(path, held.session.motion(), self._prepared.exercise)
        self._sessions.pop(number, None)
        return {"finished": number, "taken": held.taken, "record": path.name, "removed_mm3": held.session.readings()}
