"""The files of an exercise, out of a folder or out of a zip of it; nothing outside it is ever read."""

from __future__ import annotations

import lzma
import stat
import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from kerfmark.errors import InputError, printable
from kerfmark.exercise.faults import nearest
from kerfmark.intake.volumes.files import PackedFolder, begins_as_dicom, packed
from kerfmark.intake.zips import checked_members
from kerfmark.settings import Limits

__all__ = ["DEFINITION", "ExerciseFiles", "open_files"]

DEFINITION = "exercise.toml"


class ExerciseFiles(Protocol):
    """Where an exercise's files come from."""

    shown: str

    def read(self, name: str, *, place: str | None = None) -> bytes:
        """The bytes of one file; `place` is the key that names it, for the error."""
        ...

    def read_folder(self, name: str, *, place: str) -> PackedFolder | None:
        """The files of a folder that holds a series of slices; None where there is no such folder."""
        ...


def open_files(path: Path, *, limits: Limits) -> ExerciseFiles:
    """The files of the folder or zip at `path`.

    Raises
    ------
    InputError
        If it is neither, or a zip that is damaged, locked, too large, or reaches outside itself.
    """
    if path.is_dir():
        return FolderFiles(path, limits)
    if path.name == DEFINITION:
        raise InputError(
            f"{printable(path)} is the definition alone, expected its folder. Give '{printable(path.parent)}'."
        )
    if not stat.S_ISREG(path.stat().st_mode):
        raise InputError(
            f"{printable(path)} is not a regular file, expected a folder or a zip of one. Give one of these."
        )
    return ZipFiles(path, limits)


def _missing(shown: str, name: str, place: str | None, known: Sequence[str]) -> InputError:
    near = nearest(name, known)
    hint = f" (there is '{printable(near[0], limit=60)}')" if near else ""
    if place is None:
        return InputError(f"{shown} has no {DEFINITION}{hint}, expected it at the top. Add it or give another folder.")
    return InputError(
        f"{DEFINITION}: {place} names '{printable(name, limit=80)}', which is not in {shown}, "
        f"expected a file{hint}. Add the file or correct the name."
    )


def _too_large(name: str, size: int, limits: Limits) -> InputError:
    return InputError(
        f"{printable(name, limit=80)} is {size / 2**20:.1f} MiB, expected at most file_mib = {limits.file_mib}. "
        "Reduce the file or raise KERFMARK_LIMIT_FILE_MIB."
    )


class FolderFiles:
    """Files of a folder: regular ones that still lie inside it after links are followed."""

    def __init__(self, path: Path, limits: Limits) -> None:
        self.shown = printable(path.name or path, limit=80)
        self._root = path.resolve()
        self._limits = limits

    def read(self, name: str, *, place: str | None = None) -> bytes:
        """The bytes of one file."""
        try:
            return self._read(name, place)
        except (OSError, RuntimeError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) and error.strerror else type(error).__name__
            raise InputError(
                f"{self.shown}: '{printable(name, limit=80)}' cannot be read ({printable(reason, limit=80)}), "
                "expected a readable file. Check the file and its permissions."
            ) from None

    def _read(self, name: str, place: str | None) -> bytes:
        path = self._root / name
        if not path.exists():
            raise _missing(self.shown, name, place, self._known())
        real = path.resolve()
        if not real.is_relative_to(self._root):
            raise InputError(
                f"{DEFINITION}: {place or DEFINITION} names '{printable(name, limit=80)}', a link that leads out of "
                "the folder, expected a file inside it. Put the file itself there."
            )
        status = real.stat()
        if not stat.S_ISREG(status.st_mode):
            raise InputError(
                f"{DEFINITION}: {place or DEFINITION} names '{printable(name, limit=80)}', which is no regular file, "
                "expected one. Put the file there."
            )
        if status.st_size > self._limits.file_mib * 2**20:
            raise _too_large(name, status.st_size, self._limits)
        return real.read_bytes()

    def read_folder(self, name: str, *, place: str) -> PackedFolder | None:
        """The files of a folder that holds a series of slices; None where there is no such folder."""
        folder = self._root / name
        try:
            if not folder.is_dir():
                return None
            inside = [f"{name}/{entry.name}" for entry in sorted(folder.iterdir()) if not entry.is_dir()]
        except (OSError, ValueError):
            return None
        inside = [one for one in inside if not _is_hidden(one)]
        _check_series(len(inside), name, self._limits)
        return packed((_last(one), self.read(one, place=place)) for one in inside)

    def _known(self) -> list[str]:
        return [entry.name for entry, _ in zip(sorted(self._root.iterdir()), range(1000), strict=False)]


class ZipFiles:
    """Files of a zip, read in memory: its definition at the top or in the one folder at the top."""

    def __init__(self, path: Path, limits: Limits) -> None:
        self.shown = printable(path.name, limit=80)
        self._limits = limits
        try:
            if path.stat().st_size > limits.file_mib * 2**20:
                raise _too_large(path.name, path.stat().st_size, limits)
            self._zip = zipfile.ZipFile(path)
        except zipfile.BadZipFile as error:
            raise self._damaged(error) from None
        except (OSError, ValueError, struct.error, NotImplementedError, EOFError) as error:
            raise self._damaged(error) from None
        self._members = checked_members(self._zip.infolist(), self.shown, limits)
        _check_count(self._zip, self.shown, limits)
        self._prefix = _top_folder(list(self._members))

    def read(self, name: str, *, place: str | None = None) -> bytes:
        """The bytes of one file."""
        member = self._members.get(self._prefix + name)
        if member is None:
            raise _missing(self.shown, name, place, [known.removeprefix(self._prefix) for known in self._members])
        if member.file_size > self._limits.file_mib * 2**20:
            raise _too_large(name, member.file_size, self._limits)
        try:
            return self._zip.read(member)
        except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, EOFError, ValueError, RuntimeError) as error:
            raise self._damaged(error, member=name) from None
        except (NotImplementedError, struct.error, IndexError, OverflowError) as error:
            raise self._damaged(error, member=name) from None

    def read_folder(self, name: str, *, place: str) -> PackedFolder | None:
        """The files of a folder that holds a series of slices; None where there is no such folder."""
        start = f"{self._prefix}{name}/"
        inside = [one.removeprefix(self._prefix) for one in sorted(self._members) if one.startswith(start)]
        inside = [one for one in inside if one.count("/") == name.count("/") + 1 and not _is_hidden(one)]
        if not inside:
            return None
        _check_series(len(inside), name, self._limits)
        return packed((_last(one), self.read(one, place=place)) for one in inside)

    def _damaged(self, error: Exception, *, member: str | None = None) -> InputError:
        which = f", member '{printable(member, limit=80)}'," if member else ""
        reason = printable(error, limit=80) or type(error).__name__
        return InputError(
            f"{self.shown}{which} cannot be read ({reason}), expected a folder or a zip of one. Make the zip anew."
        )


def _last(name: str) -> str:
    return name.rpartition("/")[2]


def _is_hidden(name: str) -> bool:
    """What systems put into folders by themselves: no part of a series, so none of its version."""
    return _last(name).startswith(".")


def _check_series(count: int, name: str, limits: Limits) -> None:
    if count > limits.slices:
        raise InputError(
            f"{printable(name, limit=80)} holds {count} files, expected at most slices = {limits.slices}. Keep one series in it or raise "
            "KERFMARK_LIMIT_SLICES."
        )


def _check_count(archive: zipfile.ZipFile, shown: str, limits: Limits) -> None:
    """Slices of a CT's folder are many and have a limit of their own."""
    members = archive.infolist()
    if len(members) <= limits.zip_members:
        return
    slices = (
        0 if len(members) > limits.zip_members + limits.slices else sum(begins_as_dicom(archive, m) for m in members)
    )
    if len(members) - slices > limits.zip_members:
        raise InputError(
            f"{shown} has {len(members) - slices} members, expected at most zip_members = {limits.zip_members}"
            f"{' beside DICOM slices' if slices else ''}. "
            "Leave out what the exercise does not name, or raise KERFMARK_LIMIT_ZIP_MEMBERS."
        )


def _top_folder(names: Sequence[str]) -> str:
    """What stands before every name: nothing, or the one folder at the top."""
    if DEFINITION in names:
        return ""
    tops = {name.partition("/")[0] for name in names if not name.endswith(".DS_Store")}
    return f"{tops.pop()}/" if len(tops) == 1 and all("/" in name for name in names) else ""
