"""Small exercises of plain solids, made afresh for each test."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest
import trimesh

CROWN: dict[str, Any] = {
    "format": 1,
    "id": "stump",
    "title": "A stump out of a cylinder",
    "family": "crown",
    "tooth": 46,
    "subject": {"surface": "subject.stl"},
    "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "-x"},
    "target": {"surface": "target.stl"},
    "permitted": {"instruments": ["shoulder diamond 1.0 to 1.4"]},
    "sites": [{"name": "top", "role": "functional_cusp", "point": [1.0, 0.5, 6.0]}],
    "criteria": [
        {"reading": "crown.taper_deg", "where": "buccal", "limits": [2.0, 10.0]},
        {"reading": "crown.occlusal_reduction_mm", "where": "top", "stat": "p05", "limits": [1.5, float("inf")]},
    ],
}
"""A valid exercise as its file would be parsed."""


def as_stl(mesh: trimesh.Trimesh) -> bytes:
    data = mesh.export(file_type="stl")
    assert isinstance(data, bytes)
    return data


def cylinder(radius_mm: float, bottom_mm: float, top_mm: float) -> trimesh.Trimesh:
    mesh = trimesh.creation.cylinder(radius=radius_mm, height=top_mm - bottom_mm, sections=96)
    mesh.apply_translation([0.0, 0.0, 0.5 * (bottom_mm + top_mm)])
    return mesh


def stump() -> trimesh.Trimesh:
    """A cylinder of radius 5 below a shoulder at height 1, and a cone from radius 4 to 3.65 up to height 4.5 above it."""
    profile = np.array([[0.0, -4.0], [5.0, -4.0], [5.0, 1.0], [4.0, 1.0], [3.65, 4.5], [0.0, 4.5]])
    return trimesh.creation.revolve(profile, sections=96)


@pytest.fixture
def crown_table() -> dict[str, Any]:
    return copy.deepcopy(CROWN)


@pytest.fixture(scope="session")
def crown_assets() -> dict[str, bytes]:
    """The cylinder before cutting, radius 5 from height -4 to 6, and its stump."""
    return {"subject.stl": as_stl(cylinder(5.0, -4.0, 6.0)), "target.stl": as_stl(stump())}
