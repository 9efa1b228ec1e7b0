"""Every table of the store, one class a table. Times are UTC; ids are random words, so that none can be guessed or counted.

A table marked *kept* is only ever added to: what is added is digested into the audit log (`storage.audit`), so that a row
changed behind the program's back is found. People are named in `people` alone; everything else points to them.
"""

from __future__ import annotations

from kerfmark.storage.schema.base import Base, new_id
from kerfmark.storage.schema.courses import Appointment, Criterion, ExerciseVersion, Seat, Sitting
from kerfmark.storage.schema.decisions import (
    Appeal,
    Examination,
    ExaminedCriterion,
    Note,
    OwnView,
    OwnViewed,
    Reflection,
    Release,
    Signature,
)
from kerfmark.storage.schema.people import Grant, OneTimeLink, Person, SignIn, Site, StationKey, Token, Trait
from kerfmark.storage.schema.pieces import (
    Assessment,
    Blob,
    Calibration,
    Drawing,
    Job,
    Marking,
    Piece,
    Reading,
    Rereading,
    RereadingValue,
    Ruling,
)
from kerfmark.storage.schema.school import AuditEntry, BoardPaper, ChosenLine, SchoolSetting

__all__ = [
    "KEPT",
    "Appeal",
    "Appointment",
    "Assessment",
    "AuditEntry",
    "Base",
    "Blob",
    "BoardPaper",
    "Calibration",
    "ChosenLine",
    "Criterion",
    "Drawing",
    "Examination",
    "ExaminedCriterion",
    "ExerciseVersion",
    "Grant",
    "Job",
    "Marking",
    "Note",
    "OneTimeLink",
    "OwnView",
    "OwnViewed",
    "Person",
    "Piece",
    "Reading",
    "Reflection",
    "Release",
    "Rereading",
    "RereadingValue",
    "Ruling",
    "SchoolSetting",
    "Seat",
    "SignIn",
    "Signature",
    "Site",
    "Sitting",
    "StationKey",
    "Token",
    "Trait",
    "new_id",
]

KEPT: tuple[type[Base], ...] = (Assessment, Marking, OwnView, Examination, Signature, Release, Rereading, ChosenLine)
"""Tables whose rows are added once and never changed; each row's digest stands in the audit log."""
