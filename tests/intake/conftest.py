"""Surfaces to measure on: a bumpy closed one, an open one, a box."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.solids import Solid
from kerfmark.records import Surface


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
