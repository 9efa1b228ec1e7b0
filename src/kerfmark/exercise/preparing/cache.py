"""Arrays kept on disk under a name: written whole or not at all, read back memory-mapped, made anew where damaged."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["read_back", "write_whole"]

INDEX, VALUES = "index.json", "values.bin"
ALIGNED = 64
"""Each array begins at a multiple of so many bytes."""


def write_whole(folder: Path, arrays: Mapping[str, NDArray[Any]], facts: Mapping[str, Any]) -> None:
    """Write arrays and facts into `folder`, replacing what is there.

    Everything is written beside it first and moved there in one step, so that a reader, or another process writing the
    same, meets a whole folder or none.

    Raises
    ------
    OSError
        If the place cannot be written.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=".writing-"))
    try:
        places = _written(beside / VALUES, arrays)
        (beside / INDEX).write_text(json.dumps({"arrays": places, "facts": facts}), encoding="utf-8")
        _move(beside, folder)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _move(beside: Path, folder: Path) -> None:
    """Put `beside` where `folder` is; whole folders that another process put there meanwhile give way."""
    try:
        beside.replace(folder)
    except OSError:
        old = Path(tempfile.mkdtemp(dir=folder.parent, prefix=".old-"))
        try:
            folder.replace(old)
            beside.replace(folder)
        except OSError:
            if read_back(folder) is None:
                raise
        finally:
            shutil.rmtree(old, ignore_errors=True)


def read_back(folder: Path) -> tuple[dict[str, NDArray[Any]], dict[str, Any]] | None:
    """The arrays (memory-mapped, read-only) and facts of `folder`; None where it is not there or damaged."""
    try:
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        values = np.memmap(folder / VALUES, dtype=np.uint8, mode="r")
        arrays = {name: _array(values, *place) for name, place in index["arrays"].items()}
        return arrays, dict(index["facts"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError):
        return None


def _written(path: Path, arrays: Mapping[str, NDArray[Any]]) -> dict[str, list[Any]]:
    """Every array one after the other in one file: shape, type and first byte of each, by name."""
    places: dict[str, list[Any]] = {}
    with path.open("wb") as file:
        for name, array in arrays.items():
            file.write(bytes(-file.tell() % ALIGNED))
            places[name] = [list(array.shape), array.dtype.str, file.tell()]
            if array.size:  # as it lies in the memory: a CT is not held there a second time
                file.write(np.ascontiguousarray(array).data.cast("B"))
        file.write(bytes(1))  # never an empty file, which cannot be mapped
    return places


def _array(values: NDArray[np.uint8], shape: list[int], dtype: str, first: int) -> NDArray[Any]:
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    if first + size > values.size:
        raise ValueError("the file of values is shorter than its index says")
    return np.asarray(values[first : first + size]).view(dtype).reshape(shape)
