"""A bridge's abutments one by one: each as the exercise of a single tooth, in its own tooth frame."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise, Frame, tooth_frame
from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.exercise.rules import abutment_teeth
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.mesh import bounds_mm, components, joined
from kerfmark.records import FloatArray, Surface

__all__ = ["own_exercise", "own_surfaces", "single_exercises"]


def single_exercises(exercise: Exercise) -> tuple[Exercise, ...]:
    """The exercise of each abutment by itself, in the order of `abutment_teeth`; none for a single tooth."""
    return tuple(own_exercise(exercise, number) for number in range(len(abutment_teeth(exercise))))


def own_exercise(exercise: Exercise, number: int) -> Exercise:
    """The same files with one abutment's tooth, frame and sites."""
    frames = _frames(exercise)
    points = np.array([site.point for site in exercise.sites], dtype=float).reshape(-1, 3)
    owner = _nearest(points, frames) if len(points) else np.empty(0, int)
    sites = tuple(site for site, own in zip(exercise.sites, owner, strict=True) if own == number)
    kept = {"tooth": abutment_teeth(exercise)[number], "frame": frames[number], "sites": sites, "abutments": ()}
    return exercise.model_copy(update=kept)


def own_surfaces(found: Surfaces, exercise: Exercise, number: int, *, frame: FloatArray) -> Surfaces:
    """Of surfaces in the tooth frame of one abutment, what is that abutment's; the gingiva stays whole.

    Raises
    ------
    InputError
        If the subject is not one closed surface for each abutment.
    """
    frames = [_carried(entry, frame) for entry in _frames(exercise)]

    def own(surface: Surface | None) -> Surface | None:
        if surface is None:
            return None
        parts = [part for part in components(surface) if _owner(part, frames) == number]
        return joined(parts) if parts else None

    subject = own(found.subject)
    if subject is None:
        raise InputError(
            f"{printable(exercise.subject.surface or 'subject')}: no closed surface of its own stands at abutment "
            f"{abutment_teeth(exercise)[number]}, expected one for each of {len(frames)} abutments. "
            "Export the abutments as separate closed surfaces in one file, or correct the frame in [[abutments]]."
        )
    layers = {name: part for name, layer in found.layers.items() if (part := own(layer)) is not None}
    beside = {side: tooth for side, tooth in found.neighbours.items() if _owner(tooth, frames) == number}
    return replace(
        found, subject=subject, target=own(found.target), envelope=own(found.envelope), layers=layers, neighbours=beside
    )


def _frames(exercise: Exercise) -> tuple[Frame, ...]:
    return (exercise.frame, *exercise.abutments)


def _carried(entry: Frame, frame: FloatArray) -> FloatArray:
    """An abutment's origin in another tooth frame."""
    origin: FloatArray = transform_points(frame, np.array([entry.origin]))[0]
    return origin


def _owner(part: Surface, origins: Iterable[FloatArray]) -> int:
    """Which origin lies nearest to the middle of a part's box."""
    middle = bounds_mm(part).mean(axis=0)
    return int(np.argmin([np.linalg.norm(middle - origin) for origin in origins]))


def _nearest(points: FloatArray, frames: Iterable[Frame]) -> NDArray[np.intp]:
    """For each point the number of the frame whose long axis passes nearest."""
    away = []
    for entry in frames:
        own = transform_points(tooth_frame(entry), points)
        away.append(np.hypot(own[:, 0], own[:, 1]))
    return np.asarray(np.argmin(away, axis=0))
