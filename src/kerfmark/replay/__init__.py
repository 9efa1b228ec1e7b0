"""Recorded motion to cut field: what the head came near to and when; the surface it left; what it removed."""

from __future__ import annotations

from kerfmark.replay.kept import Keeper
from kerfmark.replay.removal import removal
from kerfmark.replay.replaying import Device, replay
from kerfmark.replay.stored import write_field
from kerfmark.replay.surface import cut_surface

__all__ = ["Device", "Keeper", "cut_surface", "removal", "replay", "write_field"]
