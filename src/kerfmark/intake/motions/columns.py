"""The columns of a motion: which there are, which belong together, and what a file's own names come to."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.records import FloatArray, IntArray, Remark

__all__ = ["GROUPS", "INSTRUMENT", "NUMBERS", "POSE", "RECORDING", "SIMULATED", "Table", "check_columns"]

POSE = ("x_mm", "y_mm", "z_mm", "qw", "qx", "qy", "qz")
RECORDING = ("time_s", *POSE)
"""What every motion has."""
INSTRUMENT = "instrument"
SIMULATED = "simulated_by_kerfmark"
"""A column that every motion we simulate carries, so that nobody takes it for somebody's work; its name is what counts."""
GROUPS = {
    "spindle": ("spindle_rpm",),
    "force": ("fx_n", "fy_n", "fz_n"),
    "mirror": tuple(f"mirror_{name}" for name in POSE),
    "head": tuple(f"head_{name}" for name in POSE),
}
"""Columns that come together or not at all."""
NUMBERS = (*RECORDING, *(name for group in GROUPS.values() for name in group))


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A motion's rows as they stand in the file; what is blank is NaN.

    Attributes
    ----------
    numbers : dict of str to (n,) float arrays
        By column name.
    instrument : (n,) int32 array or None
        Place in `instruments`; −1 where blank.
    instruments : tuple of str
        As written.
    left_off : int or None
        The first row (counted from 1) of a tail that could not be read.
    """

    numbers: dict[str, FloatArray]
    instrument: IntArray | None
    instruments: tuple[str, ...]
    left_off: int | None = None
    why: str = ""
    remarks: tuple[Remark, ...] = ()

    @property
    def rows(self) -> int:
        """How many there are."""
        return len(self.numbers["time_s"])

    def taken(self, keep: NDArray[np.bool_] | slice) -> Table:
        """Only some rows."""
        return Table(
            {name: values[keep] for name, values in self.numbers.items()},
            None if self.instrument is None else self.instrument[keep],
            self.instruments,
            self.left_off,
            self.why,
            self.remarks,
        )


def check_columns(names: Sequence[str], *, name: str) -> tuple[str, ...]:
    """The file's columns that belong to a motion, in its order.

    Parameters
    ----------
    names : sequence of str
        As the file has them.
    name : str
        What messages call the file.

    Raises
    ------
    InputError
        If one is missing, stands twice, or a group is not whole; other columns are passed over.
    """
    known = tuple(n for n in names if n in NUMBERS or n == INSTRUMENT)
    twice = sorted({n for n in known if known.count(n) > 1})
    if twice:
        raise InputError(f"{name}: column '{twice[0]}' stands {known.count(twice[0])} times, expected once. Leave one.")
    missing = [n for n in RECORDING if n not in known]
    if missing:
        raise InputError(
            f"{name}: has no column {_listed(missing)}{_near(missing[0], [n for n in names if n not in known])}, expected {', '.join(RECORDING)}. "
            "Name the columns in the first row, letter for letter."
        )
    for group, members in GROUPS.items():
        there = [n for n in members if n in known]
        if there and len(there) < len(members):
            lacking = [n for n in members if n not in known]
            raise InputError(
                f"{name}: has {_listed(there)} but not {_listed(lacking)}, expected all columns of the {group} or none. "
                "Add what is missing or leave the rest out."
            )
    return known


def _listed(names: Sequence[str]) -> str:
    return f"'{names[0]}'" if len(names) == 1 else ", ".join(f"'{n}'" for n in names[:8])


def _near(missing: str, names: Sequence[str]) -> str:
    """The nearest of the file's names, as a hint."""
    folded = {n.strip().casefold(): n for n in names}
    near = difflib.get_close_matches(missing, list(folded)[:200], n=1, cutoff=0.6)
    return f" (nearest is '{printable(folded[near[0]], limit=40)}')" if near else ""
