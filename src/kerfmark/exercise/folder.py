"""An exercise out of a folder, a zip of one, or the built-in ones; and back into a folder."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kerfmark.errors import InputError, printable
from kerfmark.exercise import builtin
from kerfmark.exercise.definition import VOLUME_PLACE, Exercise, as_exercise, asset_names
from kerfmark.exercise.faults import nearest_phrase
from kerfmark.exercise.files import DEFINITION, ExerciseFiles, open_files
from kerfmark.exercise.remarks import remarks_of
from kerfmark.exercise.toml_text import read_toml, toml_of
from kerfmark.intake.volumes.files import PackedFolder, packed
from kerfmark.records import Remark
from kerfmark.settings import Limits

__all__ = ["LoadedExercise", "load_exercise", "save_exercise", "version_of"]


LATER = {
    "": ("abutments",),
    "subject": ("arch", "hounsfield", "series"),
    "target": ("axis",),
    "structures": ("implants",),
    "permitted": ("implant_diameters_mm",),
    "criteria": ("outcome", "source"),
}
"""Keys that came after the first versions were made, by their table; "" is the top of the file."""


@dataclass(frozen=True, slots=True, eq=False)
class LoadedExercise:
    """An exercise with the bytes of every file it names.

    Attributes
    ----------
    exercise : Exercise
    version : str
        `sha256:` and a digest that is the same for the same content, however it is packed, ordered or commented.
    assets : mapping of str to bytes
        By name, only those the exercise names; a CT's folder as one (`PackedFolder`).
    remarks : tuple of Remark
        What is allowed but looks like a slip.
    """

    exercise: Exercise
    version: str
    assets: Mapping[str, bytes]
    remarks: tuple[Remark, ...] = ()


def load_exercise(source: str | Path, *, limits: Limits, cache_dir: Path | None = None) -> LoadedExercise:
    """Read an exercise.

    Parameters
    ----------
    source : str or path
        A folder that holds `exercise.toml`, a zip of it, or the name of a built-in exercise. A path that is there comes
        first.
    limits : Limits
        On the sizes of what is read.
    cache_dir : path, optional
        Where built-in exercises are kept once made; a folder of the system's temporary one when left out.

    Raises
    ------
    InputError
        If there is no such exercise, or it is not valid.
    """
    path = Path(source)
    if not _is_there(path):
        return _load_builtin(str(source), limits=limits, cache_dir=cache_dir)
    files = open_files(path, limits=limits)
    exercise = as_exercise(read_toml(files.read(DEFINITION), name=DEFINITION, limits=limits))
    assets = _read_assets(exercise, files, limits=limits)
    return LoadedExercise(exercise, version_of(exercise, assets), assets, remarks_of(exercise))


def load_kept(folder: Path, *, version: str, limits: Limits) -> LoadedExercise:
    """An exercise the program itself wrote and nobody else touches: its version is known, its files are read when asked for.

    Raises
    ------
    OSError
        If the folder is not there any more.
    """
    exercise = as_exercise(read_toml((folder / DEFINITION).read_bytes(), name=DEFINITION, limits=limits))
    assets = _ReadWhenAsked(folder, tuple(dict.fromkeys(asset_names(exercise).values())))
    return LoadedExercise(exercise, version, assets, remarks_of(exercise))


class _ReadWhenAsked(Mapping[str, bytes]):
    """Files of a folder, each read when it is asked for."""

    def __init__(self, folder: Path, names: tuple[str, ...]) -> None:
        self._folder, self._names = folder, names

    def __getitem__(self, name: str) -> bytes:
        if name not in self._names:
            raise KeyError(name)
        path = self._folder / name
        if path.is_dir():
            return packed((file.name, file.read_bytes()) for file in path.iterdir())
        return path.read_bytes()

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def save_exercise(folder: str | Path, exercise: Exercise, assets: Mapping[str, bytes]) -> None:
    """Write an exercise and the files it names into a folder, which is made where needed.

    Raises
    ------
    InputError
        If a file it names is not among `assets`.
    """
    root = Path(folder)
    for place, name in asset_names(exercise).items():
        if name not in assets:
            raise InputError(f"{place} names '{printable(name)}', which was not given, expected its bytes. Add it.")
        data = assets[name]
        files = (
            {f"{name}/{own}": held for own, held in data.members().items()}
            if isinstance(data, PackedFolder)
            else {name: data}
        )
        for inside, held in files.items():
            path = root / inside
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(held)
    root.mkdir(parents=True, exist_ok=True)
    (root / DEFINITION).write_text(toml_of(exercise), encoding="utf-8", newline="\n")


def version_of(exercise: Exercise, assets: Mapping[str, bytes]) -> str:
    """The content-addressed version: SHA-256 of the canonical definition and the digest of every file it names.

    Notes
    -----
    Canonical: JSON of the parsed exercise with defaults filled in, keys sorted, no blanks; infinities as `"inf"` and
    `"-inf"`, layers as pairs because their order counts. So comments, order of keys, line ends and packing do not.
    A key that came later (`LATER`) counts only where it is given, so that older exercises keep their version.
    """
    definition = exercise.model_dump(by_alias=True)
    for table, keys in LATER.items():
        found = definition[table] if table else definition
        for values in found if isinstance(found, list | tuple) else (found,):
            for key in keys:
                if not values[key]:
                    del values[key]
    definition["subject"]["layers"] = list(exercise.subject.layers.items())
    digests = {name: hashlib.sha256(assets[name]).hexdigest() for name in set(asset_names(exercise).values())}
    content = {"exercise": _canonical(definition), "assets": digests}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return "sha256:" + hashlib.sha256(text.encode("ascii")).hexdigest()


def _canonical(value: Any) -> Any:
    """Values as JSON may hold them, each in one way only."""
    if isinstance(value, Mapping):
        return {str(key): _canonical(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_canonical(entry) for entry in value]
    if isinstance(value, float):
        return str(value) if value in (float("inf"), float("-inf")) else value + 0.0
    return value


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def _load_builtin(name: str, *, limits: Limits, cache_dir: Path | None) -> LoadedExercise:
    if name not in builtin.names():
        raise InputError(
            f"exercise '{printable(name, limit=80)}' is neither a path that is there nor a built-in exercise, expected "
            f"a folder, a zip or a name ({nearest_phrase(name, builtin.names())}). See `kerfmark list`."
        )
    return builtin.load(name, cache_dir=cache_dir or Path(tempfile.gettempdir()) / "kerfmark", limits=limits)


def _read_assets(exercise: Exercise, files: ExerciseFiles, *, limits: Limits) -> dict[str, bytes]:
    assets: dict[str, bytes] = {}
    for place, name in asset_names(exercise).items():
        if name not in assets:
            folder = files.read_folder(name, place=place) if place == VOLUME_PLACE else None
            assets[name] = files.read(name, place=place) if folder is None else folder
    total = sum(map(len, assets.values()))
    if total > limits.unpacked_mib * 2**20:
        raise InputError(
            f"{files.shown} holds {total / 2**20:.1f} MiB, expected at most unpacked_mib = {limits.unpacked_mib}. "
            "Reduce the files or raise KERFMARK_LIMIT_UNPACKED_MIB."
        )
    return assets
