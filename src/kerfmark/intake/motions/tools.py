"""Which instrument each row was cut with: known ones only, with what had to be assumed of them said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise
from kerfmark.instruments import Instrument, instrument
from kerfmark.intake.motions.checking import Rows
from kerfmark.records import IntArray, Remark

__all__ = ["Tools", "tools_of"]


@dataclass(frozen=True, slots=True, eq=False)
class Tools:
    """The instruments of a motion, and which of them each row was cut with (n,)."""

    held: IntArray
    tools: tuple[Instrument, ...]
    remarks: tuple[Remark, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """As the exercise resolves them."""
        return tuple(tool.name for tool in self.tools)


def tools_of(rows: Rows, exercise: Exercise, *, name: str) -> Tools:
    """The instruments used, by row; blank is the exercise's first.

    Raises
    ------
    InputError
        If an instrument is not known, or a row names none and neither does the exercise.
    """
    table, own = rows.table, {entry.name: entry.profile_mm for entry in exercise.instruments}
    place = table.instrument if table.instrument is not None else np.full(table.rows, -1, dtype=np.int32)
    used = np.unique(place)
    words = [_default(exercise, name=name) if index < 0 else table.instruments[index] for index in used]
    tools: list[Instrument] = []
    where = np.zeros(len(used), dtype=np.int32)
    for n, word in enumerate(words):
        tool = _known(word, own, row=int(rows.number[np.argmax(place == used[n])]), name=name)
        same = next((k for k, other in enumerate(tools) if _is_same(tool, other)), None)
        where[n] = len(tools) if same is None else same
        tools += [tool] if same is None else []
    held = where[np.searchsorted(used, place)].astype(np.int32)
    return Tools(held, tuple(tools), _remarks(tools, exercise, name=name))


def _default(exercise: Exercise, *, name: str) -> str:
    named = (*exercise.permitted.instruments, *(entry.name for entry in exercise.instruments))
    if not named:
        raise InputError(
            f"{name}: does not say which instrument is held, and exercise {exercise.id} names none, expected a column "
            "'instrument' without blanks. Add it, or name instruments under [permitted]."
        )
    return named[0]


def _known(word: str, own: Mapping[str, ArrayLike], *, row: int, name: str) -> Instrument:
    try:
        return instrument(word, own=own)
    except InputError as error:
        raise InputError(f"{name}: row {row}: {error}") from None


def _is_same(a: Instrument, b: Instrument) -> bool:
    return a.profile_mm.shape == b.profile_mm.shape and bool(
        np.array_equal(a.profile_mm, b.profile_mm) and a.shank_diameter_mm == b.shank_diameter_mm
    )


def _remarks(tools: list[Instrument], exercise: Exercise, *, name: str) -> tuple[Remark, ...]:
    own = {entry.name: entry.profile_mm for entry in exercise.instruments}
    permitted = [instrument(word, own=own) for word in exercise.permitted.instruments]
    remarks = [remark for tool in tools for remark in tool.remarks]
    for tool in tools:
        if permitted and not any(_is_same(tool, other) for other in permitted):
            words = f"instrument '{printable(tool.name, limit=60)}' is not permitted in exercise {exercise.id}; what it cut is counted"
            remarks.append(Remark("instrument-not-permitted", name, words))
    return tuple(dict.fromkeys(remarks))
