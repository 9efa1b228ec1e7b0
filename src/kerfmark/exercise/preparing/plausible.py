"""Whether the surfaces of an exercise belong together: same coordinates, layers within, neighbours beside, something to cut."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise, tooth_frame
from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import Grid, Remark, Surface

__all__ = ["check_together"]

ROUND_OFF_MM = 0.2
NEAR_MM = 15.0
OFF_SURFACE_MM = 0.5


def check_together(exercise: Exercise, surfaces: Surfaces, subject_grid: Grid) -> tuple[Remark, ...]:
    """What looks like a slip; what cannot be meant is an error.

    Raises
    ------
    InputError
        If a layer or the target lies outside the subject, or a neighbour or the gingiva far from it.
    """
    remarks: list[Remark] = []
    for name, layer in surfaces.layers.items():
        remarks.extend(
            _inside(
                layer, exercise.subject.layers.get(name, str(exercise.subject.volume)), f"layer {name}", subject_grid
            )
        )
    if surfaces.target is not None:
        remarks.extend(_inside(surfaces.target, str(exercise.target.surface), "target", subject_grid))
    for side, neighbour in surfaces.neighbours.items():
        file = exercise.subject.neighbours[side]  # type: ignore[index]
        _near(neighbour, file, surfaces.subject)
        remarks.extend(_apart(neighbour, file, subject_grid))
    _outline_on(exercise, subject_grid)
    if surfaces.gingiva is not None:
        _near(surfaces.gingiva, str(exercise.subject.gingiva), surfaces.subject)
    return tuple(remarks)


def _inside(surface: Surface, file: str, what: str, subject_grid: Grid) -> Iterator[Remark]:
    """Nearly all vertices lie in the subject or on it."""
    outside = float(np.mean(sample(subject_grid, surface.vertices_mm) > ROUND_OFF_MM))
    if outside > 0.5:
        raise InputError(
            f"{printable(file)}: {outside:.0%} of the {what} lies outside the subject, expected it within, in the same "
            "coordinates in mm. Export both from one scene."
        )
    if outside > 0.01:
        yield Remark("outside-subject", file, f"{outside:.0%} of the {what} stands out of the subject by over 0.2 mm")


def _outline_on(exercise: Exercise, subject_grid: Grid) -> None:
    """A planned outline runs on the subject's surface; of a cavity or access one that does not cannot be compared with a margin."""
    outline = exercise.target.outline
    if outline is None or exercise.family not in ("cavity", "access"):
        return
    points = transform_points(tooth_frame(exercise.frame), np.array(outline, dtype=float))
    off = np.abs(sample(subject_grid, points)) > OFF_SURFACE_MM
    if off.mean() > 0.5:
        raise InputError(
            f"exercise.toml: [target] outline: {int(off.sum())} of its {len(off)} points lie over {OFF_SURFACE_MM} mm from the "
            "subject's surface, expected points on it, in the coordinates of the surface file. Draw it on the subject."
        )


def _near(surface: Surface, file: str, subject: Surface) -> None:
    (low, high), (subject_low, subject_high) = bounds_mm(surface), bounds_mm(subject)
    gap = float(np.linalg.norm(np.maximum(0.0, np.maximum(low - subject_high, subject_low - high))))
    if gap > NEAR_MM:
        raise InputError(
            f"{printable(file)} lies {gap:.0f} mm from the subject, expected at most {NEAR_MM:g} mm, in the same "
            "coordinates in mm. Export both from one scene."
        )


def _apart(surface: Surface, file: str, subject_grid: Grid) -> Iterator[Remark]:
    depth = -float(sample(subject_grid, surface.vertices_mm).min())
    if depth > 0.3:
        yield Remark("neighbour-overlaps", file, f"the neighbour reaches {depth:.1f} mm or more into the subject")
