"""Pieces held on a rig's machine until a server has taken them: through being offline, a full disk, a kill; each is taken once.

A piece is copied into the spool whole, under a name that is its idempotency key, before anything is sent. It goes when the server
has said that it is kept. Sent twice, as after a kill between the two, it is one piece by its key (decision 12).
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import json
import os
import shutil
import ssl
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeAlias
from urllib.parse import SplitResult, urlsplit

from kerfmark.errors import InputError, printable
from kerfmark.version import __version__

__all__ = [
    "Answer",
    "Held",
    "Spool",
    "Target",
    "ask",
    "idempotency_key",
    "piece_to_hold",
    "send",
    "send_file",
    "station_of",
]

CHUNK = 1 << 16
TIMEOUT_S = 30.0
WAITING, SENT, REFUSED = "waiting", "sent", "refused"
ENTRY = "entry.json"
STATION = "ks_"
LATER = (408, 425, 429, 500, 502, 503, 504)

State: TypeAlias = Literal["kept", "later", "refused"]


def idempotency_key(sha256: str, *, version: str, station: str, learner: str) -> str:
    """What makes a piece the same piece: the SHA-256 of four lines (decision 12).

    Examples
    --------
    >>> idempotency_key("00", version="sha256:11", station="", learner="L1")[:8]
    '244e3747'
    """
    return hashlib.sha256("".join(f"{line}\n" for line in (sha256, version, station, learner)).encode()).hexdigest()


def station_of(secret: str) -> str:
    """The id of the station a key belongs to, which stands in the key itself; empty for a person's token.

    Examples
    --------
    >>> station_of("ks_0123456789abcdef0123_secret")
    '0123456789abcdef0123'
    """
    parts = secret.split("_", 2)
    return parts[1] if secret.startswith(STATION) and len(parts) == 3 else ""


@dataclass(frozen=True, slots=True)
class Target:
    """The server pieces go to, and the station key or token they go with."""

    server: str
    secret: str


@dataclass(frozen=True, slots=True)
class Held:
    """A piece with all that is sent with it. `files` are paths by part: `piece`, `mesial`, `distal`, `rig`."""

    key: str
    sha256: str
    file_name: str
    learner: str | None
    sitting: str | None
    exercise: str | None
    unit: str | None
    files: Mapping[str, str] = field(default_factory=dict)
    refused: str | None = None

    def fields(self) -> dict[str, str]:
        """The parts that are text."""
        given = {
            "sha256": self.sha256, "learner": self.learner, "sitting": self.sitting, "exercise": self.exercise, "unit": self.unit,
        }  # fmt: skip
        return {name: value for name, value in given.items() if value is not None}


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of sending a piece: `kept` by the server, to be tried again `later`, or `refused`, with its words."""

    state: State
    words: str
    receipt: Mapping[str, Any] = field(default_factory=dict)


class Spool:
    """A folder of pieces that wait, of receipts of those sent, and of those a server refused.

    Parameters
    ----------
    folder : Path
        Made where needed.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def hold(self, piece: Held) -> Path:
        """Copy a piece into the spool, whole or not at all; a piece that waits or was sent already is left as it is.

        Raises
        ------
        OSError
            If it cannot be written, as on a full disk; nothing of it is left then.
        """
        place = self.folder / WAITING / piece.key
        place.parent.mkdir(parents=True, exist_ok=True)
        if place.is_dir() or self.receipt(piece.key) is not None:
            return place
        passing = Path(tempfile.mkdtemp(dir=self.folder, prefix=".passing-"))
        try:
            files = {part: _copied(Path(file), passing, part) for part, file in piece.files.items()}
            _write(passing / ENTRY, {**asdict(piece), "files": files})
            with contextlib.suppress(FileExistsError):
                passing.replace(place)
            _flush(place.parent)
        finally:
            shutil.rmtree(passing, ignore_errors=True)
        return place

    def waiting(self) -> list[Held]:
        """Pieces that wait, oldest first."""
        return [self._read(folder) for folder in self._folders(WAITING)]

    def refused(self) -> list[Held]:
        """Pieces a server refused, with its words; they stay here until sent again or taken away."""
        return [self._read(folder) for folder in self._folders(REFUSED)]

    def receipt(self, key: str) -> Mapping[str, Any] | None:
        """The receipt of a piece that was sent."""
        try:
            found: Mapping[str, Any] = json.loads((self.folder / SENT / f"{key}.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return found

    def send_all(self, target: Target) -> Iterator[tuple[Held, Answer]]:
        """Send what waits, one after another; stops at the first that has to wait on."""
        for piece in self.waiting():
            answer = send(piece, target)
            self._settle(piece, answer)
            yield piece, answer
            if answer.state == "later":
                return

    def again(self) -> int:
        """Let what was refused wait once more, as after the sitting was opened; returns how many."""
        folders = list(self._folders(REFUSED))
        for folder in folders:
            (self.folder / WAITING).mkdir(parents=True, exist_ok=True)
            folder.replace(self.folder / WAITING / folder.name)
        return len(folders)

    def _settle(self, piece: Held, answer: Answer) -> None:
        """First the receipt, then the piece goes: a kill in between sends it again, and it is one piece by its key."""
        place = self.folder / WAITING / piece.key
        if answer.state == "kept":
            (self.folder / SENT).mkdir(exist_ok=True)
            with contextlib.suppress(OSError):  # a full disk: the piece is safe at the server all the same
                _write(self.folder / SENT / f"{piece.key}.json", dict(answer.receipt))
            shutil.rmtree(place, ignore_errors=True)
        elif answer.state == "refused":
            (self.folder / REFUSED).mkdir(exist_ok=True)
            with contextlib.suppress(OSError):
                files = {part: Path(file).name for part, file in piece.files.items()}
                _write(place / ENTRY, {**asdict(piece), "files": files, "refused": answer.words})
                place.replace(self.folder / REFUSED / piece.key)

    def _folders(self, kind: str) -> list[Path]:
        """Whole entries; what a kill left half-made has no place here, as it never got its name."""
        try:
            found = [folder for folder in (self.folder / kind).iterdir() if (folder / ENTRY).is_file()]
            return sorted(found, key=lambda folder: ((folder / ENTRY).stat().st_mtime_ns, folder.name))
        except OSError:
            return []

    def _read(self, folder: Path) -> Held:
        values = json.loads((folder / ENTRY).read_text(encoding="utf-8"))
        values["files"] = {part: str(folder / name) for part, name in values["files"].items()}
        return Held(**values)


def piece_to_hold(
    piece: Path,
    *,
    secret: str,
    learner: str | None,
    sitting: str | None,
    exercise: str | None,
    unit: str | None = None,
    neighbours: Mapping[str, Path] | None = None,
    rig: Path | None = None,
) -> Held:
    """A piece with its digest and its key.

    Raises
    ------
    InputError
        If a file cannot be read, or neither sitting nor exercise is given.
    """
    if sitting is None and exercise is None:
        raise InputError("neither --sitting nor --exercise is given, expected one of them. Name it.")
    files = {"piece": piece, **(neighbours or {}), **({} if rig is None else {"rig": rig})}
    try:
        sha256 = _digest(piece)
        for file in files.values():
            file.stat()
    except OSError as error:
        raise InputError(f"{printable(error.filename)}: cannot be read ({printable(error.strerror, limit=80)}), expected a file. Check its path.") from error  # fmt: skip
    key = idempotency_key(
        sha256, version=exercise or f"sitting {sitting}", station=station_of(secret), learner=learner or ""
    )
    return Held(
        key, sha256, piece.name, learner, sitting, exercise, unit, {part: str(file) for part, file in files.items()}
    )


def send(piece: Held, target: Target) -> Answer:
    """Send one piece; never raises for what the network or the server does."""
    try:
        status, body = send_file(piece, target)
    except (OSError, http.client.HTTPException, ssl.SSLError) as error:
        return Answer("later", f"the server does not answer ({printable(error, limit=80)})")
    words = printable(str(body.get("detail") or body.get("message") or ""), limit=300)
    if status in (200, 201) and body.get("sha256") == piece.sha256:
        return Answer("kept", f"handed in as attempt {body.get('attempt')}", body)
    if status in (200, 201) or status in LATER:
        return Answer("later", words or f"the server answers {status}")
    return Answer("refused", words or f"the server answers {status}")


def send_file(piece: Held, target: Target) -> tuple[int, dict[str, Any]]:
    """Post a piece as decision 12 says; returns the status and the answer's values.

    Raises
    ------
    OSError, HTTPException
        If the server cannot be reached or breaks off.
    """
    url = _url_of(target)
    boundary = f"kerfmark-{piece.key}"
    parts = [_text_part(boundary, name, value) for name, value in piece.fields().items()]
    files = [
        (_file_head(boundary, part, _name_of(piece, part, path)), Path(path)) for part, path in piece.files.items()
    ]
    tail = f"--{boundary}--\r\n".encode()
    length = sum(map(len, parts)) + sum(len(head) + path.stat().st_size + 2 for head, path in files) + len(tail)
    connection = _connection(url.scheme, url.hostname or "", url.port)
    try:
        connection.putrequest("POST", f"{url.path.rstrip('/')}/api/v1/pieces")
        for name, value in {
            "Authorization": f"Bearer {target.secret}", "Idempotency-Key": piece.key, "User-Agent": f"kerfmark/{__version__}",
            "Content-Type": f"multipart/form-data; boundary={boundary}", "Content-Length": str(length),
        }.items():  # fmt: skip
            connection.putheader(name, value)
        connection.endheaders()
        for part in parts:
            connection.send(part)
        for head, path in files:
            connection.send(head)
            _send_content(connection, path)
            connection.send(b"\r\n")
        connection.send(tail)
        response = connection.getresponse()
        return response.status, _values(response.read())
    finally:
        connection.close()


def ask(target: Target, method: str, path: str, values: Mapping[str, Any] | None = None) -> tuple[int, dict[str, Any]]:
    """Ask the server's API for something small; returns the status and the answer's values.

    Raises
    ------
    OSError, HTTPException
        If the server cannot be reached or breaks off.
    """
    url = _url_of(target)
    connection = _connection(url.scheme, url.hostname or "", url.port)
    headers = {
        "Authorization": f"Bearer {target.secret}",
        "Content-Type": "application/json",
        "User-Agent": f"kerfmark/{__version__}",
    }
    try:
        connection.request(method, f"{url.path.rstrip('/')}/api/v1{path}", json.dumps(values or {}), headers)
        response = connection.getresponse()
        return response.status, _values(response.read())
    finally:
        connection.close()


def _url_of(target: Target) -> SplitResult:
    url = urlsplit(target.server)
    if url.scheme not in ("http", "https") or not url.hostname:
        raise InputError(
            f"server is '{printable(target.server)}', expected an address such as https://kerfmark.example. Correct it."
        )
    return url


def _connection(scheme: str, host: str, port: int | None) -> http.client.HTTPConnection:
    if scheme == "https":
        return http.client.HTTPSConnection(host, port, timeout=TIMEOUT_S, context=ssl.create_default_context())
    return http.client.HTTPConnection(host, port, timeout=TIMEOUT_S)


def _send_content(connection: http.client.HTTPConnection, path: Path) -> None:
    with path.open("rb") as stream:
        while chunk := stream.read(CHUNK):
            connection.send(chunk)


def _text_part(boundary: str, name: str, value: str) -> bytes:
    return f'--{boundary}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()


def _file_head(boundary: str, part: str, name: str) -> bytes:
    safe = "".join(c if c.isprintable() and c not in '"\\' else "_" for c in name)
    disposition = f'Content-Disposition: form-data; name="{part}"; filename="{safe}"'
    return f"--{boundary}\r\n{disposition}\r\nContent-Type: application/octet-stream\r\n\r\n".encode()


def _name_of(piece: Held, part: str, path: str) -> str:
    return piece.file_name if part == "piece" else Path(path).name


def _values(body: bytes) -> dict[str, Any]:
    try:
        found = json.loads(body)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _copied(file: Path, folder: Path, part: str) -> str:
    """A file copied beside the entry and flushed to the disk; returns its name there."""
    target = folder / f"{part}{file.suffix.lower()}"
    with file.open("rb") as source, target.open("wb") as stream:
        shutil.copyfileobj(source, stream, CHUNK)
        stream.flush()
        os.fsync(stream.fileno())
    return target.name


def _write(path: Path, values: Mapping[str, Any]) -> None:
    """A small file written whole: beside its place, flushed, then moved."""
    passing = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with passing.open("w", encoding="utf-8") as stream:
            json.dump(values, stream, ensure_ascii=False, indent=1)
            stream.flush()
            os.fsync(stream.fileno())
        passing.replace(path)
    finally:
        passing.unlink(missing_ok=True)


def _flush(folder: Path) -> None:
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _digest(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
