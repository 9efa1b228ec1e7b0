"""What may be set from outside. Only this file reads the environment; only `cli` (and pages) call it and pass values on."""

from __future__ import annotations

import os
from dataclasses import dataclass, field, fields
from pathlib import Path

import platformdirs

from kerfmark.errors import InputError, printable

__all__ = ["Limits", "Serving", "Settings", "compiled_dir", "read_serving", "read_settings"]


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
    beside it; the folder pieces wait in until a server has taken them, that server, and the key to hand in with.
    """

    cache_dir: Path
    threads: int
    limits: Limits = Limits()
    store: str = ""
    files: str | None = None
    spool_dir: Path = Path()
    server: str | None = None
    key: str | None = None


def read_settings() -> Settings:
    """Settings from the environment.

    `KERFMARK_CACHE_DIR`, `KERFMARK_THREADS`, `KERFMARK_LIMIT_<NAME>`, `KERFMARK_STORE`, `KERFMARK_FILES`, `KERFMARK_SPOOL_DIR`,
    `KERFMARK_SERVER`, `KERFMARK_KEY`.

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
        server=os.environ.get("KERFMARK_SERVER") or None,
        key=os.environ.get("KERFMARK_KEY") or None,
        spool_dir=Path(os.environ.get("KERFMARK_SPOOL_DIR") or data / "spool"),
    )


@dataclass(frozen=True, slots=True)
class Serving:
    """How a server is reached, and whose accounts it takes besides its own.

    Attributes
    ----------
    public_url : str or None
        `https://HOST` as people type it, where a TLS proxy stands in front.
    proxies : str
        Addresses, comma between, whose word on who asks and by TLS is believed.
    oidc_issuer, oidc_client_id, oidc_client_secret, oidc_name : str or None
        A university's sign-in (OpenID Connect); all but the name are needed for it.
    """

    public_url: str | None = None
    proxies: str = "127.0.0.1"
    oidc_issuer: str | None = None
    oidc_client_id: str | None = None
    oidc_client_secret: str | None = field(default=None, repr=False)
    oidc_name: str | None = None


def read_serving(*, public_url: str | None = None) -> Serving:
    """From the environment: `KERFMARK_PUBLIC_URL`, `KERFMARK_PROXIES`, `KERFMARK_OIDC_ISSUER`, `_CLIENT_ID`, `_CLIENT_SECRET`, `_NAME`.

    Parameters
    ----------
    public_url : str, optional
        Comes before the variable.

    Raises
    ------
    InputError
        If only some of what a university's sign-in needs is set.
    """
    issuer, client, secret = (
        os.environ.get(f"KERFMARK_OIDC_{name}") or None for name in ("ISSUER", "CLIENT_ID", "CLIENT_SECRET")
    )
    if any((issuer, client, secret)) and not all((issuer, client, secret)):
        raise InputError(
            "KERFMARK_OIDC_ISSUER, KERFMARK_OIDC_CLIENT_ID and KERFMARK_OIDC_CLIENT_SECRET are set in part, expected all or none. "
            "Set the rest and start again."
        )
    return Serving(
        public_url or os.environ.get("KERFMARK_PUBLIC_URL") or None,
        os.environ.get("KERFMARK_PROXIES") or "127.0.0.1",
        issuer,
        client,
        secret,
        os.environ.get("KERFMARK_OIDC_NAME") or None,
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
