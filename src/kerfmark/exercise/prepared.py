"""What assessment needs of an exercise and no piece changes: made once, kept by version, read back in milliseconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from kerfmark.exercise.definition import Exercise, Implant, mesial_sign, tooth_frame
from kerfmark.exercise.folder import LoadedExercise
from kerfmark.exercise.preparing.abutments import own_surfaces, single_exercises
from kerfmark.exercise.preparing.cache import read_back, write_whole
from kerfmark.exercise.preparing.columns import as_arrays, columns_of, from_arrays
from kerfmark.geometry.columns import Crossings, Lattice
from kerfmark.geometry.frames import transform_points
from kerfmark.records import FloatArray, Grid, ImplantPlan, Remark, Site, Surface, Volume
from kerfmark.settings import Limits

__all__ = ["PREPARED_FORMAT", "Prepared", "prepare"]

PREPARED_FORMAT = 7
"""Raised whenever what is kept, or how it is made, changes."""


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """An exercise made ready. Everything is in the tooth frame, in mm.

    Attributes
    ----------
    exercise, version
        As loaded.
    frame : (4, 4) float array
        Carries exercise-file coordinates into the tooth frame.
    mesial_sign : int
        +1 where mesial lies on +x, −1 where it lies on −x.
    subject, target, gingiva, envelope, neighbours, layers, roots, sinus
        Closed surfaces; None or empty where the exercise has none. Of two layers that overlap the later wins.
    subject_grid, target_grid, layer_grids : Grid
        Signed distance, voxels of 0.1 mm, exact within 0.6 mm. Target and subject share their voxels.
    neighbour_grids : Grid
        The same, exact within 0.3 mm.
    envelope_grid : Grid or None
        Signed distance to the envelope over the subject's box, voxels of 0.15 mm, exact within 0.6 mm.
    search_grid : Grid
        Signed distance of subject, neighbours and gingiva together, voxels of 0.35 mm, band 3 mm.
    fixed_points, fixed_normals : (k, 3) float arrays
        About 20,000 visible points of what is not cut, with outward normals.
    surface_points, surface_normals : (m, 3) float arrays
        Points of the subject's crown (of a block: of all its surface) about 0.15 mm apart, with smooth **inward** normals.
    sites : tuple of Site
    outline, line, orifices : (k, 3) float arrays or None
    implant : (2, 3) float array or None
        Entry and apex.
    implants : tuple of ImplantPlan
        Those that stand beside the planned one.
    canal, arch : (k, 3) float array or None
    lattice : Lattice or None
        Upright columns over what is planned to go; None where nothing says so.
    columns : name → Crossings
        Where they cross `subject`, `target` and `layer.<index>`.
    volume : Volume or None
        The subject's CT, or its labels, with its axes carried to the tooth frame.
    remarks : tuple of Remark
        What was mended or looks like a slip.
    abutments : tuple of Prepared
        Of a bridge: each abutment as the exercise of a single tooth, in its own tooth frame.
    """

    exercise: Exercise
    version: str
    frame: FloatArray
    mesial_sign: int
    subject: Surface | None
    subject_grid: Grid
    search_grid: Grid
    target: Surface | None
    target_grid: Grid | None
    fixed_points: FloatArray
    fixed_normals: FloatArray
    surface_points: FloatArray
    surface_normals: FloatArray
    neighbours: Mapping[str, Surface] = field(default_factory=dict)
    neighbour_grids: Mapping[str, Grid] = field(default_factory=dict)
    gingiva: Surface | None = None
    layers: Mapping[str, Surface] = field(default_factory=dict)
    layer_grids: Mapping[str, Grid] = field(default_factory=dict)
    envelope: Surface | None = None
    envelope_grid: Grid | None = None
    roots: tuple[Surface, ...] = ()
    sinus: Surface | None = None
    sites: tuple[Site, ...] = ()
    outline: FloatArray | None = None
    line: FloatArray | None = None
    orifices: FloatArray | None = None
    implant: FloatArray | None = None
    canal: FloatArray | None = None
    arch: FloatArray | None = None
    implants: tuple[ImplantPlan, ...] = ()
    lattice: Lattice | None = None
    columns: Mapping[str, Crossings] = field(default_factory=dict)
    volume: Volume | None = None
    remarks: tuple[Remark, ...] = ()
    abutments: tuple[Prepared, ...] = ()


def prepare(loaded: LoadedExercise, *, cache_dir: Path, limits: Limits) -> Prepared:
    """An exercise made ready for pieces: from the cache, else made (seconds) and kept there.

    Parameters
    ----------
    loaded : LoadedExercise
    cache_dir : path
        Kept under `prepared/<version>/<format>/` there; where it cannot be written, the result is used and not kept.
    limits : Limits

    Raises
    ------
    InputError
        If a surface cannot be used, or the surfaces do not belong together.
    """
    folder = cache_dir / "prepared" / loaded.version.removeprefix("sha256:") / str(PREPARED_FORMAT)
    prepared = _from_kept(loaded, folder)
    if prepared is not None:
        return prepared
    arrays, facts = _made(loaded, limits=limits)
    try:
        write_whole(folder, arrays, facts)
    except OSError:
        facts = {**facts, "remarks": [*facts["remarks"], asdict(_not_kept(cache_dir))]}
        return _assembled(loaded, arrays, facts)
    # Read back as every later process reads it: the loops are compiled once, for arrays that may not be written to.
    return _from_kept(loaded, folder) or _assembled(loaded, arrays, facts)


def _not_kept(cache_dir: Path) -> Remark:
    return Remark(
        "cache-not-written", str(cache_dir), "the prepared exercise could not be kept and is made anew each time"
    )


def _made(loaded: LoadedExercise, *, limits: Limits) -> tuple[dict[str, Any], dict[str, Any]]:
    """Everything that takes time, as arrays and plain facts."""
    arrays, facts = _made_of(loaded, loaded.exercise, None, limits=limits)
    for number, own in enumerate(single_exercises(loaded.exercise)):
        more, said = _made_of(loaded, own, number, limits=limits)
        arrays |= {f"{_prefix(number)}{name}": array for name, array in more.items()}
        facts[_prefix(number)] = said
    return arrays, facts


def _prefix(number: int) -> str:
    """What begins the names of an abutment's own arrays."""
    return f"abutment.{number}."


def _made_of(
    loaded: LoadedExercise, exercise: Exercise, number: int | None, *, limits: Limits
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Of the whole exercise, or of one abutment of a bridge by itself."""
    from kerfmark.exercise.preparing import distances, places, plausible, surfaces

    frame = tooth_frame(exercise.frame)
    found = surfaces.read_surfaces(exercise, loaded.assets, frame=frame, limits=limits)
    if number is not None:
        found = own_surfaces(found, loaded.exercise, number, frame=frame)
    grids = distances.grids_of(found, limits=limits)
    remarks = [*found.remarks, *plausible.check_together(exercise, found, grids["subject"])]
    fixed, outward, more = places.fixed_points(
        exercise,
        found,
        subject_grid=grids["subject"],
        target_grid=grids.get("target"),
        envelope_grid=grids.get("envelope"),
    )
    crown, inward = places.crown_points(exercise, found.subject)
    sites = places.sites_of(exercise, found.subject, frame=frame)
    arrays: dict[str, Any] = {
        "fixed_points": fixed,
        "fixed_normals": outward,
        "surface_points": crown,
        "surface_normals": inward,
    }
    planned = columns_of(exercise, found, subject_grid=grids["subject"])
    arrays |= {} if planned is None else as_arrays(*planned)
    for name, surface in _named_surfaces(found):
        arrays |= {f"{name}.vertices": surface.vertices_mm, f"{name}.faces": surface.faces}
    for name, grid in grids.items():
        arrays |= {f"grid.{name}.values": grid.values, f"grid.{name}.origin": grid.origin_mm}
    if found.volume is not None:
        arrays |= {"volume.values": found.volume.values, "volume.matrix": found.volume.matrix}
    for index, site in enumerate(sites):
        arrays |= {f"site.{index}.points": site.points_mm, f"site.{index}.inward": site.inward}
    spacings = {name: grid.spacing_mm for name, grid in grids.items()}
    return arrays, {
        "spacings": spacings,
        "layers": list(found.layers),
        "remarks": [asdict(remark) for remark in (*remarks, *more)],
    }


def _named_surfaces(found: Any) -> list[tuple[str, Surface]]:
    single = {name: getattr(found, name) for name in ("subject", "target", "envelope", "gingiva", "sinus")}
    many = {f"neighbour.{side}": surface for side, surface in found.neighbours.items()}
    many |= {f"layer.{index}": surface for index, surface in enumerate(found.layers.values())}
    many |= {f"root.{index}": surface for index, surface in enumerate(found.roots)}
    return [(name, surface) for name, surface in (single | many).items() if surface is not None]


def _from_kept(loaded: LoadedExercise, folder: Path) -> Prepared | None:
    """From what was kept; None where nothing was, or something is missing from it."""
    kept = read_back(folder)
    try:
        return None if kept is None else _assembled(loaded, *kept)
    except (KeyError, TypeError, ValueError):
        return None


def _assembled(loaded: LoadedExercise, arrays: Mapping[str, Any], facts: Mapping[str, Any]) -> Prepared:
    abutments = []
    for number, own in enumerate(single_exercises(loaded.exercise)):
        prefix = _prefix(number)
        kept = {name.removeprefix(prefix): array for name, array in arrays.items() if name.startswith(prefix)}
        abutments.append(_assembled_of(own, loaded.version, kept, facts[prefix]))
    return replace(_assembled_of(loaded.exercise, loaded.version, arrays, facts), abutments=tuple(abutments))


def _assembled_of(exercise: Exercise, version: str, arrays: Mapping[str, Any], facts: Mapping[str, Any]) -> Prepared:
    frame = tooth_frame(exercise.frame)
    target, subject = exercise.target, exercise.subject

    def surface(name: str) -> Surface | None:
        known = f"{name}.faces" in arrays
        return Surface(arrays[f"{name}.vertices"], arrays[f"{name}.faces"]) if known else None

    def needed(name: str) -> Surface:
        return Surface(arrays[f"{name}.vertices"], arrays[f"{name}.faces"])

    def grid(name: str) -> Grid:
        return Grid(arrays[f"grid.{name}.origin"], facts["spacings"][name], arrays[f"grid.{name}.values"])

    def points(values: Any) -> FloatArray | None:
        return None if values is None else transform_points(frame, values)

    implant = target.implant
    beside = [side for side in subject.neighbours if f"neighbour.{side}.faces" in arrays]
    lattice, columns = from_arrays(arrays)
    return Prepared(
        exercise=exercise,
        version=version,
        frame=frame,
        mesial_sign=mesial_sign(exercise.frame),
        subject=needed("subject"),
        subject_grid=grid("subject"),
        search_grid=grid("search"),
        target=None if target.surface is None else needed("target"),
        target_grid=None if target.surface is None else grid("target"),
        fixed_points=arrays["fixed_points"],
        fixed_normals=arrays["fixed_normals"],
        surface_points=arrays["surface_points"],
        surface_normals=arrays["surface_normals"],
        neighbours={side: needed(f"neighbour.{side}") for side in beside},
        neighbour_grids={side: grid(f"neighbour.{side}") for side in beside},
        gingiva=surface("gingiva"),
        layers={name: needed(f"layer.{index}") for index, name in enumerate(facts["layers"])},
        layer_grids={name: grid(f"layer.{index}") for index, name in enumerate(facts["layers"])},
        envelope=surface("envelope"),
        envelope_grid=grid("envelope") if "grid.envelope.values" in arrays else None,
        roots=tuple(needed(f"root.{index}") for index in range(len(exercise.structures.roots))),
        sinus=surface("sinus"),
        sites=_sites(exercise, frame, arrays),
        outline=points(target.outline),
        line=points(target.line),
        orifices=points(target.orifices),
        implant=None if implant is None else transform_points(frame, [implant.entry, implant.apex]),
        canal=None if exercise.structures.canal is None else points(exercise.structures.canal.points),
        arch=points(subject.arch),
        implants=tuple(_placed(other, frame) for other in exercise.structures.implants),
        lattice=lattice,
        columns=columns,
        volume=Volume(arrays["volume.values"], arrays["volume.matrix"]) if "volume.values" in arrays else None,
        remarks=tuple(Remark(**remark) for remark in facts["remarks"]),
    )


def _placed(implant: Implant, frame: FloatArray) -> ImplantPlan:
    entry, apex = transform_points(frame, [implant.entry, implant.apex])
    return ImplantPlan(entry, apex, implant.diameter_mm)


def _sites(exercise: Exercise, frame: FloatArray, arrays: Mapping[str, Any]) -> tuple[Site, ...]:
    named = transform_points(frame, np.array([site.point for site in exercise.sites], dtype=float).reshape(-1, 3))
    return tuple(
        Site(site.name, site.role, point, arrays[f"site.{index}.points"], arrays[f"site.{index}.inward"])
        for index, (site, point) in enumerate(zip(exercise.sites, named, strict=True))
    )
