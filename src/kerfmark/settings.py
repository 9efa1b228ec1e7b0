"""What may be set from outside. Only this file reads the environment; only `cli` (and pages) call it and pass values on."""

from __future__ import annotations

import os
from dataclasses import dataclass, fields
from pathlib import Path

import platformdirs

from kerfmark.errors import InputError, printable

__all__ = ["Limits", "Settings", "compiled_dir", "read_settings"]


@dataclass(frozen=True, slots=True)
class Limits:
    """Size limits on what is read. Every error that a limit raises names it and its value.

    Attributes
    ----------
    file_mib : int
        Largest file read, MiB.
    triangles : int
        Most triangles in one surface.
    zip_members : int
        Most members in a zipped exercise.
    unpacked_mib : int
        Most a zipped exercise or a packed surface may unpack to, MiB.
    grid_mib : int
        Most memory one distance grid may take, MiB.
    toml_mib : int
        Largest `exercise.toml` read, MiB.
    samples : int
        Most rows in one motion.
    volume_mib : int
        Most memory the voxels of one volume may take, MiB.
    slices : int
        Most files looked at in a folder of DICOM slices.
    """

    file_mib: int = 512
    triangles: int = 4_000_000
    zip_members: int = 256
    unpacked_mib: int = 1024
    grid_mib: int = 1024
    toml_mib: int = 4
    samples: int = 20_000_000
    worker_mib: int = 6144
    worker_s: int = 300
    volume_mib: int = 1024
    slices: int = 5000


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything that may be set from outside.

    Where prepared exercises are kept, how many threads, the limits; the store's address, and where its files are kept if not
    beside it; the folder pieces wait in until a server has taken them.
    """

    cache_dir: Path
    threads: int
    limits: Limits = Limits()
    store: str = ""
    files: str | None = None
    spool_dir: Path = Path()


def read_settings() -> Settings:
    """Settings from the environment.

    `KERFMARK_CACHE_DIR`, `KERFMARK_THREADS`, `KERFMARK_LIMIT_<NAME>`, `KERFMARK_STORE`, `KERFMARK_FILES`, `KERFMARK_SPOOL_DIR`.

    Returns
    -------
    settings : Settings

    Raises
    ------
    InputError
        If a variable holds something else than a whole number above 0; the start is refused.
    """
    cache_dir = os.environ.get("KERFMARK_CACHE_DIR") or platformdirs.user_cache_dir("kerfmark")
    limits = Limits(
        **{f.name: _whole(f"KERFMARK_LIMIT_{f.name.upper()}", getattr(Limits(), f.name)) for f in fields(Limits)}
    )
    data = Path(platformdirs.user_data_dir("kerfmark"))
    return Settings(
        Path(cache_dir),
        _whole("KERFMARK_THREADS", os.cpu_count() or 1),
        limits,
        store=os.environ.get("KERFMARK_STORE") or str(data / "store"),
        files=os.environ.get("KERFMARK_FILES") or None,
        spool_dir=Path(os.environ.get("KERFMARK_SPOOL_DIR") or data / "spool"),
    )


def compiled_dir() -> Path:
    """Where compiled loops are kept: `KERFMARK_COMPILED_DIR`, else a folder in the user's cache.

    Asked by `kernels.compiled` alone, at the first loop called: machine code belongs to the machine, not to a run's settings.
    """
    return Path(os.environ.get("KERFMARK_COMPILED_DIR") or Path(platformdirs.user_cache_dir("kerfmark")) / "compiled")


def _whole(name: str, default: int) -> int:
    text = os.environ.get(name, "").strip()
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise InputError(
            f"{name} is '{printable(text, limit=40)}', expected a whole number above 0. Correct or unset it and start again."
        )
    return int(text)
