"""The exercise's surfaces: read, mended, closed where an open base allows it, carried to the tooth frame, and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.preparing.volumes import check_overlap, read_subject_volume
from kerfmark.geometry.mending import merged
from kerfmark.geometry.mesh import boundary_loops, bounds_mm, face_edges, joined, mend, transformed, volume_mm3
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.records import FloatArray, Remark, Surface, Volume
from kerfmark.settings import Limits

__all__ = ["Surfaces", "capped", "read_surfaces"]

UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "um": 0.001}
PLAUSIBLE_MM = {"line": (3.0, 500.0), "block": (3.0, 500.0), "implant": (3.0, 300.0)}
PLAUSIBLE_TOOTH_MM = (3.0, 80.0)


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """Every surface an exercise names, in the tooth frame, closed; and its volume."""

    subject: Surface
    target: Surface | None = None
    envelope: Surface | None = None
    gingiva: Surface | None = None
    layers: Mapping[str, Surface] = field(default_factory=dict)
    neighbours: Mapping[str, Surface] = field(default_factory=dict)
    roots: tuple[Surface, ...] = ()
    sinus: Surface | None = None
    volume: Volume | None = None
    remarks: tuple[Remark, ...] = ()


class _Reader:
    """Reads assets one by one and keeps what is worth a remark."""

    def __init__(self, assets: Mapping[str, bytes], frame: FloatArray, limits: Limits) -> None:
        self._assets, self._frame, self._limits = assets, frame, limits
        self.remarks: list[Remark] = []

    def read(self, name: str | None, *, cap: bool = False) -> Surface | None:
        """One surface, closed; None where none is named."""
        return None if name is None else self.needed(name, cap=cap)

    def needed(self, name: str, *, cap: bool = False) -> Surface:
        """One surface, closed."""
        file = read_mesh_file(self._assets[name], name=name, limits=self._limits)
        scale = np.diag([UNIT_MM.get(file.unit or "mm", 1.0)] * 3 + [1.0])
        surface, _, mended = mend(transformed(file.surface, self._frame @ scale), where=name)
        self.remarks.extend((*file.remarks, *mended))
        if face_edges(surface).balance.any():
            surface = self._closed(surface, name, cap=cap)
        if volume_mm3(surface) <= 0.0:
            raise InputError(
                f"{printable(name)} encloses no volume, expected a closed surface of a solid. Export it anew."
            )
        return surface

    def _closed(self, surface: Surface, name: str, *, cap: bool) -> Surface:
        loops = boundary_loops(surface)
        closed = capped(surface, loops[0]) if cap and len(loops) == 1 else None
        if closed is None:
            count = int(np.count_nonzero(face_edges(surface).balance))
            most = "a closed surface or one open base" if cap else "a closed surface"
            raise InputError(
                f"{printable(name)} has {count} open edges round {len(loops)} holes, expected {most}. "
                "Close the holes and export it again."
            )
        message = f"open base of {len(loops[0])} edges capped"
        self.remarks.append(Remark("base-capped", name, message))
        return closed


def read_surfaces(exercise: Exercise, assets: Mapping[str, bytes], *, frame: FloatArray, limits: Limits) -> Surfaces:
    """Every surface of an exercise, in the tooth frame.

    Raises
    ------
    InputError
        If one cannot be read, is not closed, or its size is not that of its family.
    """
    subject, reader = exercise.subject, _Reader(assets, frame, limits)
    read = None
    if subject.volume is not None:
        read = read_subject_volume(exercise, assets[subject.volume], frame=frame, limits=limits)
        reader.remarks.extend(read.remarks)
    body = reader.read(subject.surface, cap=True) or (None if read is None else read.body)
    assert body is not None  # the rules ask for a surface or a volume
    if read is not None and subject.surface is not None:
        check_overlap(body, read.volume, surface_name=subject.surface, volume_name=str(subject.volume))
    _check_size(body, str(subject.surface or subject.volume), PLAUSIBLE_MM.get(exercise.family, PLAUSIBLE_TOOTH_MM))
    own = {name: reader.needed(file) for name, file in subject.layers.items()}
    return Surfaces(
        subject=body,
        target=reader.read(exercise.target.surface),
        envelope=reader.read(exercise.permitted.envelope),
        gingiva=reader.read(subject.gingiva),
        layers=own if read is None else own | {name: layer for name, layer in read.layers.items() if name not in own},
        neighbours={side: reader.needed(file) for side, file in subject.neighbours.items()},
        roots=tuple(reader.needed(file) for file in exercise.structures.roots),
        sinus=reader.read(exercise.structures.sinus),
        volume=None if read is None else read.volume,
        remarks=tuple(reader.remarks),
    )


def capped(surface: Surface, loop_mm: FloatArray) -> Surface | None:
    """The surface with a fan of faces over its one open base; None where that is no base or too crooked for a fan.

    Parameters
    ----------
    surface : Surface
        Open along `loop_mm` only, in the tooth frame.
    loop_mm : (k, 3) float array
        The border, running as the faces beside it do.

    Notes
    -----
    A base lies below the middle of the surface and faces away from the occlusal direction.
    """
    middle = loop_mm.mean(axis=0)
    spokes = loop_mm - middle
    fan = -np.cross(spokes, np.roll(spokes, -1, axis=0))
    across = fan.sum(axis=0)
    across /= np.linalg.norm(across) or 1.0
    below = middle[2] < bounds_mm(surface)[:, 2].mean()
    if not below or across[2] > -0.3 or (fan @ across < -1e-9).any():
        return None
    count = len(loop_mm)
    around = np.arange(count)
    faces = np.stack([np.roll(around, -1), around, np.full(count, count)], axis=1).astype(np.int32)
    closed = merged(joined([surface, Surface(np.vstack([loop_mm, middle]), faces)]))
    return None if face_edges(closed).balance.any() else closed


def _check_size(surface: Surface, name: str, plausible_mm: tuple[float, float]) -> None:
    """A subject in another unit than mm is refused with the factor that would fit."""
    size = float(np.linalg.norm(np.ptp(bounds_mm(surface), axis=0)))
    low, high = plausible_mm
    if low <= size <= high:
        return
    fits = [f"{unit} (factor {factor:g})" for unit, factor in UNIT_MM.items() if low <= size * factor <= high]
    hint = f"; in {' or '.join(fits)} it would fit" if fits else ""
    raise InputError(
        f"{printable(name)} measures {size:.3g} mm across, expected {low:g} to {high:g} mm{hint}. "
        "Export the exercise's surfaces in mm."
    )
