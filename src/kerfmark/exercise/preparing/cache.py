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

INDEX = "index.json"


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
        shapes = {name: [list(array.shape), array.dtype.str] for name, array in arrays.items()}
        for name, array in arrays.items():
            if array.size:
                np.save(beside / f"{name}.npy", np.ascontiguousarray(array), allow_pickle=False)
        (beside / INDEX).write_text(json.dumps({"arrays": shapes, "facts": facts}), encoding="utf-8")
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
        arrays = {name: _array(folder / f"{name}.npy", *entry) for name, entry in index["arrays"].items()}
        return arrays, dict(index["facts"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError):
        return None


def _array(path: Path, shape: list[int], dtype: str) -> NDArray[Any]:
    if 0 in shape:
        return np.empty(shape, dtype=dtype)
    array = np.load(path, mmap_mode="r", allow_pickle=False)
    if list(array.shape) != shape or array.dtype.str != dtype:
        raise ValueError(f"{path.name} is not what the index says")
    return np.asarray(array)
