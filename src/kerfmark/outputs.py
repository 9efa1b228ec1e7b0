"""Files written whole or not at all, and where a command may write: no failure leaves a part, no input is written over."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from kerfmark.errors import InputError, printable

__all__ = ["Outputs", "check_folder_of", "check_suffix", "check_targets", "write_whole"]


class Outputs:
    """What is to be written together: every file beside its place in a passing folder, put in place at the end.

    Inside a `with` block, `at` says where to write for now. Files put beside it there come along. When the block ends well
    everything moves to its place; when it does not, the passing folders go and what stood there before stays. An existing
    target that is no regular file, such as a named pipe, is written into; a link is followed.

    Raises
    ------
    InputError
        In place of any `OSError` within the block: the folder is read-only, the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> with Outputs() as outputs:
    ...     written = outputs.at(folder / "a.txt").write_text("whole")
    >>> [p.name for p in folder.iterdir()]
    ['a.txt']
    """

    def __init__(self) -> None:
        self._passing: dict[Path, Path] = {}
        self._targets: dict[Path, Path] = {}
        self._written_into: list[tuple[Path, Path]] = []
        self._last: Path | None = None

    def at(self, target: Path) -> Path:
        """Where to write what shall stand at `target`; its name stays the same."""
        self._last = target
        try:
            if target.exists() and not (target.is_file() or target.is_dir()):
                made = Path(tempfile.mkdtemp(prefix=".kerfmark-"))
                self._passing[made] = made
                self._written_into.append((made / target.name, target))
                return self._noted(made / target.name, target)
            place = target.resolve()
            if place.parent not in self._passing:
                self._passing[place.parent] = Path(tempfile.mkdtemp(dir=place.parent, prefix=".kerfmark-"))
        except OSError as error:
            raise self._sentence(error) from error
        return self._noted(self._passing[place.parent] / place.name, target)

    def at_each(self, *targets: Path | None) -> tuple[Path | None, ...]:
        """As `at`, of several; None stays None."""
        return tuple(None if target is None else self.at(target) for target in targets)

    def _noted(self, passing: Path, target: Path) -> Path:
        self._targets[passing] = target
        return passing

    def __enter__(self) -> Outputs:
        """Begin; nothing is made before `at` is asked."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, failure: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Put everything in place, or take the passing folders away."""
        try:
            if failure is None:
                self._put_in_place()
        except OSError as error:
            raise self._sentence(error) from error
        finally:
            for passing in self._passing.values():
                shutil.rmtree(passing, ignore_errors=True)
        if isinstance(failure, OSError):
            raise self._sentence(failure) from failure
        if isinstance(failure, InputError):
            raise InputError(self._as_named(str(failure))) from failure

    def _as_named(self, message: str) -> str:
        """The message with every passing name put back to the one that was given."""
        for passing, target in self._targets.items():
            message = message.replace(printable(passing), printable(target))
        return message

    def _put_in_place(self) -> None:
        for passing, target in self._written_into:
            with target.open("wb") as stream:
                stream.write(passing.read_bytes())
        for folder, passing in self._passing.items():
            if folder == passing:
                continue
            for made in sorted(passing.iterdir()):
                if made.is_dir() and (folder / made.name).is_dir():
                    shutil.rmtree(folder / made.name)
                made.replace(folder / made.name)

    def _sentence(self, error: OSError) -> InputError:
        reason = printable(error.strerror or error, limit=80)
        return InputError(
            f"{printable(self._last)}: cannot be written ({reason}), expected a folder that may be written to, with room in it. "
            "Make room or name another; nothing was written."
        )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that a reader sees the old one or the whole new one, never a part.

    Parameters
    ----------
    path : Path
    content : bytes

    Raises
    ------
    InputError
        If it cannot be written.
    """
    with Outputs() as outputs:
        outputs.at(path).write_bytes(content)


def check_targets(targets: Iterable[Path | None], *, inputs: Iterable[Path | None] = ()) -> None:
    """Refuse, before any work is done, what cannot or must not be written.

    Parameters
    ----------
    targets : iterable of path or None
        Files to be written; None: not asked for.
    inputs : iterable of path or None
        Files and folders that are read. Nothing that stands in such a folder may be written over.

    Raises
    ------
    InputError
        If a target's folder is missing or may not be written to, if it is a folder, an input, or named twice.
    """
    read = [place for path in inputs if path is not None and (place := _there(path)) is not None]
    seen: set[Path] = set()
    for target in targets:
        if target is None:
            continue
        try:
            _check_place(target)
            place = target.resolve()
        except (OSError, RuntimeError, ValueError) as error:  # a name too long, links that go in circles
            raise InputError(
                f"{printable(target)}: cannot be written to ({printable(getattr(error, 'strerror', None) or error, limit=80)}), "
                "expected the path of a file. Name another."
            ) from error
        if place in seen:
            raise InputError(f"{printable(target)} is named twice, expected a file for each output. Name another.")
        if place in read or (place.exists() and any(folder in place.parents for folder in read)):
            raise InputError(
                f"{printable(target)} is what is to be read, expected another file to write. Name another; nothing was written."
            )
        seen.add(place)


def _there(path: Path) -> Path | None:
    """Where a path leads, None where nothing is there; whoever reads it says what is wrong with it."""
    try:
        return path.resolve() if path.exists() else None
    except (OSError, RuntimeError, ValueError):
        return None


def check_suffix(target: Path | None, known: tuple[str, ...]) -> None:
    """Refuse a target whose suffix is none of the known ones, given without their dot."""
    if target is not None and target.suffix.lower().lstrip(".") not in known:
        raise InputError(
            f"{printable(target.name)}: ends in '{printable(target.suffix.lstrip('.'))}', expected one of {', '.join(known)}. "
            "Choose one of these."
        )


def _check_place(target: Path) -> None:
    if target.is_dir():
        raise InputError(f"{printable(target)} is a folder, expected a file to write. Name a file in it.")
    check_folder_of(target)


def check_folder_of(target: Path) -> None:
    """Refuse a target whose folder is missing or may not be written to."""
    shown, folder = printable(target), target.absolute().parent
    if not folder.is_dir():
        raise InputError(f"{shown}: its folder does not exist, expected an existing folder. Make it or name another.")
    if not target.exists() and not os.access(folder, os.W_OK | os.X_OK):
        raise InputError(f"{shown}: its folder may not be written to, expected one that may. Name another.")
