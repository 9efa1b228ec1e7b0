"""From an exercise and a learner's file to readings, rulings and a mark."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from kerfmark.errors import InputError, MeasurementError, printable
from kerfmark.exercise.folder import LoadedExercise, load_exercise
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.exercise.tables import Source
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.intake.surfaces import TakenIn, take_in
from kerfmark.marking import mark, rule
from kerfmark.measurement import measure
from kerfmark.records import Alignment, Assessment, Piece, Reading, Remark, Surface
from kerfmark.registration import Registered, register
from kerfmark.settings import Settings, read_settings
from kerfmark.version import __version__

__all__ = ["assess", "assess_prepared", "ideal_readings", "open_exercise", "remarks_of"]

NEIGHBOUR_SIDES = ("mesial", "distal")
NOT_A_SURFACE = {
    ".csv": "motion",
    ".parquet": "motion",
    ".nrrd": "volume",
    ".nii": "volume",
    ".gz": "volume",
    ".dcm": "volume",
}


def _silent(_stage: str) -> None:
    """Say nothing."""


def assess(
    exercise: str | Path,
    piece: str | Path,
    *,
    neighbours: Mapping[str, str | Path] | None = None,
    unit: str | None = None,
    settings: Settings | None = None,
    progress: Callable[[str], None] = _silent,
) -> Assessment:
    """Measure and mark one piece.

    Parameters
    ----------
    exercise : str or path
        A folder, a zip, or the name of a built-in exercise.
    piece : path
        A surface file of what was cut: STL, PLY, OBJ, 3MF or GLB.
    neighbours : side → path, optional
        Scans of the mesial and distal neighbour, in the piece's coordinates.
    unit : str, optional
        `mm`, `cm`, `m`, `in` or `um`, where the file's own unit is wrong or not said.
    settings : Settings, optional
        Read from the environment when left out.
    progress : callable, optional
        Called with the name of each stage as it begins.

    Returns
    -------
    assessment : Assessment

    Raises
    ------
    InputError
        If the exercise or the piece is not valid.
    AlignmentError
        If the piece cannot be laid over the exercise.
    MeasurementError
        If no criterion's reading could be measured.
    """
    settings = settings or read_settings()
    progress("reading the exercise")
    loaded = load_exercise(exercise, limits=settings.limits, cache_dir=settings.cache_dir)
    progress("preparing the exercise")
    prepared = prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)
    return assess_prepared(
        loaded, prepared, piece, neighbours=neighbours, unit=unit, settings=settings, progress=progress
    )


def open_exercise(exercise: str | Path, *, settings: Settings) -> tuple[LoadedExercise, Prepared]:
    """An exercise read and prepared, for when many pieces follow."""
    loaded = load_exercise(exercise, limits=settings.limits, cache_dir=settings.cache_dir)
    return loaded, prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)


def assess_prepared(
    loaded: LoadedExercise,
    prepared: Prepared,
    piece: str | Path,
    *,
    neighbours: Mapping[str, str | Path] | None = None,
    unit: str | None = None,
    settings: Settings,
    progress: Callable[[str], None] = _silent,
) -> Assessment:
    """As `assess`, with the exercise already read and prepared."""
    path = Path(piece)
    _check_sides(neighbours or {}, prepared)
    progress(f"reading {path.name}")
    taken = _take_in(path, prepared, unit=unit, settings=settings)
    progress("aligning the piece")
    source = _scan_source(loaded.exercise.source)
    registered = register(taken.parts, prepared, noise_um=source.noise_um)
    progress("measuring")
    aligned = _piece(
        taken,
        registered,
        source,
        _neighbours(neighbours or {}, registered, prepared, unit=unit, settings=settings),
    )
    readings = measure(aligned, prepared)
    exercise = loaded.exercise
    rulings = rule(readings, exercise.criteria, exercise.pass_)
    if all(r.probability_inside is None for r in rulings):
        reasons = sorted({r.reason for r in readings if r.reason})
        raise MeasurementError(
            f"{printable(path.name)}: none of the {len(rulings)} criteria could be measured ({'; '.join(reasons[:2])}), expected at least one. "
            "Check that this is the piece of this exercise and that the scan covers what was cut."
        )
    return Assessment(
        kerfmark=__version__,
        exercise_id=exercise.id,
        exercise_version=loaded.version,
        piece=aligned,
        readings=readings,
        rulings=rulings,
        mark=mark(rulings, exercise.pass_),
        remarks=(
            *loaded.remarks,
            *prepared.remarks,
            *_kind_remarks(loaded.exercise.source, path),
            *taken.remarks,
            *registered.remarks,
        ),
        settings={
            "limits": asdict(settings.limits),
            "unit": unit,
            "noise_um": aligned.noise_um,
            "trueness_um": aligned.trueness_um,
        },
    )


def ideal_readings(prepared: Prepared) -> tuple[Reading, ...]:
    """The readings of the exercise's own target as its source would see it (simulated: the source's noise, the target in place).

    What a teacher checks an exercise by: does the ideal piece meet its limits, and how sure would each reading be? Empty where
    the exercise has no target surface.

    Parameters
    ----------
    prepared : Prepared

    Returns
    -------
    readings : tuple of Reading
    """
    from kerfmark.geometry.phantoms import scanned

    if prepared.target is None:
        return ()
    source = prepared.exercise.source
    rng = np.random.default_rng(0)
    looked_at = scanned(prepared.target, noise_um=source.noise_um, edge_mm=0.12, rng=rng)
    spread = np.array([0.0002] * 3 + [0.001] * 3)
    in_place = Alignment(
        rigid_inverse(prepared.frame), source.noise_um, 1.0, np.diag(spread**2), len(prepared.fixed_points)
    )
    piece = Piece(
        "scan", "", looked_at, in_place, source.noise_um, source.trueness_um, neighbours=dict(prepared.neighbours)
    )
    return measure(piece, prepared)


def _take_in(path: Path, prepared: Prepared, *, unit: str | None, settings: Settings) -> TakenIn:
    kind = NOT_A_SURFACE.get(path.suffix.lower())
    if kind is not None:
        raise InputError(
            f"{printable(path.name)} looks like a {kind} file, expected a surface (STL, PLY, OBJ, 3MF or GLB): this version measures surfaces only. "
            "Export the piece as a surface and hand that in."
        )
    if prepared.subject is None:
        raise InputError(
            f"exercise {prepared.exercise.id} has no subject surface, expected one to measure against. Add subject.surface."
        )
    return take_in(
        path, name=path.name, subject_bounds_mm=bounds_mm(prepared.subject), unit=unit, limits=settings.limits
    )


def _piece(taken: TakenIn, registered: Registered, source: Source, neighbours: Mapping[str, Surface]) -> Piece:
    return Piece(
        kind="scan",
        sha256=taken.sha256,
        surface=registered.surface,
        alignment=registered.alignment,
        noise_um=source.noise_um,
        trueness_um=source.trueness_um,
        neighbours=neighbours,
    )


def _scan_source(source: Source) -> Source:
    """The exercise's source if it is a scanner's, else a scanner of the default uncertainty."""
    return source if source.kind == "scan" else Source(kind="scan")


def _kind_remarks(source: Source, path: Path) -> tuple[Remark, ...]:
    if source.kind == "scan":
        return ()
    words = f"a scan, where the exercise expects a {source.kind}; read with a scanner's default uncertainty"
    return (Remark("another-kind", path.name, words),)


def _check_sides(files: Mapping[str, str | Path], prepared: Prepared) -> None:
    for side, file in files.items():
        if side not in NEIGHBOUR_SIDES:
            raise InputError(
                f"--neighbour {printable(side)}={printable(file)}: the side is '{printable(side)}', expected mesial or distal. Correct it."
            )
        if side not in prepared.neighbours:
            raise InputError(
                f"--neighbour {side}: exercise {prepared.exercise.id} has no {side} neighbour, expected one to compare with. "
                "Leave the option out."
            )


def _neighbours(
    files: Mapping[str, str | Path], registered: Registered, prepared: Prepared, *, unit: str | None, settings: Settings
) -> dict[str, Surface]:
    """Neighbours' scans carried to the tooth frame with the piece's own alignment."""
    surfaces = {}
    for side, file in files.items():
        taken = take_in(
            Path(file),
            name=Path(file).name,
            subject_bounds_mm=bounds_mm(prepared.neighbours[side]),
            unit=unit,
            limits=settings.limits,
        )
        into_tooth = prepared.frame @ registered.alignment.matrix
        surfaces[side] = replace(taken.parts[0], vertices_mm=transform_points(into_tooth, taken.parts[0].vertices_mm))
    return surfaces


def remarks_of(assessment: Assessment) -> tuple[Remark, ...]:
    """Every remark of an assessment, once."""
    return tuple(dict.fromkeys((*assessment.remarks, *assessment.piece.remarks)))
