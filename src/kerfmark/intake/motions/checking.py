"""Rows judged: time order, repeats, lost sight, quaternions; what may be mended is mended and said, the rest is an error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError
from kerfmark.intake.motions.columns import POSE, RECORDING, Table
from kerfmark.records import FloatArray, Remark

__all__ = ["Poses", "Rows", "poses_of", "sound_rows", "spans"]

SILENT, MOST = 0.01, 2.0
ZERO = 1e-6
FARTHEST_MM = 1e6
NAMED = 5


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """A table in strict time order with damage and repeats gone, and which row of the file each was (from 1)."""

    table: Table
    number: NDArray[np.int64]
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Poses:
    """Positions (n, 3) in mm and unit quaternions (n, 4), and where there is one at all."""

    position_mm: FloatArray
    orientation: FloatArray
    seen: NDArray[np.bool_]
    remarks: tuple[Remark, ...]


def sound_rows(table: Table, *, name: str) -> Rows:
    """The rows in time order, a damaged tail and repeated rows left off.

    Raises
    ------
    InputError
        If a row in the middle has no time or an infinite value, or time stands still or goes back.
    """
    table, remarks = _without_tail(table, name=name)
    number = np.arange(1, table.rows + 1)
    if table.rows == 0:
        raise InputError(f"{name}: has no row that can be read, expected at least one sample. Export it again.")
    step = np.diff(table.numbers["time_s"])
    repeats = np.r_[False, (step == 0.0) & _same_pose(table)]
    wrong = np.flatnonzero(np.r_[False, step <= 0.0] & ~repeats)
    if len(wrong):
        raise _time_error(table, int(wrong[0]), len(wrong), name=name)
    if repeats.any():
        table, number = table.taken(~repeats), number[~repeats]
        count = int(repeats.sum())
        first = int(np.flatnonzero(repeats)[0]) + 1
        words = f"{count} {'row repeats' if count == 1 else 'rows repeat'} the one before and {'is' if count == 1 else 'are'} dropped, first row {first}"
        remarks += (Remark("rows-repeated", name, words),)
    return Rows(table, number, remarks)


def _without_tail(table: Table, *, name: str) -> tuple[Table, tuple[Remark, ...]]:
    """Leave off a tail without time or with infinite values; the same in the middle is an error."""
    bad = ~np.isfinite(table.numbers["time_s"])
    for column in RECORDING[1:]:
        bad |= np.isinf(table.numbers[column])
    if bad.any():
        first = int(np.argmax(bad))
        if not bad[first:].all():
            raise InputError(
                f"{name}: row {first + 1} {_what(table, first)}, expected finite numbers; blank is taken for a pose that was "
                "not seen, but every row needs its time. Correct or remove that row."
            )
        table = Table(table.taken(slice(first)).numbers, None if table.instrument is None else table.instrument[:first],
                      table.instruments, first + 1, _what(table, first))  # fmt: skip
    if table.left_off is None:
        return table, ()
    words = f"row {table.left_off} {table.why}; the rows from there on are left off, {table.rows} are kept"
    return table, (Remark("tail-left-off", name, words),)


def _what(table: Table, row: int) -> str:
    if not np.isfinite(table.numbers["time_s"][row]):
        return "has no time_s"
    column = next(c for c in RECORDING[1:] if np.isinf(table.numbers[c][row]))
    return f"has {column} = infinity"


def _same_pose(table: Table) -> NDArray[np.bool_]:
    """For each row but the first, whether its pose is that of the row before; what was not seen equals what was not seen."""
    same = np.ones(table.rows - 1, dtype=bool)
    for column in POSE:
        before, after = table.numbers[column][:-1], table.numbers[column][1:]
        same &= (before == after) | (np.isnan(before) & np.isnan(after))
    return same


def _time_error(table: Table, row: int, count: int, *, name: str) -> InputError:
    before, now = table.numbers["time_s"][row - 1], table.numbers["time_s"][row]
    what = (
        f"repeats time_s = {now:.6g} with another pose"
        if now == before
        else f"goes back in time from {before:.6f} to {now:.6f} s"
    )
    more = f", and {count - 1} more rows like it" if count > 1 else ""
    return InputError(
        f"{name}: row {row + 1} {what}{more}, expected time_s to rise from row to row. Put the rows in order, or give times with "
        "more digits."
    )


def poses_of(rows: Rows, columns: Sequence[str], *, what: str, name: str) -> Poses:
    """Positions and unit quaternions; blank or zero is a pose not seen.

    Parameters
    ----------
    rows : Rows
    columns : sequence of 7 str
        Position, then quaternion w, x, y, z.
    what : str
        Whose pose it is, for messages.
    name : str

    Raises
    ------
    InputError
        If a quaternion's length is more than a factor 2 off, or a position is absurd.
    """
    place, turn = ([rows.table.numbers[c] for c in part] for part in (columns[:3], columns[3:]))
    with np.errstate(over="ignore", invalid="ignore"):
        length = np.sqrt(turn[0] ** 2 + turn[1] ** 2 + turn[2] ** 2 + turn[3] ** 2)
        seen = np.isfinite(place[0] + place[1] + place[2]) & ~np.isnan(length) & ~(length < ZERO)
        off = seen & ((length > MOST) | (length < 1.0 / MOST))
        reach = np.maximum(np.maximum(np.abs(place[0]), np.abs(place[1])), np.abs(place[2]))
        far = seen & (reach > FARTHEST_MM)
    if off.any():
        first = int(np.argmax(off))
        raise InputError(
            f"{name}: row {rows.number[first]}: the quaternion of the {what} has the length {length[first]:.4g}, expected 1 (0.5 to 2 "
            f"are made 1){_more(off)}. Check the order w, x, y, z and the export."
        )
    if far.any():
        first = int(np.argmax(far))
        raise InputError(
            f"{name}: row {rows.number[first]}: the {what} is {reach[first]:.4g} mm away, expected at most "
            f"{FARTHEST_MM:g} mm{_more(far)}. Give millimetres."
        )
    scaled = seen & (np.abs(length - 1.0) > SILENT)
    remarks: tuple[Remark, ...] = ()
    if scaled.any():
        worst = length[scaled][np.argmax(np.abs(np.log(length[scaled])))]
        words = f"{int(scaled.sum())} quaternions of the {what} are not of unit length (worst {worst:.3f}, first row {rows.number[np.argmax(scaled)]}) and were made so"
        remarks = (Remark("quaternions-scaled", name, words),)
    gone = ~seen
    position, unit = np.empty((len(seen), 3)), np.empty((len(seen), 4))
    with np.errstate(invalid="ignore", divide="ignore"):
        for n, values in enumerate(place):
            position[:, n] = values
        for n, values in enumerate(turn):
            unit[:, n] = values / length
    position[gone], unit[gone] = np.nan, np.nan
    return Poses(position, unit, seen, remarks)


def _more(which: NDArray[np.bool_]) -> str:
    count = int(which.sum()) - 1
    return f", and {count} more rows like it" if count else ""


def spans(stretches: FloatArray, extra: Sequence[str] = ()) -> str:
    """Stretches of time in words: the first few, and how many more.

    Examples
    --------
    >>> spans(np.array([[1.0, 1.25]]))
    '1.000 to 1.250 s'
    """
    notes = extra or [""] * len(stretches)
    shown = [f"{a:.3f} to {b:.3f} s{n}" for (a, b), n in zip(stretches[:NAMED].tolist(), notes[:NAMED], strict=True)]
    more = f", and {len(stretches) - NAMED} more" if len(stretches) > NAMED else ""
    return ", ".join(shown) + more
