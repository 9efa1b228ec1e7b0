"""A bridge's report taken apart: the words and numbers of each abutment alone, in its own tooth frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.records import FloatArray, Witness
from kerfmark.reports.contents import CriterionLine, Family, PieceContents

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["abutments_contents"]


def abutments_contents(contents: PieceContents, prepared: Prepared) -> Iterator[tuple[PieceContents, Prepared]]:
    """For each abutment the criteria that are its own, named as on a single tooth, with what it was prepared as."""
    for own in prepared.abutments:
        into = own.frame @ rigid_inverse(prepared.frame)
        start = f"{own.exercise.tooth}/"
        families = [
            Family(f.title, f.counts, tuple(_own(line, start, into) for line in f.lines if _is_of(line, start)))
            for f in contents.families
        ]
        yield replace(contents, families=tuple(families)), own


def _is_of(line: CriterionLine, start: str) -> bool:
    return bool(line.reading.where and line.reading.where.startswith(start))


def _own(line: CriterionLine, start: str, into: FloatArray) -> CriterionLine:
    reading, witness = line.reading, line.reading.witness
    if witness is not None:
        curves = tuple(transform_points(into, curve) for curve in witness.curves_mm)
        witness = Witness(witness.kind, curves_mm=curves)
    return replace(line, reading=replace(reading, where=(reading.where or "").removeprefix(start), witness=witness))
