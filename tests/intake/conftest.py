"""A bumpy closed surface about 10 mm across, and the bounds of it as a subject."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kerfmark.records import Surface


@pytest.fixture(scope="session")
def pebble() -> Surface:
    """Closed, bumpy, 5120 faces, the size of a crown with some root."""
    ball = trimesh.creation.icosphere(4, 5.0)
    points = np.array(ball.vertices) * [1.0, 0.9, 1.6]
    points *= 1.0 + 0.08 * np.sin(1.7 * points[:, :1]) * np.cos(1.3 * points[:, 1:2] + 0.4)
    return Surface(points, np.array(ball.faces, dtype=np.int32))
