"""A block in two layers, prepared, in a frame of its own."""

from __future__ import annotations

import pytest

from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.prepared import Prepared, prepare
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.geometry.solids import Solid

EXERCISE = """
format = 1
id = "felt"
title = "Block in two layers"
family = "block"
instruction = "Cut."
[subject]
surface = "block.stl"
layers = { enamel = "upper.stl", dentine = "lower.stl" }
[frame]
origin = [10.0, 20.0, 30.0]
occlusal = [1.0, 0.0, 0.0]
facial = [0.0, 1.0, 0.0]
mesial = "-x"
[target]
clear = "enamel"
[source]
kind = "motion"
[[criteria]]
reading = "surface.removed_mm3"
where = "all"
limits = [0.0, 5.0]
"""


@pytest.fixture(scope="session")
def felt(tmp_path_factory, settings) -> Prepared:
    """5 × 5 mm and 3 mm deep, its top at the origin of the tooth frame, which is (10, 20, 30) with +z = +x of the files."""
    folder = tmp_path_factory.mktemp("felt")
    (folder / "exercise.toml").write_text(EXERCISE, encoding="utf-8")
    for name, low, high in (("block", 7.0, 10.0), ("upper", 9.5, 10.0), ("lower", 7.0, 9.5)):
        write_surface(folder / f"{name}.stl", Solid.box([low, 17.5, 27.5], [high, 22.5, 32.5]).surface())
    loaded = load_exercise(folder, limits=settings.limits, cache_dir=settings.cache_dir)
    return prepare(loaded, cache_dir=settings.cache_dir, limits=settings.limits)
