"""A learner's surface as it comes in: its unit settled, its harmless faults mended, its parts told apart, its dust dropped."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError, printable
from kerfmark.geometry.edges import components
from kerfmark.geometry.mending import Health, mend
from kerfmark.geometry.mesh import area_mm2, bounds_mm
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.records import Remark, Surface
from kerfmark.settings import Limits

__all__ = ["UNITS_MM", "TakenIn", "take_in"]

UNITS_MM = {"um": 1e-3, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}
ASKABLE = ("mm", "cm", "m", "in", "um")
LARGEST_RATIO = 6.0
SMALLEST_RATIO = 0.25
DUST_AREA = 0.002
DUST_FACES = 20


@dataclass(frozen=True, slots=True, eq=False)
class TakenIn:
    """A surface taken in: its connected parts in mm, largest area first, without dust; the file's SHA-256; what was found
    in the mesh before mending; what is worth saying.
    """  # noqa: D205

    parts: tuple[Surface, ...]
    sha256: str
    health: Health
    remarks: tuple[Remark, ...]


def take_in(
    source: Path | bytes, *, name: str, subject_bounds_mm: ArrayLike, limits: Limits, unit: str | None = None
) -> TakenIn:
    """Read a piece's surface and make it ready for registration.

    The unit is the file's (STL, PLY and OBJ: mm; 3MF as it says; GLB: metres) unless `unit` is given. A piece whose size
    cannot be that of the subject is refused and the unit that would fit is named: the diagonal of its box has to be
    between a quarter (a scan of the crown alone) and six times (neighbours and gingiva scanned along) that of the subject.

    Parameters
    ----------
    source : Path or bytes
    name : str
        What messages call it.
    subject_bounds_mm : (2, 3) float array, mm
        Of the exercise's subject.
    limits : Limits
    unit : str, optional
        `mm`, `cm`, `m`, `in` or `um`: taken in place of the file's, and the size is then not judged.

    Returns
    -------
    taken : TakenIn

    Raises
    ------
    InputError
        If the file cannot be read, the unit is unknown, or the size does not fit.
    """
    if unit is not None and unit not in ASKABLE:
        raise InputError(
            f"unit is '{printable(unit, limit=20)}', expected one of {', '.join(ASKABLE)}. Give one of these."
        )
    file = read_mesh_file(source, name=name, limits=limits)
    shown = printable(name, limit=120)
    scale = UNITS_MM[unit or file.unit]
    surface = file.surface if scale == 1.0 else Surface(file.surface.vertices_mm * scale, file.surface.faces)
    if unit is None:
        _check_size(surface, subject_bounds_mm, file.unit, shown)
    mended, found, remarks = mend(surface, where=shown, merge=False)
    parts, dust = _parts(mended) if found.components > 1 else ((mended,), 0)
    remarks = (*file.remarks, *remarks, *((_dust_remark(dust, shown),) if dust else ()))
    return TakenIn(parts, file.sha256, found, remarks)


def _diagonal(bounds: ArrayLike) -> float:
    low, high = np.asarray(bounds, dtype=float)
    return float(np.linalg.norm(high - low))


def _check_size(surface: Surface, subject_bounds_mm: ArrayLike, unit: str, name: str) -> None:
    ratio = _diagonal(bounds_mm(surface)) / _diagonal(subject_bounds_mm)
    if SMALLEST_RATIO <= ratio <= LARGEST_RATIO:
        return
    factor, way = (1 / ratio, "small") if ratio < 1 else (ratio, "large")
    fits = [u for u in ASKABLE if SMALLEST_RATIO <= ratio * UNITS_MM[u] / UNITS_MM[unit] <= LARGEST_RATIO]
    best = min(fits, key=lambda u: abs(np.log(ratio * UNITS_MM[u] / UNITS_MM[unit])), default=None)
    hint = (
        f"it would fit in {best} ({_plain(UNITS_MM[best] / UNITS_MM[unit])} times): take it with --unit {best}"
        if best
        else "no unit makes it fit: give the piece that belongs to this exercise"
    )
    raise InputError(
        f"{name}: looks {_plain(factor)} times too {way} in {unit} (its box is {_diagonal(bounds_mm(surface)):.4g} mm across, "
        f"the subject's {_diagonal(subject_bounds_mm):.4g} mm), expected {SMALLEST_RATIO:g} to {LARGEST_RATIO:g} times the "
        f"subject; {hint}."
    )


def _plain(number: float) -> str:
    return f"{number:.3g}" if number < 100 else f"{number:.0f}"


def _parts(surface: Surface) -> tuple[tuple[Surface, ...], int]:
    """The connected parts, largest first, and how many too small to be a piece were dropped."""
    parts = components(surface)
    if len(parts) < 2:
        return parts, 0
    largest = area_mm2(parts[0])
    kept = tuple(
        p for p in parts if p is parts[0] or (len(p.faces) >= DUST_FACES and area_mm2(p) > DUST_AREA * largest)
    )
    return kept, len(parts) - len(kept)


def _dust_remark(dust: int, name: str) -> Remark:
    return Remark("dust-dropped", name, f"{dust} tiny loose {'part' if dust == 1 else 'parts'} dropped")
