"""Kerfmark: measure the cut, mark the work. Metrology and evidence for hands-on dental exercises."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kerfmark.version import __version__

__all__ = ["__version__", "assess", "replay_motion"]

if TYPE_CHECKING:
    from kerfmark.pipeline import assess
    from kerfmark.replayed import replay_motion


def __getattr__(name: str) -> Any:
    """`kerfmark.assess` and its kind are loaded when first asked for, so that `--help` stays quick."""
    if name == "assess":
        from kerfmark.pipeline import assess

        return assess
    if name == "replay_motion":
        from kerfmark.replayed import replay_motion

        return replay_motion
    raise AttributeError(f"module 'kerfmark' has no attribute '{name}'")
