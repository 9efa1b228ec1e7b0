"""Burs and drills: from their standard codes, trade sizes or own profiles to shapes."""

from __future__ import annotations

from kerfmark.instruments.catalogue import Instrument, head_distance, instrument, instrument_names
from kerfmark.instruments.codes import Code, read_code
from kerfmark.instruments.shapes import profile_of

__all__ = ["Code", "Instrument", "head_distance", "instrument", "instrument_names", "profile_of", "read_code"]
