"""Burs and drills: from their standard codes, trade sizes or own profiles to shapes."""

from __future__ import annotations

from kerfmark.instruments.catalogue import Instrument, head_distance, instrument, instrument_names
from kerfmark.instruments.codes import Code, read_code
from kerfmark.instruments.outline import Outline, outline_of
from kerfmark.instruments.shank import shank_profile
from kerfmark.instruments.shapes import profile_of

__all__ = [
    "Code",
    "Instrument",
    "Outline",
    "head_distance",
    "instrument",
    "instrument_names",
    "outline_of",
    "profile_of",
    "read_code",
    "shank_profile",
]
