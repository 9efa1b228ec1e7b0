"""What a measure is: a reading's name and unit, its places and statistics, and the function that takes it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from kerfmark.records import Piece, Reading

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["Measure"]


@dataclass(frozen=True, slots=True)
class Measure:
    """One line of a family's tuple: everything that may be said about a reading before a piece is seen.

    Attributes
    ----------
    id : str
        Full name, family first: `crown.height_mm`.
    family : str
        `crown`, `access`, `block`, `line`, `process` or `common`.
    unit : str
        `mm`, `deg`, `um`, `mm2`, `mm3`, or `1` for a number without a unit.
    definition : str
        One line in words.
    context : callable
        Makes, from a piece and its prepared exercise, what the functions of this family share. Measures with the same
        `context` are given the same object, so that sections and fits are made once a piece.
    function : callable
        Takes that object and returns every reading of this id, measurable or not.
    wheres : tuple of str
        The places it is read at; empty where there is only one.
    stats : tuple of str
        The statistics it comes in; empty where there is only one.
    by_site : bool
        True where the places are the names of the exercise's own sites.
    by_layer : bool
        True where the places are, beside `wheres`, the names of the exercise's own layers.
    by_orifice : bool
        True where the places are the numbers of the exercise's orifices, from 1.
    """

    id: str
    family: str
    unit: str
    definition: str
    context: Callable[[Piece, Prepared], Any]
    function: Callable[[Any], tuple[Reading, ...]]
    wheres: tuple[str, ...] = ()
    stats: tuple[str, ...] = ()
    by_site: bool = False
    by_layer: bool = False
    by_orifice: bool = False
