"""Built-in exercises, made by the project's own generators and kept in the cache as ordinary exercise folders."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kerfmark.exercise.builtin.accesses import AccessSpec
    from kerfmark.exercise.builtin.blocks import BlockSpec, LineSpec
    from kerfmark.exercise.builtin.bridges import BridgeSpec
    from kerfmark.exercise.builtin.cavities import CavitySpec
    from kerfmark.exercise.builtin.crowns import CrownSpec
    from kerfmark.exercise.builtin.implants import ImplantSpec
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.records import Surface
    from kerfmark.settings import Limits

__all__ = ["load", "names", "spec_of", "title"]

TITLES = {
    "layered-block": "Layered block with a box to clear",
    "straight-line": "Straight line to follow",
    "curved-line": "Curved line to follow",
    "full-crown-46": "Full ceramic crown, lower right first molar",
    "full-crown-26": "Full ceramic crown, upper left first molar",
    "metal-crown-36": "Full metal crown, lower left first molar",
    "anterior-crown-11": "Ceramic crown, upper right central incisor",
    "bridge-36-38": "Bridge abutments, lower left first and third molar",
    "bridge-11-13": "Bridge abutments, upper right central incisor and canine",
    "cavity-i-36": "Class I for amalgam, lower left first molar",
    "cavity-i-46": "Class I for composite, lower right first molar",
    "cavity-ii-mo-36": "Class II mesio-occlusal for amalgam, lower left first molar",
    "cavity-ii-do-25": "Class II disto-occlusal for composite, upper left second premolar",
    "cavity-iii-11": "Class III for composite, upper right central incisor",
    "cavity-iv-21": "Class IV for composite, upper left central incisor",
    "cavity-v-34": "Class V for composite, lower left first premolar",
    "caries-26": "Caries removal, upper left first molar",
    "implant-36": "Implant bed, lower left first molar",
    "implant-plan-36": "Implant plan, lower left first molar",
    "access-11": "Endodontic access, upper right central incisor",
    "access-14": "Endodontic access, upper right first premolar",
    "access-26": "Endodontic access, upper left first molar",
    "access-36": "Endodontic access, lower left first molar",
}


def names() -> tuple[str, ...]:
    """Names of the built-in exercises, simplest first."""
    return tuple(TITLES)


def title(name: str) -> str:
    """What a built-in exercise is called."""
    return TITLES[name]


def spec_of(
    name: str,
) -> CrownSpec | BridgeSpec | CavitySpec | AccessSpec | BlockSpec | LineSpec | ImplantSpec:
    """The numbers a built-in exercise is made from."""
    from kerfmark.exercise.builtin.accesses import ACCESSES
    from kerfmark.exercise.builtin.blocks import BLOCKS, LINES
    from kerfmark.exercise.builtin.bridges import BRIDGES
    from kerfmark.exercise.builtin.cavities import CAVITIES
    from kerfmark.exercise.builtin.crowns import CROWNS
    from kerfmark.exercise.builtin.implants import IMPLANTS

    specs = (*CROWNS, *BRIDGES, *CAVITIES, *ACCESSES, *BLOCKS, *LINES, *IMPLANTS)
    return {spec.name: spec for spec in specs}[name]


def load(name: str, *, cache_dir: Path, limits: Limits) -> LoadedExercise:
    """A built-in exercise; made on first use (seconds), then read from the cache.

    Parameters
    ----------
    name : str
        One of `names()`.
    cache_dir : path
        Kept under `builtin/` there, by name and by the digest of the generators, so that a changed generator makes it anew.
    limits : Limits
    """
    from kerfmark.exercise.folder import load_exercise, load_kept

    folder = cache_dir / "builtin" / f"{name}-{_generators_digest()}"
    if not (folder / "exercise.toml").is_file():
        _make(name, folder, cache_dir=cache_dir)
    version = folder.with_suffix(".version")
    try:
        return load_kept(folder, version=version.read_text(encoding="ascii"), limits=limits)
    except OSError:
        loaded = load_exercise(folder, limits=limits)
    with contextlib.suppress(OSError):
        version.write_text(loaded.version, encoding="ascii")
    return loaded


def _make(name: str, folder: Path, *, cache_dir: Path) -> None:
    """Write the exercise beside its place, then move it there whole; if another process was quicker, its copy stays."""
    from kerfmark.exercise.definition import Exercise
    from kerfmark.exercise.folder import save_exercise
    from kerfmark.geometry.mesh_files.ply import ply_bytes

    keys, surfaces = _parts(name, cache_dir=cache_dir)
    assets = {
        part if isinstance(held, bytes) else f"{part}.ply": held if isinstance(held, bytes) else ply_bytes(held)
        for part, held in surfaces.items()
    }
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{name}."))
    try:
        save_exercise(beside, Exercise.model_validate(keys), assets)
        beside.replace(folder)
    except OSError:
        if not (folder / "exercise.toml").is_file():
            raise
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _parts(name: str, *, cache_dir: Path) -> tuple[dict[str, object], Mapping[str, Surface | bytes]]:
    """The exercise's keys, and its files: surfaces by their part, others whole by their name."""
    from kerfmark.exercise.builtin import accesses, blocks, bridges, cavities, crowns, implants

    spec = spec_of(name)
    if isinstance(spec, accesses.AccessSpec):
        return accesses.access_parts(spec, cache_dir=cache_dir)
    if isinstance(spec, bridges.BridgeSpec):
        return bridges.bridge_parts(spec, cache_dir=cache_dir)
    if isinstance(spec, cavities.CavitySpec):
        return cavities.cavity_parts(spec, cache_dir=cache_dir)
    if isinstance(spec, crowns.CrownSpec):
        return crowns.crown_parts(spec, cache_dir=cache_dir)
    if isinstance(spec, implants.ImplantSpec):
        return implants.implant_parts(spec, cache_dir=cache_dir)
    return blocks.block_parts(spec) if isinstance(spec, blocks.BlockSpec) else blocks.line_parts(spec)


def _generators_digest() -> str:
    """Of every source and table a built-in exercise is made by, as they stand in this installation: name, size, time of writing."""
    package = Path(__file__).resolve().parent.parent.parent
    digest = hashlib.sha256()
    for folder in ("anatomy", "geometry", "kernels", "exercise/builtin"):
        for file in sorted((package / folder).rglob("*")):
            if file.suffix in (".py", ".toml"):
                stamp = file.stat()
                digest.update(f"{file.relative_to(package).as_posix()} {stamp.st_size} {stamp.st_mtime_ns}\n".encode())
    return digest.hexdigest()[:16]
