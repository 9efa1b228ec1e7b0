"""The exercise's volume: greys or labels in the tooth frame, the subject where there is no surface, tissues from labels."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise
from kerfmark.geometry.material import bodies_of, material_surface
from kerfmark.geometry.volumes import bounds_of, carried, labelled_surface
from kerfmark.intake.volumes import read_volume_bytes
from kerfmark.records import FloatArray, Remark, Surface, Volume
from kerfmark.settings import Limits

__all__ = ["Read", "check_overlap", "read_subject_volume"]

LEAST_SHARED = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A volume in the tooth frame, the tissues its labels give, and what is worth saying."""

    volume: Volume
    layers: dict[str, Surface] = field(default_factory=dict)
    body: Surface | None = None
    remarks: tuple[Remark, ...] = ()


def read_subject_volume(exercise: Exercise, data: bytes, *, frame: FloatArray, limits: Limits) -> Read:
    """The subject's volume; with the body it shows, where the exercise has no surface.

    Raises
    ------
    InputError
        If it cannot be read, or holds labels that are not in the table.
    """
    subject, name = exercise.subject, printable(exercise.subject.volume, limit=120)
    file = read_volume_bytes(data, name=str(subject.volume), limits=limits, series=subject.series)
    volume = carried(file.volume, frame)
    body, remarks = None, file.remarks
    if subject.surface is None or subject.labels:
        surface, more = material_surface(
            volume, labels=subject.labels, threshold=exercise.source.threshold, closed=True, name=name
        )
        remarks = (*remarks, *more)
        body = bodies_of(surface, limits=limits, name=name)[0]
    present = set(np.unique(volume.values).tolist()) if subject.labels else set()
    names = dict.fromkeys(subject.labels.values())
    numbers = {word: [n for n, w in subject.labels.items() if w == word and n in present] for word in names}
    layers = {word: labelled_surface(volume, of) for word, of in numbers.items() if of}
    return Read(volume, layers, body, remarks)


def check_overlap(subject: Surface, volume: Volume, *, surface_name: str, volume_name: str) -> None:
    """The surface lies in the volume for the better part.

    Raises
    ------
    InputError
        If it does not.
    """
    low, high = bounds_of(volume)
    inside = ((subject.vertices_mm >= low) & (subject.vertices_mm <= high)).all(axis=1)
    share = float(inside.mean())
    if share < LEAST_SHARED:
        raise InputError(
            f"{printable(volume_name)} covers {share:.0%} of {printable(surface_name)}, expected at least {LEAST_SHARED:.0%} in the same "
            "coordinates (left-posterior-superior, mm). Export both from one scene."
        )
