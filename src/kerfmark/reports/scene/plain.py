"""A scene with nothing measured in it: what a learner may see before own views are in."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from kerfmark.reports.scene.container import Container, Part, read_container, written

__all__ = ["plain_scene"]

KEPT_FACTS: Final = ("kerfmark_scene", "kind", "tooth", "mesial_sign", "floor_mm", "views", "sites", "questions")
KEPT_ATTRIBUTES: Final = ("POSITION", "_SOFT_NORMAL")


def plain_scene(data: bytes) -> bytes:
    """The bare surfaces of a scene: the piece, the tooth before cutting, the neighbours.

    Built up from nothing by a list of what may be seen, so that a field added to scenes stays out until it is put on the list. No
    reading, ruling, limit, deviation, isoline, margin, witness, target, tissue, time or event is in it. Section planes are
    those through the long axis, not those a reading was taken in.

    Parameters
    ----------
    data : bytes
        From `scene_bytes`.

    Raises
    ------
    InputError
        If these are no such bytes.
    """
    scene = read_container(data)
    parts = tuple(_bare(part) for part in scene.parts if part.name in ("piece", "before") or _is_neighbour(part))
    facts = {name: scene.facts[name] for name in KEPT_FACTS if name in scene.facts}
    planes = scene.facts.get("plain_planes", scene.facts.get("planes", []))
    return written(Container(parts, {**facts, "plain": True, "planes": planes}))


def _is_neighbour(part: Part) -> bool:
    return part.name.startswith("neighbour ")


def _bare(part: Part) -> Part:
    attributes = {name: part.attributes[name] for name in KEPT_ATTRIBUTES if name in part.attributes}
    return replace(part, attributes=attributes, facts={k: v for k, v in part.facts.items() if k == "side"})
