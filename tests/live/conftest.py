"""A block in two layers, prepared, in a frame of its own."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.prepared import Prepared, prepare

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))


@pytest.fixture(scope="session")
def felt(tmp_path_factory, settings) -> Prepared:
    """5 × 5 mm and 3 mm deep, its top at the origin of the tooth frame, which is (10, 20, 30) with +z = +x of the files."""
    from motion_phantoms import write_two_layers

    folder = write_two_layers(
        tmp_path_factory.mktemp("felt"), [7.0, 17.5, 27.5], [10.0, 22.5, 32.5], enamel_mm=0.5, up=0
    )
    loaded = load_exercise(folder, limits=settings.limits, cache_dir=settings.cache_dir)
    return prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)
