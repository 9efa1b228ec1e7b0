"""What many tests share: settings with one cache for the whole run, the open data beside the checkout, surfaces to measure on."""

import os
import secrets
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface
from kerfmark.settings import Settings, read_settings
from kerfmark.storage import Store, open_store

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def settings(tmp_path_factory) -> Settings:
    """Settings whose cache all tests share, so that each built-in exercise is made once a run."""
    kept = os.environ.get("KERFMARK_CACHE_DIR")
    return replace(read_settings(), cache_dir=Path(kept) if kept else tmp_path_factory.mktemp("cache"))


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The folder of open data; tests that need it are skipped where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(
            "the open data are not beside this checkout (../shared/data); they are read from there, never copied in"
        )
    return SHARED


@pytest.fixture(scope="session")
def pebble() -> Surface:
    """Closed, bumpy, not convex, about 10 mm across, 5120 faces."""
    ball = trimesh.creation.icosphere(4, 5.0)
    points = np.array(ball.vertices) * [1.0, 0.9, 1.6]
    points *= 1.0 + 0.08 * np.sin(1.7 * points[:, :1]) * np.cos(1.3 * points[:, 1:2] + 0.4)
    return Surface(points, np.array(ball.faces, dtype=np.int32))


@pytest.fixture(scope="session")
def cup(pebble: Surface) -> Surface:
    """The upper part of the pebble: open below, as a scan of a crown is."""
    return submesh(pebble, pebble.vertices_mm[pebble.faces][:, :, 2].min(axis=1) > -3.0)


@pytest.fixture(scope="session")
def brick() -> Surface:
    """A box of 2 × 3 × 4 mm with its corner at (1, 1, 1)."""
    return Solid.box([1, 1, 1], [3, 4, 5]).surface()


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Callable[[], str]]:
    """Makes empty databases on a real PostgreSQL server of this run and gives their addresses; skips where none can start."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pgserver = pytest.importorskip("pgserver", reason="pgserver is not installed (no wheel for this machine)")
            # not pytest's folder, which nobody but this user may enter: the server gives root's rights up
            server = pgserver.get_server(tempfile.mkdtemp(prefix="kerfmark-pg-"), cleanup_mode="delete")
    except (OSError, RuntimeError, AssertionError) as why:
        pytest.skip(f"PostgreSQL could not be started here: {why}")

    def fresh() -> str:
        name = f"test_{secrets.token_hex(6)}"
        server.psql(f"CREATE DATABASE {name};")
        return str(server.get_uri(name))

    yield fresh
    server.cleanup()


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request, tmp_path) -> Iterator[Store]:
    """An empty store, once on each database."""
    address = tmp_path / "store" if request.param == "sqlite" else request.getfixturevalue("postgresql")()
    opened = open_store(address, tmp_path / "files")
    yield opened
    opened.close()
