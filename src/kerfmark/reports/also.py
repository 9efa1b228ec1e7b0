"""What was measured of a piece that no criterion asks for, as rows of a compact table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import floor, log10
from typing import TYPE_CHECKING, Final

from kerfmark.reports import wording

if TYPE_CHECKING:
    from kerfmark.records import Assessment, Reading

__all__ = ["AlsoMeasured", "also_measured", "reason_notes"]

STATS: Final = (None, "median", "rms", "p05", "p50", "p95")
MIDDLES: Final = (None, "median")
OF_SURFACE: Final = ("surface.removed_mm3", "surface.deviation_mm")
DRAWN_ELSEWHERE: Final = ("process.", "line.lifts", "line.passes", "line.time_s", "line.steering_bits_per_s")
"""Readings of a motion have their own table."""


@dataclass(frozen=True, slots=True)
class AlsoMeasured:
    """One row: what it is, its value, ± U with its unit, and what has to be known about it."""

    name: str
    value: str
    spread: str
    note: str = ""


def also_measured(assessment: Assessment) -> tuple[AlsoMeasured, ...]:
    """Every measured reading without a criterion, in the order it was measured.

    Left out are percentiles of a reading but of the deviation, what has a table of its own (how it was done), a whole that
    says the same as its only part, volumes of tissues that were not touched, and what says nothing of this piece: of a plan
    what it would cut, of a bed what the exercise's own plan keeps clear of.
    """
    marked = {(ruling.reading, ruling.where, ruling.stat) for ruling in assessment.rulings}
    asked = [r for r in assessment.readings if r.key not in marked and r.value is not None]
    found = [r for r in asked if _is_told(r, assessment)]
    return tuple(_row(r) for r in found if not _is_said_twice(r, assessment.readings))


def _is_told(reading: Reading, assessment: Assessment) -> bool:
    if reading.id.startswith(DRAWN_ELSEWHERE) or reading.stat not in STATS:
        return False
    if reading.stat not in MIDDLES and reading.id not in OF_SURFACE:
        return False
    if reading.id.startswith("surface.") and assessment.piece.kind == "plan":
        return False
    if reading.id == OF_SURFACE[0] and reading.where == "other":
        return False
    if reading.unit == "mm3" and not reading.value and not reading.u:
        return False
    beds = {r.id for r in assessment.readings if (r.where or "").startswith("bed") and r.value is not None}
    return reading.id not in beds or (reading.where or "").startswith("bed")


def _is_said_twice(reading: Reading, readings: Iterable[Reading]) -> bool:
    """Whether one of a reading's places has the very value of the whole."""
    return reading.where is None and any(
        r.id == reading.id and r.stat == reading.stat and r.where is not None and r.value == reading.value
        for r in readings
    )


def _row(reading: Reading) -> AlsoMeasured:
    name = wording.name_of(reading.id, reading.where, reading.stat, alone=True)
    answer = wording.answer(reading.id, reading.value or 0.0)
    if answer is not None:
        return AlsoMeasured(name, answer, "", reading.reason or "")
    decimals = wording.decimals_for(reading.unit, (float("-inf"), float("inf")), reading.u)
    if reading.u:  # no more than two digits of U
        decimals = max(0, min(decimals, 1 - floor(log10(2.0 * reading.u))))
    spread = f"± {wording.number(2.0 * reading.u, decimals)}" if reading.u else ""
    return AlsoMeasured(
        name,
        wording.number(reading.value or 0.0, decimals),
        wording.with_unit(spread, reading.unit),
        reading.reason or "",
    )


def reason_notes(rows: Sequence[AlsoMeasured]) -> tuple[str, ...]:
    """What has to be known about the rows, each once, with the names of those it is about."""
    about: dict[str, list[str]] = {}
    for row in rows:
        if row.note:
            about.setdefault(row.note, []).append(row.name)
    return tuple(
        f"{names[0]}{f' and {len(names) - 1} more' if len(names) > 1 else ''}: {note}." for note, names in about.items()
    )
