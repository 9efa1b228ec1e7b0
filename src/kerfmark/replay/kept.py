"""Where a replay stands, kept in a file: what was broken off, or a record that has grown since, goes on from there."""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.records import Grid, Motion
from kerfmark.replay.sweep import Sweep

__all__ = ["KEEP_EVERY_S", "KEPT_FORMAT", "Keeper"]

KEEP_EVERY_S = 20.0
KEPT_FORMAT = 1
"""Raised whenever the sweep's own state changes its form."""


@dataclass(slots=True)
class Keeper:
    """Keeps a sweep's state beside its replay.

    The file holds the blocks as they stand after so many samples, and a digest of all that led there: the grid, the heads,
    the spacing and those samples. It is written whole or not at all, so whatever breaks off a replay leaves the last state.

    Attributes
    ----------
    path : path
        Where the state is kept; an existing one is gone on from.
    every_s : float
        Seconds between two writings.
    clock : callable
        Seconds that only rise.
    """

    path: Path
    every_s: float = KEEP_EVERY_S
    clock: Callable[[], float] = time.monotonic
    _last_s: float = field(init=False)

    def __post_init__(self) -> None:
        self._last_s = self.clock()

    def resume(self, sweep: Sweep, motion: Motion, subject: Grid, cuts: NDArray[np.bool_]) -> tuple[int, int]:
        """Bring a fresh sweep to where the file stands.

        Returns
        -------
        first, poses : int
            The next sample, and the poses swept before it; 0 and 0 where there is no file.

        Raises
        ------
        InputError
            If the file is none of ours, is damaged, or belongs to another record, exercise, grid or instrument.
        """
        if not self.path.exists():
            return 0, 0
        try:
            with self.path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                form, first, poses = (int(n) for n in kept["where"])
                if form != KEPT_FORMAT or not 0 < first <= len(motion.time_s):
                    raise self._refusal("another version or a longer record")
                if kept["digest"].tobytes() != _digest(sweep, motion, subject, cuts, first):
                    raise self._refusal("another record, exercise, grid or instrument")
                sweep.restore({name: kept[name] for name in Sweep.STATE})
        except (ValueError, KeyError, EOFError, TypeError, zipfile.BadZipFile) as error:
            raise self._refusal("something else, or is damaged") from error
        return first, poses

    def keep(
        self, sweep: Sweep, motion: Motion, subject: Grid, cuts: NDArray[np.bool_], *, first: int, poses: int
    ) -> None:
        """Write the state if it is time to, or if the record is at its end."""
        if first < len(motion.time_s) and self.clock() - self._last_s < self.every_s:
            return
        digest = np.frombuffer(_digest(sweep, motion, subject, cuts, first), np.uint8)
        try:
            self._write({"where": np.array([KEPT_FORMAT, first, poses]), "digest": digest, **sweep.state()})
        except OSError as error:
            raise InputError(
                f"{printable(self.path)}: cannot be written ({printable(error.strerror or error, limit=80)}), expected a place "
                "with room for what was cut so far. Name another or leave --keep out."
            ) from error
        self._last_s = self.clock()

    def _write(self, arrays: dict[str, NDArray[np.generic]]) -> None:
        """Beside its place first, then there in one step."""
        handle, passing = tempfile.mkstemp(dir=self.path.absolute().parent, prefix=f".{self.path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **arrays)  # type: ignore[arg-type]
            Path(passing).replace(self.path)
        except BaseException:
            Path(passing).unlink(missing_ok=True)
            raise

    def _refusal(self, what: str) -> InputError:
        return InputError(
            f"{printable(self.path)}: was kept of {what}, expected where a replay of this very record stood. "
            "Name another file, or remove it and begin anew."
        )


def _digest(sweep: Sweep, motion: Motion, subject: Grid, cuts: NDArray[np.bool_], first: int) -> bytes:
    """SHA-256 of everything that decides the state after the first samples."""
    digest = hashlib.sha256()
    some = slice(0, first)
    parts = [
        np.array([sweep.spacing_mm, sweep.band_mm, subject.spacing_mm, *subject.origin_mm]),
        subject.values,
        motion.time_s[some] - motion.time_s[0],
        motion.tip_mm[some],
        motion.orientation[some],
        motion.instrument[some],
        cuts[some],
    ]
    for head in sweep.heads:
        parts += [head.faces, head.fans, head.segments, np.array([head.length_mm, head.radius_mm])]
    for part in parts:
        digest.update(repr((part.shape, part.dtype.str)).encode())
        digest.update(np.ascontiguousarray(part).tobytes())
    return digest.digest()
