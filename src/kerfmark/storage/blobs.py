"""Files kept by the SHA-256 of their bytes: written whole or not at all, checked whenever they are read.

A plain path keeps them on this machine's disk, any other address (`s3://…`, `memory://…`) through fsspec.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from kerfmark.errors import InputError, StoreError, printable

__all__ = ["Blobs", "DiskBlobs", "RemoteBlobs", "open_blobs", "sha256_of"]

CHUNK = 1 << 20
WHOLE_AT_CLOSE = ("s3", "s3a", "gs", "gcs", "az", "abfs", "memory")
"""Kept whole by the store itself when closed; elsewhere a file is written beside its place and moved there."""


class Blobs(Protocol):
    """Where files are kept by their SHA-256."""

    address: str

    def put(self, content: bytes | BinaryIO, *, limit_bytes: int | None = None) -> tuple[str, int]:
        """Keep a file; returns its SHA-256 and its size. What is there already is left as it is."""

    def get(self, sha256: str) -> bytes:
        """The bytes, checked."""

    def local(self, sha256: str, folder: Path, name: str) -> Path:
        """The file under `name` in a folder of this machine, checked."""

    def has(self, sha256: str) -> bool:
        """Whether the file is there; its bytes are not read."""

    def erase(self, sha256: str) -> None:
        """Take a file away; nothing happens where there is none."""

    def names(self) -> Iterator[str]:
        """The SHA-256 of every file there, in no order."""

    def age_s(self, sha256: str) -> float:
        """Seconds since a file was kept; 0 where it cannot be said."""

    def drop_unfinished(self, older_than_s: float) -> int:
        """Take away what a kill left half-written that long ago; returns how many."""


def open_blobs(address: str | Path) -> Blobs:
    """Blobs at an address: a folder, or anything fsspec knows.

    Raises
    ------
    InputError
        If the address is of no known kind or the folder cannot be made.
    """
    text = str(address)
    if "://" not in text or text.startswith("file://"):
        return DiskBlobs(Path(text.removeprefix("file://")))
    return RemoteBlobs(text)


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file's bytes, as 64 hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


class DiskBlobs:
    """Files in a folder, `ab/cd…` each; written beside its place, flushed to the disk, then moved."""

    def __init__(self, folder: Path) -> None:
        self.address = str(folder)
        self._folder = folder
        try:
            (folder / "passing").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"{printable(folder)}: cannot be made ({printable(error.strerror or error, limit=80)}), expected a folder to keep files in. "
                "Name another."
            ) from error

    def put(self, content: bytes | BinaryIO, *, limit_bytes: int | None = None) -> tuple[str, int]:
        """Keep a file; returns its SHA-256 and its size."""
        passing = self._folder / "passing" / secrets.token_hex(8)
        try:
            with os.fdopen(os.open(passing, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as stream:
                sha256, size = _copied(content, stream, limit_bytes)
                stream.flush()
                os.fsync(stream.fileno())
            place = self._place(sha256)
            if place.is_file() and place.stat().st_size == size:
                os.utime(place)  # it is wanted again: not nobody's
            else:
                place.parent.mkdir(exist_ok=True)
                passing.replace(place)
                _flush_folder(place.parent)
        except OSError as error:
            raise StoreError(
                f"{printable(self._folder)}: a file could not be kept ({printable(error.strerror or error, limit=80)}), expected room on the disk. "
                "Nothing was kept of it; make room and send it again."
            ) from error
        finally:
            passing.unlink(missing_ok=True)
        return sha256, size

    def get(self, sha256: str) -> bytes:
        """The bytes, checked."""
        try:
            content = self._place(sha256).read_bytes()
        except OSError as error:
            raise _missing(sha256, self.address) from error
        return _checked(content, sha256, self.address)

    def local(self, sha256: str, folder: Path, name: str) -> Path:
        """The file under `name` in a folder of this machine, checked."""
        path = folder / name
        path.write_bytes(self.get(sha256))
        return path

    def has(self, sha256: str) -> bool:
        """Whether the file is there."""
        return self._place(sha256).is_file()

    def erase(self, sha256: str) -> None:
        """Take a file away."""
        self._place(sha256).unlink(missing_ok=True)

    def names(self) -> Iterator[str]:
        """The SHA-256 of every file there."""
        for folder in self._folder.iterdir():
            if len(folder.name) == 2:
                yield from (folder.name + file.name for file in folder.iterdir())

    def age_s(self, sha256: str) -> float:
        """Seconds since a file was kept."""
        try:
            return max(0.0, time.time() - self._place(sha256).stat().st_mtime)
        except OSError:
            return 0.0

    def drop_unfinished(self, older_than_s: float) -> int:
        """Take away what a kill left half-written that long ago; returns how many."""
        left = [
            file for file in (self._folder / "passing").iterdir() if file.stat().st_mtime < time.time() - older_than_s
        ]
        for file in left:
            file.unlink(missing_ok=True)
        return len(left)

    def _place(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / sha256[2:]


class RemoteBlobs:
    """Files at an fsspec address, `ab/cd…` each."""

    def __init__(self, address: str) -> None:
        import fsspec

        self.address = address.rstrip("/")
        try:
            self._files, self._root = fsspec.core.url_to_fs(self.address)
        except (ValueError, ImportError) as error:
            raise InputError(
                f"{printable(address)}: files cannot be kept there ({printable(error, limit=120)}), expected a folder or an address that fsspec knows. "
                "Install what it names or choose another address."
            ) from error
        kinds = self._files.protocol if isinstance(self._files.protocol, tuple) else (self._files.protocol,)
        self._whole_at_close = any(kind in WHOLE_AT_CLOSE for kind in kinds)

    def put(self, content: bytes | BinaryIO, *, limit_bytes: int | None = None) -> tuple[str, int]:
        """Keep a file; returns its SHA-256 and its size."""
        with tempfile.TemporaryFile() as passing:
            sha256, size = _copied(content, passing, limit_bytes)
            place = self._place(sha256)
            if self._has(place, size):
                return sha256, size
            passing.seek(0)
            target = place if self._whole_at_close else f"{place}.{secrets.token_hex(4)}"
            with self._said(sha256):
                self._files.makedirs(place.rsplit("/", 1)[0], exist_ok=True)
                with self._files.open(target, "wb") as stream:
                    while chunk := passing.read(CHUNK):
                        stream.write(chunk)
                if target != place:
                    self._files.mv(target, place)
        return sha256, size

    def get(self, sha256: str) -> bytes:
        """The bytes, checked."""
        try:
            content: bytes = self._files.cat_file(self._place(sha256))
        except FileNotFoundError as error:
            raise _missing(sha256, self.address) from error
        return _checked(content, sha256, self.address)

    def local(self, sha256: str, folder: Path, name: str) -> Path:
        """The file under `name` in a folder of this machine, checked."""
        path = folder / name
        path.write_bytes(self.get(sha256))
        return path

    def has(self, sha256: str) -> bool:
        """Whether the file is there."""
        return bool(self._files.exists(self._place(sha256)))

    def erase(self, sha256: str) -> None:
        """Take a file away."""
        with contextlib.suppress(FileNotFoundError):
            self._files.rm(self._place(sha256))

    def names(self) -> Iterator[str]:
        """The SHA-256 of every file there."""
        for path in self._files.find(self._root):
            name = "".join(str(path).rsplit("/", 2)[-2:])
            if len(name) == 64:
                yield name

    def age_s(self, sha256: str) -> float:
        """Seconds since a file was kept; 0 where the place does not say."""
        try:
            kept_at = self._files.modified(self._place(sha256))
        except (NotImplementedError, FileNotFoundError, KeyError):
            return 0.0
        return max(0.0, time.time() - float(kept_at.timestamp()))

    def drop_unfinished(self, older_than_s: float) -> int:  # noqa: ARG002 - as on a disk
        """Nothing: an object store keeps whole files only, and elsewhere `names` leaves half-written ones out."""
        return 0

    def _place(self, sha256: str) -> str:
        return f"{self._root.rstrip('/')}/{sha256[:2]}/{sha256[2:]}"

    def _has(self, place: str, size: int) -> bool:
        try:
            found: dict[str, Any] = self._files.info(place)
        except FileNotFoundError:
            return False
        return bool(found["size"] == size)

    @contextlib.contextmanager
    def _said(self, sha256: str) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise StoreError(
                f"{printable(self.address)}: file {sha256[:12]} could not be kept ({printable(error, limit=80)}), expected a place to write to. "
                "Nothing was kept of it; mend the connection and send it again."
            ) from error


def _copied(content: bytes | BinaryIO, stream: Any, limit_bytes: int | None) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    for chunk in _chunks(content):
        size += len(chunk)
        if limit_bytes is not None and size > limit_bytes:
            raise InputError(
                f"the file is larger than {limit_bytes / 2**20:.0f} MiB, expected at most that (KERFMARK_LIMIT_FILE_MIB). "
                "Reduce it or raise the limit."
            )
        digest.update(chunk)
        stream.write(chunk)
    return digest.hexdigest(), size


def _chunks(content: bytes | BinaryIO) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    while chunk := content.read(CHUNK):
        yield chunk


def _flush_folder(folder: Path) -> None:
    """Make a move last through a power cut; not every system lets a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _missing(sha256: str, address: str) -> StoreError:
    return StoreError(
        f"{printable(address)}: file {sha256[:12]} is not there, expected it to be kept. Restore it from a backup."
    )


def _checked(content: bytes, sha256: str, address: str) -> bytes:
    if hashlib.sha256(content).hexdigest() != sha256:
        raise StoreError(
            f"{printable(address)}: file {sha256[:12]} is not what was kept, expected bytes of that digest. Restore it from a backup."
        )
    return content
