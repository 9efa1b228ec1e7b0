"""Columns through the exercise's own surfaces, over what is planned to go: no piece changes them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.preparing.surfaces import Surfaces
from kerfmark.geometry.columns import Crossings, Lattice, crossings, lattice_over
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import FloatArray, Grid

__all__ = ["as_arrays", "columns_of", "from_arrays"]

MARGIN_MM = 1.0
"""How far past the plan a learner's cut may go before its columns are worked out piece by piece."""
DEEP_MM = 0.05


def columns_of(
    exercise: Exercise, surfaces: Surfaces, *, subject_grid: Grid
) -> tuple[Lattice, dict[str, Crossings]] | None:
    """A lattice over what is planned to go with a margin, and its columns through subject, target and layers.

    None where nothing says what is to go. Names: `subject`, `target`, `layer.<index>`.
    """
    box = _planned(exercise, surfaces, subject_grid)
    if box is None:
        return None
    lattice = lattice_over(np.array([box[0] - MARGIN_MM, box[1] + MARGIN_MM]))
    found = {"subject": crossings(surfaces.subject, lattice)}
    if surfaces.target is not None:
        found["target"] = crossings(surfaces.target, lattice)
    found |= {f"layer.{n}": crossings(layer, lattice) for n, layer in enumerate(surfaces.layers.values())}
    return lattice, found


def _planned(exercise: Exercise, surfaces: Surfaces, subject_grid: Grid) -> FloatArray | None:
    if surfaces.target is not None:
        points = surfaces.target.vertices_mm
        deep = points[sample(subject_grid, points) < -DEEP_MM]
        return np.array([deep.min(axis=0), deep.max(axis=0)]) if len(deep) else None
    clear = exercise.target.clear
    return bounds_mm(surfaces.layers[clear]) if clear is not None and clear in surfaces.layers else None


def as_arrays(lattice: Lattice, columns: Mapping[str, Crossings]) -> dict[str, Any]:
    """What is kept on disk."""
    arrays: dict[str, Any] = {
        "lattice": np.concatenate([lattice.origin, [lattice.spacing_mm, lattice.nx, lattice.ny], lattice.turn.ravel()])
    }
    for name, found in columns.items():
        arrays |= {
            f"columns.{name}.starts": found.starts,
            f"columns.{name}.heights": found.heights,
            f"columns.{name}.upward": found.upward,
        }
    return arrays


def from_arrays(arrays: Mapping[str, Any]) -> tuple[Lattice | None, dict[str, Crossings]]:
    """From what was kept; none where nothing was."""
    if "lattice" not in arrays:
        return None, {}
    kept = np.array(arrays["lattice"])
    lattice = Lattice(kept[5:].reshape(3, 3), kept[:2], float(kept[2]), int(kept[3]), int(kept[4]))
    names = [
        key[len("columns.") : -len(".starts")]
        for key in arrays
        if key.startswith("columns.") and key.endswith(".starts")
    ]
    return lattice, {
        name: Crossings(*(arrays[f"columns.{name}.{part}"] for part in ("starts", "heights", "upward")))
        for name in names
    }
