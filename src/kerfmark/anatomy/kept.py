"""Made teeth kept on disk, found again by what they were made from and by what made them."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path

import numpy as np

from kerfmark.records import FloatArray
from kerfmark.version import __version__

__all__ = ["keep", "kept"]

_MAGIC = b"kerfmark teeth 1\n"
_ALIGN = 16


def kept(cache_dir: str | Path | None, fdi: int, seed: int | None, edge_mm: float) -> dict[str, np.ndarray] | None:
    """The arrays kept for a tooth, or None if there are none or they cannot be read (they are then made again)."""
    if cache_dir is None:
        return None
    try:
        return _unpacked(_place(cache_dir, fdi, seed, edge_mm).read_bytes())
    except (OSError, ValueError, KeyError, TypeError):
        return None


def keep(cache_dir: str | Path, fdi: int, seed: int | None, edge_mm: float, arrays: Mapping[str, np.ndarray]) -> None:
    """Keep a tooth's arrays: written beside their place and moved into it, so that no reader sees half a file.

    A folder that cannot be written to is passed over: the tooth was made, only keeping it failed.
    """
    place = _place(cache_dir, fdi, seed, edge_mm)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=place.parent, suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(_packed(arrays))
        Path(name).replace(place)
    except OSError:
        return


def _place(cache_dir: str | Path, fdi: int, seed: int | None, edge_mm: float) -> Path:
    recipe = f"{fdi}|{seed}|{float(edge_mm)!r}|{__version__}|{_makers()}"
    return Path(cache_dir) / "teeth" / f"{fdi}-{hashlib.sha256(recipe.encode()).hexdigest()[:24]}.bin"


@lru_cache(maxsize=1)
def _makers() -> str:
    """A digest of the code and tables that make teeth: when they change, what they made before is not found."""
    folder = Path(__file__).parent
    files = [*folder.glob("*.py"), *folder.glob("form/*.py"), *folder.glob("form/*.toml")]
    files += [*folder.parent.glob("geometry/*.py"), folder.parent / "kernels" / "tooth_field.py"]
    digest = hashlib.sha256()
    for file in sorted(files):
        digest.update(file.name.encode() + file.read_bytes())
    return digest.hexdigest()


def _packed(arrays: Mapping[str, np.ndarray]) -> bytes:
    """A line of JSON that says what follows, then the arrays end to end, then the digest of it all."""
    table = {name: [array.dtype.str, list(array.shape)] for name, array in arrays.items()}
    head = _MAGIC + json.dumps(table).encode()
    head += b" " * (-(len(head) + 1) % _ALIGN) + b"\n"
    blocks = (np.ascontiguousarray(array).tobytes() for array in arrays.values())
    body = b"".join([head, *(block + bytes(-len(block) % _ALIGN) for block in blocks)])
    return body + hashlib.blake2b(body, digest_size=16).digest()


def _unpacked(data: bytes) -> dict[str, np.ndarray]:
    body, mark = data[:-16], data[-16:]
    if not body.startswith(_MAGIC) or hashlib.blake2b(body, digest_size=16).digest() != mark:
        raise ValueError("not a kept tooth, or damaged")
    end = body.index(b"\n", len(_MAGIC))
    table = json.loads(body[len(_MAGIC) : end])
    at, arrays = end + 1, {}
    for name, (dtype, shape) in table.items():
        count = int(np.prod(shape))
        values: FloatArray = np.frombuffer(body, dtype=np.dtype(dtype), count=count, offset=at)
        arrays[name] = values.reshape(shape)
        at += values.nbytes + -values.nbytes % _ALIGN
    return arrays
