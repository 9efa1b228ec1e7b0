"""What many tests share: settings with one cache for the whole run, the open data beside the checkout, surfaces to measure on."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh

from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface
from kerfmark.settings import Settings, read_settings

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
