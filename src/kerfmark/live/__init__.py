"""Cutting as it happens: the replay's own sweep, one sample at a time, with the force of contact."""

from __future__ import annotations

from kerfmark.live.session import Session, Step
from kerfmark.live.shell import point_shell
from kerfmark.live.tissues import TISSUE_STIFFNESS, stiffness_of

__all__ = ["TISSUE_STIFFNESS", "Session", "Step", "point_shell", "stiffness_of"]
