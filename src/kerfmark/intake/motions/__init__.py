"""Recorded motions of the tool: Parquet or CSV read strictly, in the tooth frame, every gap, jump and damage said; rigs; tips."""

from __future__ import annotations

from kerfmark.intake.motions.content import looks_like_motion
from kerfmark.intake.motions.reading import Sampling, read_motion, sampling
from kerfmark.intake.motions.rig import Rig, read_rig
from kerfmark.intake.motions.tip import Tip, calibrate_tip
from kerfmark.intake.motions.writing import write_motion

__all__ = [
    "Rig",
    "Sampling",
    "Tip",
    "calibrate_tip",
    "looks_like_motion",
    "read_motion",
    "read_rig",
    "sampling",
    "write_motion",
]
