"""From an exercise and a learner's file to readings, rulings and a mark."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from kerfmark.errors import InputError, MeasurementError, printable
from kerfmark.exercise.folder import LoadedExercise, load_exercise
from kerfmark.exercise.handed import handed_in_for
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.exercise.tables import Source
from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.mesh import bounds_mm, submesh
from kerfmark.geometry.mesh_files import format_by_content
from kerfmark.intake.motions import looks_like_motion
from kerfmark.intake.surfaces import TakenIn, take_in
from kerfmark.intake.volumes import is_volume
from kerfmark.marking import mark, rule
from kerfmark.measurement import events, measure
from kerfmark.planned import is_plan, plan_piece
from kerfmark.records import Alignment, Assessment, Piece, PieceKind, Reading, Remark, Surface
from kerfmark.registration import Registered, register
from kerfmark.settings import Limits, Settings, read_settings
from kerfmark.version import __version__

__all__ = ["assess", "assess_prepared", "ideal_readings", "open_exercise", "remarks_of"]

NEIGHBOUR_SIDES = ("mesial", "distal")
GRID_UM = 50.0
NEAR_BED_MM = 4.0
MOTION_SOURCE = Source(kind="motion", noise_um=5.0, trueness_um=15.0)
"""What a recording is taken to be good for where the exercise expects another kind of source [practice]."""
VOLUME_SOURCE = Source(kind="volume", noise_um=30.0, trueness_um=100.0)
"""What a CT's surface is taken to be good for where the exercise expects another kind of source [practice: a part of a voxel]."""
MOTION_SUFFIXES = (".csv", ".tsv", ".parquet")


def _silent(_stage: str) -> None:
    """Say nothing."""


def assess(
    exercise: str | Path,
    piece: str | Path,
    *,
    neighbours: Mapping[str, str | Path] | None = None,
    unit: str | None = None,
    rig: str | Path | None = None,
    series: str | None = None,
    grid_um: float = GRID_UM,
    settings: Settings | None = None,
    progress: Callable[[str], None] = _silent,
) -> Assessment:
    """Measure and mark one piece.

    Parameters
    ----------
    exercise : str or path
        A folder, a zip, or the name of a built-in exercise.
    piece : path
        A surface of what was cut (STL, PLY, OBJ, 3MF or GLB), the recorded motion that cut it (Parquet or CSV), a CT of it
        (a folder of DICOM slices, NRRD or NIfTI), or of an implant a learner's own plan (TOML).
    neighbours : side → path, optional
        Scans of the mesial and distal neighbour, in the piece's coordinates.
    unit : str, optional
        `mm`, `cm`, `m`, `in` or `um`, where the file's own unit is wrong or not said.
    rig : path, optional
        `rig.toml` of a motion that does not stand in the exercise's own coordinates.
    series : str, optional
        UID or number of the series to read from a folder that holds several.
    grid_um : float
        Between the voxels a motion is replayed on, µm.
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
        loaded, prepared, piece, neighbours=neighbours, unit=unit, rig=rig, series=series, grid_um=grid_um,
        settings=settings, progress=progress,
    )  # fmt: skip


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
    rig: str | Path | None = None,
    series: str | None = None,
    grid_um: float = GRID_UM,
    settings: Settings,
    progress: Callable[[str], None] = _silent,
) -> Assessment:
    """As `assess`, with the exercise already read and prepared."""
    path = Path(piece)
    progress(f"reading {path.name}")
    _check_handed_in(path, prepared)
    if is_volume(path):
        _check_scan_options(rig, what="a volume")
        _check_volume_options(neighbours, unit)
        aligned, remarks = _from_volume(path, prepared, series=series, settings=settings, progress=progress)
    elif series is not None:
        raise InputError(
            f"--series goes with a folder of DICOM slices, but {printable(path.name)} is none. Leave it out."
        )
    elif is_plan(path):
        _check_scan_options(rig, what="a plan")
        _check_plan_options(neighbours, unit)
        aligned, remarks = plan_piece(path, prepared, limits=settings.limits), ()
    elif _is_motion(path, settings.limits):
        _check_motion_options(neighbours, unit)
        aligned, remarks = _from_motion(path, prepared, rig=rig, grid_um=grid_um, settings=settings, progress=progress)
    else:
        _check_scan_options(rig)
        _check_sides(neighbours or {}, prepared)
        aligned, remarks = _from_scan(
            path, prepared, neighbours=neighbours or {}, unit=unit, settings=settings, progress=progress
        )
    progress("measuring")
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
        remarks=(*loaded.remarks, *prepared.remarks, *_kind_remarks(exercise.source, aligned, path), *remarks),
        settings={
            "limits": asdict(settings.limits),
            "unit": unit,
            "noise_um": aligned.noise_um,
            "trueness_um": aligned.trueness_um,
            **({} if aligned.motion is None else {"grid_um": grid_um}),
        },
        events=events(aligned, prepared),
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
    looked_at = scanned(_near_plan(prepared.target, prepared), noise_um=source.noise_um, edge_mm=0.12, rng=rng)
    spread = np.array([0.0002] * 3 + [0.001] * 3)
    in_place = Alignment(
        rigid_inverse(prepared.frame), source.noise_um, 1.0, np.diag(spread**2), len(prepared.fixed_points)
    )
    piece = Piece(
        "scan", "", looked_at, in_place, source.noise_um, source.trueness_um, neighbours=dict(prepared.neighbours)
    )
    return measure(piece, prepared)


def _near_plan(target: Surface, prepared: Prepared) -> Surface:
    """Of a jaw the part about the planned bed, as a scan of it would cover; anything else whole."""
    if prepared.implant is None or prepared.exercise.target.implant is None:
        return target
    entry, apex = prepared.implant
    rod = Cylinder(entry, apex, 0.5 * prepared.exercise.target.implant.diameter_mm)
    near = np.asarray((rod.distance_mm(target.vertices_mm) < NEAR_BED_MM)[target.faces].any(axis=1))
    return submesh(target, near) if near.any() else target


def _is_motion(path: Path, limits: Limits) -> bool:
    """By content; a file that is neither by its content goes by its suffix, so that the error fits."""
    if path.suffix.lower() not in MOTION_SUFFIXES or looks_like_motion(path):
        return looks_like_motion(path)
    try:
        with path.open("rb") as stream:
            return format_by_content(stream.read(limits.file_mib * 2**20)) is None
    except (OSError, ValueError):
        return True


def _from_motion(
    path: Path,
    prepared: Prepared,
    *,
    rig: str | Path | None,
    grid_um: float,
    settings: Settings,
    progress: Callable[[str], None],
) -> tuple[Piece, tuple[Remark, ...]]:
    """The piece a motion cut, and what was found in the record."""
    from kerfmark.recorded import piece_of, read_recorded

    recorded = read_recorded(path, prepared, rig=None if rig is None else Path(rig), limits=settings.limits)
    progress("replaying the motion")
    source = _source_of("motion", prepared.exercise.source)
    piece = piece_of(recorded, prepared, source=source, grid_um=grid_um, threads=settings.threads, name=path.name)
    return piece, recorded.motion.remarks


def _from_scan(
    path: Path,
    prepared: Prepared,
    *,
    neighbours: Mapping[str, str | Path],
    unit: str | None,
    settings: Settings,
    progress: Callable[[str], None],
) -> tuple[Piece, tuple[Remark, ...]]:
    """The piece a scan shows, aligned, and what was found in the file and the fit."""
    taken = _take_in(path, prepared, unit=unit, settings=settings)
    progress("aligning the piece")
    source = _source_of("scan", prepared.exercise.source)
    registered = register(taken.parts, prepared, noise_um=source.noise_um)
    given = _neighbours(neighbours, registered, prepared, unit=unit, settings=settings)
    return _piece(taken, registered, source, {**registered.neighbours, **given}), (*taken.remarks, *registered.remarks)


def _from_volume(
    path: Path, prepared: Prepared, *, series: str | None, settings: Settings, progress: Callable[[str], None]
) -> tuple[Piece, tuple[Remark, ...]]:
    """The piece a CT shows: the surface of its material, aligned like a scan."""
    from kerfmark.intake.volumes.piece import take_in_volume

    exercise = prepared.exercise
    taken = take_in_volume(
        path, name=path.name, limits=settings.limits, labels=exercise.subject.labels,
        threshold=exercise.source.threshold, series=series,
    )  # fmt: skip
    progress("aligning the piece")
    source = _source_of("volume", exercise.source)
    registered = register(taken.parts, prepared, noise_um=source.noise_um)
    piece = replace(_piece(taken, registered, source, registered.neighbours), kind="volume")
    return piece, (*taken.remarks, *registered.remarks)


def _take_in(path: Path, prepared: Prepared, *, unit: str | None, settings: Settings) -> TakenIn:
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


def _source_of(kind: PieceKind, source: Source) -> Source:
    """The exercise's source if it is of this kind, else one of the kind's default uncertainty."""
    if source.kind == kind:
        return source
    return {"motion": MOTION_SOURCE, "volume": VOLUME_SOURCE}.get(kind, Source(kind="scan"))


def _kind_remarks(source: Source, piece: Piece, path: Path) -> tuple[Remark, ...]:
    if piece.kind in (source.kind, "plan"):
        return ()
    words = (
        f"a {piece.kind}, where the exercise expects a {source.kind}; read with a {piece.kind}'s default uncertainty"
    )
    return (Remark("another-kind", path.name, words),)


def _check_handed_in(path: Path, prepared: Prepared) -> None:
    """A plan where plans are taken, a bed where beds are: of the other kind most criteria would mark the teacher's own plan, or nothing."""
    exercise, name = prepared.exercise, printable(path.name)
    if exercise.family != "implant":
        return
    asked = handed_in_for((c.reading, c.where) for c in exercise.criteria)
    if asked == "plan" and not is_plan(path):
        raise InputError(
            f"{name}: is no plan, but exercise {exercise.id} marks plans of an implant, expected a plan.toml. Plan in the CT or write the "
            "file, and hand that in."
        )
    if asked == "bed" and is_plan(path):
        raise InputError(
            f"{name}: is a plan, but exercise {exercise.id} marks the bed that was drilled, expected a scan, a motion or a CT of it. Hand "
            "that in."
        )


def _check_motion_options(neighbours: Mapping[str, str | Path] | None, unit: str | None) -> None:
    if neighbours:
        raise InputError(
            "--neighbour goes with a scan, but the piece is a recorded motion, whose own sweep says what the neighbours lost. Leave it out."
        )
    if unit not in (None, "mm"):
        raise InputError(f"--unit is '{printable(unit, limit=20)}', but motions are always in mm. Leave it out.")


def _check_scan_options(rig: str | Path | None, *, what: str = "a surface") -> None:
    if rig is not None:
        raise InputError(f"--rig goes with a recorded motion, but the piece is {what}. Leave it out.")


def _check_plan_options(neighbours: Mapping[str, str | Path] | None, unit: str | None) -> None:
    if neighbours or unit not in (None, "mm"):
        raise InputError(
            "--neighbour and --unit go with a scan, but the piece is a plan in the exercise's coordinates. Leave them out."
        )


def _check_volume_options(neighbours: Mapping[str, str | Path] | None, unit: str | None) -> None:
    if neighbours:
        raise InputError("--neighbour goes with a scan, but the piece is a volume, which shows its own. Leave it out.")
    if unit not in (None, "mm"):
        raise InputError(f"--unit is '{printable(unit, limit=20)}', but volumes are always in mm. Leave it out.")


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
