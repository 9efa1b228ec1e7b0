"""The scene of the view in three dimensions: a piece with its readings as one GLB, and what is drawn from it again."""

from __future__ import annotations

from kerfmark.reports.scene.drawings import plain_names, section_at, still_at
from kerfmark.reports.scene.making import scene_bytes
from kerfmark.reports.scene.plain import plain_scene
from kerfmark.reports.scene.stored import read_scene

__all__ = ["plain_names", "plain_scene", "read_scene", "scene_bytes", "section_at", "still_at"]
