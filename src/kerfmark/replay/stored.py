"""A cut field on disk, as a plain Zarr 3 folder: any Zarr reader opens it, nothing is needed to write it."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError, printable
from kerfmark.records import CutField

__all__ = ["check_field_place", "write_field"]

CHUNK_BLOCKS = 1024


def check_field_place(path: Path) -> None:
    """Refuse a place where something stands that is no field."""
    if path.exists() and not (path / "zarr.json").is_file():
        raise InputError(
            f"{printable(path)}: is there already and is no Zarr folder, expected a new name or an earlier field. Name another."
        )


def write_field(path: Path, field: CutField, *, to_file: ArrayLike) -> None:
    """Write a field as a Zarr group with the arrays `blocks`, `distance_mm` and `time_s`.

    Parameters
    ----------
    path : Path
        A folder; one that holds an earlier field is replaced, whole, at the end.
    field : CutField
    to_file : (4, 4) float array
        Carries the tooth frame, in which the grid stands upright, into the exercise's files' frame.

    Raises
    ------
    InputError
        If something else stands at `path`, or it cannot be written.
    """
    check_field_place(path)
    try:
        made = Path(tempfile.mkdtemp(dir=path.absolute().parent, prefix=f".{path.name}."))
        try:
            _write_group(made, field, np.asarray(to_file, dtype=float))
            made.chmod(0o755)
            if path.exists():
                shutil.rmtree(path)
            made.replace(path)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
    except OSError as error:
        raise InputError(
            f"{printable(path)}: cannot be written ({printable(error.strerror or error, limit=80)}), expected a place to write to. "
            "Name another."
        ) from error


def _write_group(folder: Path, field: CutField, to_file: NDArray[np.float64]) -> None:
    about = {
        "about": "voxel (i, j, k) of block b stands at matrix · (origin_mm + spacing_mm · (8 blocks[b] + (i, j, k)))",
        "matrix": to_file.tolist(),
        "origin_mm": field.origin_mm.tolist(),
        "spacing_mm": field.spacing_mm,
        "shape": list(field.shape),
        "band_mm": field.band_mm,
        "start_s": field.start_s,
        "samples": field.samples,
        "samples_used": field.poses,
    }
    _write_json(folder, {"zarr_format": 3, "node_type": "group", "attributes": about})
    _write_array(folder / "blocks", field.blocks.astype("<i4"), "int32", fill=0)
    _write_array(folder / "distance_mm", field.distance_mm.astype("<f4", copy=False), "float32", fill=field.band_mm)
    _write_array(folder / "time_s", field.time_s.astype("<f4", copy=False), "float32", fill="Infinity")


def _write_array(folder: Path, values: NDArray[Any], kind: str, *, fill: float | str) -> None:
    chunk = (CHUNK_BLOCKS, *values.shape[1:])
    _write_json(
        folder,
        {
            "zarr_format": 3,
            "node_type": "array",
            "shape": list(values.shape),
            "data_type": kind,
            "chunk_grid": {"name": "regular", "configuration": {"chunk_shape": list(chunk)}},
            "chunk_key_encoding": {"name": "default", "configuration": {"separator": "/"}},
            "fill_value": fill,
            "codecs": [{"name": "bytes", "configuration": {"endian": "little"}}],
            "attributes": {},
        },
    )
    rest = ["0"] * (values.ndim - 1)
    for number, first in enumerate(range(0, len(values), CHUNK_BLOCKS)):
        part = values[first : first + CHUNK_BLOCKS]
        if len(part) < CHUNK_BLOCKS:
            part = np.concatenate([part, np.zeros((CHUNK_BLOCKS - len(part), *values.shape[1:]), values.dtype)])
        place = folder.joinpath("c", str(number), *rest)
        place.parent.mkdir(parents=True)
        place.write_bytes(part.tobytes())


def _write_json(folder: Path, content: dict[str, Any]) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "zarr.json").write_text(json.dumps(content, indent=1), encoding="utf-8")
