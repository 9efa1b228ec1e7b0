"""What of a volume is material: every label but 0, or the greys above a threshold; and its surfaces."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.edges import components
from kerfmark.geometry.mesh import area_mm2, volume_mm3
from kerfmark.geometry.volumes import halfway_level, labelled_surface, level_surface
from kerfmark.records import IntArray, Remark, Surface, Volume
from kerfmark.settings import Limits

__all__ = ["bodies_of", "check_labels", "grey_level", "material_surface"]

LEAST_AREA = 0.002
"""Of the largest body; what is smaller is noise."""


def grey_level(volume: Volume, threshold: float | None, *, name: str) -> tuple[float, tuple[Remark, ...]]:
    """The grey above which a voxel is material: as stated, or halfway between the two modes with a remark.

    Raises
    ------
    InputError
        If nothing states it and the greys have no two modes.
    """
    if threshold is not None:
        return threshold, ()
    level = halfway_level(volume.values)
    if level is None:
        raise InputError(
            f"{name}: its greys have no two modes to part material from the rest by, expected a threshold. Add threshold to [source]."
        )
    words = f"no threshold is stated; {level:.0f}, halfway between the two modes of its greys, was taken. State [source] threshold"
    return level, (Remark("threshold-assumed", name, words),)


def check_labels(volume: Volume, labels: Mapping[int, str], *, name: str) -> tuple[Remark, ...]:
    """Every label is whole and in the table; remarks on entries of the table that no voxel has.

    Raises
    ------
    InputError
        If a voxel holds a fraction or a label that is not in the table.
    """
    present = _present(volume, name=name)
    unknown = [int(label) for label in present if label != 0 and int(label) not in labels]
    if unknown:
        more = f" and {len(unknown) - 3} more" if len(unknown) > 3 else ""
        known = ", ".join(f"{number} = {printable(word, limit=30)}" for number, word in list(labels.items())[:8])
        raise InputError(
            f"{name}: holds the label {', '.join(map(str, unknown[:3]))}{more}, expected 0 or one of the table ({known}). Add it to "
            "[subject] labels or correct the volume."
        )
    absent = [f"{number} ({printable(word, limit=30)})" for number, word in labels.items() if number not in present]
    if not absent:
        return ()
    return (Remark("label-not-there", name, f"no voxel holds the label {', '.join(absent[:5])} of the table"),)


def _present(volume: Volume, *, name: str) -> IntArray:
    """Every different label, found slab by slab."""
    found: set[int] = set()
    for k in range(volume.values.shape[2]):
        values = np.unique(volume.values[:, :, k])
        if values.dtype.kind == "f" and (values != np.rint(values)).any():
            raise InputError(
                f"{name}: a voxel holds {float(values[values != np.rint(values)][0]):g}, expected whole labels. Export it as labels."
            )
        found.update(int(v) for v in values)
        if len(found) > 4096:
            raise InputError(f"{name}: holds more than 4096 labels, expected those of the table. Export it as labels.")
    return np.array(sorted(found), dtype=np.int32)


def material_surface(
    volume: Volume, *, labels: Mapping[int, str], threshold: float | None, closed: bool, name: str
) -> tuple[Surface, tuple[Remark, ...]]:
    """The surface of all material of a label volume (with a table of labels) or of greys (without)."""
    if labels:
        remarks = check_labels(volume, labels, name=name)
        return labelled_surface(volume, sorted(labels)), remarks
    level, remarks = grey_level(volume, threshold, name=name)
    return level_surface(volume, level, closed=closed), remarks


def bodies_of(surface: Surface, *, limits: Limits, name: str) -> tuple[Surface, ...]:
    """The separate bodies of a volume's surface, largest first: without hollows inside them, without specks.

    Raises
    ------
    InputError
        If it has more triangles than are allowed.
    """
    if len(surface.faces) > limits.triangles:
        raise InputError(
            f"{name}: its surface has {len(surface.faces)} triangles, expected at most limits.triangles = {limits.triangles}. Crop the "
            "volume to the piece, state a threshold, or raise KERFMARK_LIMIT_TRIANGLES."
        )
    parts = components(surface)
    largest = area_mm2(parts[0])
    solid = [p for p in parts if p is parts[0] or (area_mm2(p) > LEAST_AREA * largest and volume_mm3(p) > 0.0)]
    return tuple(solid)
