"""An exercise of a block with two instruments; the helpers beside this file can be imported."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from kerfmark.exercise.definition import Exercise, as_exercise

sys.path.insert(0, str(Path(__file__).parent))

BLOCK = {
    "format": 1,
    "id": "slab",
    "title": "A slab",
    "family": "block",
    "subject": {"surface": "subject.stl"},
    "frame": {"origin": [1.0, 2.0, 3.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "+x"},
    "target": {"surface": "target.stl"},
    "permitted": {"instruments": ["round 1.0", "straight fissure 1.0"]},
    "criteria": [{"reading": "block.floor_depth_mm", "limits": [1.0, 2.0]}],
}


@pytest.fixture(scope="session")
def slab() -> Exercise:
    """Its tooth frame is the files' frame moved by (−1, −2, −3)."""
    return as_exercise(BLOCK)
