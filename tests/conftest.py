"""What many tests share: settings with one cache for the whole run, the open data beside the checkout, surfaces to measure on."""

import os
import secrets
import shutil
import tempfile
import warnings
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from sqlalchemy import event

from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import save_exercise
from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Surface
from kerfmark.settings import Settings, read_settings
from kerfmark.storage import Store, open_store

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def settings(tmp_path_factory) -> Settings:
    """Settings whose cache all tests of a process share, so that each built-in exercise is made once.

    Not all processes: some tests damage what is kept there, to see it made anew.
    """
    kept = os.environ.get("KERFMARK_CACHE_DIR")
    cache = Path(kept) / os.environ.get("PYTEST_XDIST_WORKER", "") if kept else tmp_path_factory.mktemp("cache")
    return replace(read_settings(), cache_dir=cache)


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
def postgresql_server() -> Iterator[Any]:
    """A real PostgreSQL server for this run; tests that need it are skipped where none can start."""
    memory = Path("/dev/shm")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pgserver = pytest.importorskip("pgserver", reason="pgserver is not installed (no wheel for this machine)")
            # not pytest's folder, which nobody but this user may enter: the server gives root's rights up
            folder = tempfile.mkdtemp(prefix="kerfmark-pg-", dir=memory if os.access(memory, os.W_OK) else None)
            server = pgserver.get_server(folder, cleanup_mode="delete")
    except (OSError, RuntimeError, AssertionError) as why:
        pytest.skip(f"PostgreSQL could not be started here: {why}")
    for setting in ("fsync", "synchronous_commit", "full_page_writes"):  # nothing here has to outlast a power cut
        server.psql(f"ALTER SYSTEM SET {setting} = off;")
    server.psql("SELECT pg_reload_conf();")
    yield server
    server.cleanup()


@pytest.fixture(scope="session")
def migrated(tmp_path_factory, request) -> Callable[[str], Any]:
    """An empty store of each kind with its tables made, to be copied: the file of an SQLite one, the name of a PostgreSQL one."""
    made: dict[str, Any] = {}

    def of(kind: str) -> Any:
        if kind not in made and kind == "sqlite":
            folder = tmp_path_factory.mktemp("migrated")
            open_store(folder).close()
            made[kind] = folder / "kerfmark.db"
        elif kind not in made:
            server = request.getfixturevalue("postgresql_server")
            server.psql("CREATE DATABASE migrated;")
            open_store(server.get_uri("migrated"), tmp_path_factory.mktemp("files")).close()
            made[kind] = "migrated"
        return made[kind]

    return of


@pytest.fixture
def postgresql(postgresql_server, migrated) -> Iterator[Callable[[], str]]:
    """Makes empty stores' databases and gives their addresses; they go when the test ends."""
    names: list[str] = []

    def fresh() -> str:
        names.append(f"test_{secrets.token_hex(6)}")
        postgresql_server.psql(f"CREATE DATABASE {names[-1]} TEMPLATE {migrated('postgresql')} STRATEGY FILE_COPY;")
        return str(postgresql_server.get_uri(names[-1]))

    yield fresh
    for name in names:
        postgresql_server.psql(f"DROP DATABASE {name} WITH (FORCE);")


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request, tmp_path, migrated) -> Iterator[Store]:
    """An empty store, once on each database."""
    if request.param == "sqlite":
        address = str(tmp_path / "store")
        (tmp_path / "store").mkdir()
        shutil.copy(migrated("sqlite"), tmp_path / "store" / "kerfmark.db")
    else:
        address = request.getfixturevalue("postgresql")()
    opened = open_store(address, tmp_path / "files")
    if request.param == "sqlite":
        event.listen(opened.engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous=OFF"))
        opened.engine.dispose()
    yield opened
    opened.close()


BED_CRITERIA = (
    {
        "reading": "block.floor_depth_mm",
        "limits": [1.9, 2.1],
        "weight": 2.0,
        "ask": "Is the bed 2 mm deep?",
        "source": "teaching practice",
    },
    {"reading": "block.floor_flatness_um", "limits": [float("-inf"), 200.0]},
    {"reading": "block.overcut_mm3", "where": "all", "limits": [float("-inf"), 0.5]},
    {"reading": "block.target_cleared", "limits": [0.9, float("inf")]},
    {"reading": "block.outline_overlap", "limits": [0.8, float("inf")], "weight": 1.5, "critical": True},
)


@pytest.fixture(scope="session")
def small_exercise(tmp_path_factory) -> Path:
    """A block of 12 × 10 × 6 mm in which a bed of 4 × 3 × 2 mm is to be cut."""
    block = Solid.box([-6.0, -5.0, -6.0], [6.0, 5.0, 0.0])
    bed = difference(block, Solid.box([-2.0, -1.5, -2.0], [2.0, 1.5, 1.0]))
    table = {
        "format": 1, "id": "small-bed", "title": "A bed in a small block", "family": "block", "subject": {"surface": "subject.ply"},
        "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "-x"},
        "target": {"surface": "target.ply"}, "criteria": BED_CRITERIA, "pass": {"minimum_percent": 60.0},
    }  # fmt: skip
    folder = tmp_path_factory.mktemp("exercises") / "small-bed"
    assets = {"subject.ply": ply_bytes(block.surface()), "target.ply": ply_bytes(bed.surface())}
    save_exercise(folder, as_exercise(table), assets)
    return folder
