"""Subjects to register on: real scanned crowns with a simulated cut, and blocks; with what an exercise would say of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm, face_areas_mm2, face_normals, joined, submesh, transformed
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import FloatArray, Surface

CROWNS = Path(__file__).parents[3] / "shared" / "data" / "scanned-crowns-mit" / "case0_fdi"
MARGIN_MM = 2.5
"""Height above the base of the scanned crowns at which the simulated preparations end."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """An exercise and the surfaces a learner may hand in for it, all in the tooth frame."""

    prepared: Prepared
    uncut: Surface
    flattened: Surface
    prepared_stump: Surface


def points_on(surface: Surface, count: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Random points, even by area, with the normals of their faces."""
    areas = face_areas_mm2(surface)
    face = rng.choice(len(areas), size=count, p=areas / areas.sum())
    u, v = rng.random((2, count, 1))
    turned = u + v > 1.0
    u, v = np.where(turned, 1.0 - u, u), np.where(turned, 1.0 - v, v)
    a, b, c = (surface.vertices_mm[surface.faces[face, k]] for k in range(3))
    return a + u * (b - a) + v * (c - a), face_normals(surface)[face]


def prepared_for(
    subject: Surface, *, envelope: Surface, neighbours: dict[str, Surface] | None = None, target: Surface | None = None
) -> Prepared:
    """What registration reads of an exercise, made by the definitions in `Prepared`; the exercise itself is left out."""
    neighbours = neighbours or {}
    rng = np.random.default_rng(7)
    everything = joined([subject, *neighbours.values()])
    inside = distance_grid(envelope, spacing_mm=0.1, band_mm=0.3)
    points, normals = points_on(subject, 40_000, rng)
    from kerfmark.geometry.grids import sample

    keep = (sample(inside, points) > 0.1) & (normals[:, 2] > -0.7)
    fixed, outward = [points[keep][:12_000]], [normals[keep][:12_000]]
    for body in neighbours.values():
        places, directions = points_on(body, 4_000, rng)
        seen = directions[:, 2] > -0.7
        fixed.append(places[seen])
        outward.append(directions[seen])
    unused: Any = None
    return Prepared(
        exercise=unused,
        version="sha256:stand-in",
        frame=np.eye(4),
        mesial_sign=1,
        subject=subject,
        subject_grid=distance_grid(subject, spacing_mm=0.1, band_mm=0.6),
        search_grid=distance_grid(everything, spacing_mm=0.35, band_mm=3.0),
        target=target,
        target_grid=None if target is None else distance_grid(target, spacing_mm=0.1, band_mm=0.6),
        fixed_points=np.concatenate(fixed),
        fixed_normals=np.concatenate(outward),
        surface_points=points[:8_000],
        surface_normals=-normals[:8_000],
        neighbours=neighbours,
        neighbour_grids={side: distance_grid(body, spacing_mm=0.1, band_mm=0.3) for side, body in neighbours.items()},
        envelope=envelope,
    )


def crown(fdi: int) -> Surface:
    """A scanned crown, upright on z = 0, from the open data (its axis is y there)."""
    file = CROWNS / f"fdi{fdi}.obj"
    if not file.exists():
        pytest.skip(f"open data {file.name} is not beside this checkout (see tests/registration/conftest.py)")
    import trimesh

    mesh = trimesh.load(file, process=True)
    upright = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    if fdi < 30:
        upright = np.diag([1.0, -1.0, -1.0]) @ upright
    points = np.asarray(mesh.vertices) @ upright.T
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    return Surface(points - [middle[0], middle[1], points[:, 2].min()], np.asarray(mesh.faces, dtype=np.int32))


def room_above(subject: Surface, height_mm: float) -> Solid:
    """Everything above a height, and some way round."""
    low, high = bounds_mm(subject)
    return Solid.box([low[0] - 2.0, low[1] - 2.0, height_mm], [high[0] + 2.0, high[1] + 2.0, high[2] + 2.0])


def reduced(subject: Surface) -> Surface:
    """A preparation: a core 1.2 mm beneath the surface and 1.8 mm lower, on a shoulder at `MARGIN_MM`."""
    whole = Solid.from_surface(subject)
    shrunk = surface_of(distance_grid(subject, spacing_mm=0.2, band_mm=2.0), -1.2)
    core = intersection(Solid.from_surface(shrunk).moved([0.0, 0.0, -0.6]), whole)
    return union(difference(whole, room_above(subject, MARGIN_MM)), core).surface()


def crown_case(fdi: int) -> Case:
    """A full-crown exercise on a real crown: everything above the margin may be cut."""
    subject = crown(fdi)
    prepared = prepared_for(subject, envelope=room_above(subject, MARGIN_MM).surface())
    half = 0.5 * float(bounds_mm(subject)[1, 2])
    flattened = difference(Solid.from_surface(subject), room_above(subject, half)).surface()
    return Case(prepared, subject, flattened, reduced(subject))


def mirrored(surface: Surface) -> Surface:
    """The mirror image in x, faces outward."""
    return Surface(surface.vertices_mm * [-1.0, 1.0, 1.0], np.ascontiguousarray(surface.faces[:, ::-1]))


def seen_from_above(surface: Surface) -> Surface:
    """Without what faces down, as a scanner sees it."""
    return submesh(surface, face_normals(surface)[:, 2] > -0.7)


def errors(matrix: FloatArray, pose: FloatArray, *, middle_mm: FloatArray) -> tuple[float, float]:
    """What is left after aligning a piece that was moved by `pose`: degrees, and µm at `middle_mm`."""
    left = matrix @ pose
    turned = np.degrees(np.arccos(np.clip(0.5 * (np.trace(left[:3, :3]) - 1.0), -1.0, 1.0)))
    return float(turned), float(1000.0 * np.linalg.norm(left[:3, :3] @ middle_mm + left[:3, 3] - middle_mm))


@pytest.fixture(scope="session")
def molar() -> Case:
    """Lower right first molar, real scanned crown."""
    return crown_case(46)


@pytest.fixture(scope="session")
def incisor() -> Case:
    """Upper right central incisor, real scanned crown."""
    return crown_case(11)


@pytest.fixture(scope="session")
def make_case() -> Callable[[int], Case]:
    """A case for any crown of the open data."""
    return crown_case


@pytest.fixture
def rng() -> np.random.Generator:
    """The same numbers in every run."""
    return np.random.default_rng(20)


@pytest.fixture(scope="session")
def tools() -> Any:
    """The functions above, for tests that make their own subjects."""
    from types import SimpleNamespace

    return SimpleNamespace(
        crown=crown,
        errors=errors,
        mirrored=mirrored,
        points_on=points_on,
        prepared_for=prepared_for,
        random_pose=random_pose,
        reduced=reduced,
        replace=replace,
        room_above=room_above,
        scanned=scanned,
        seen_from_above=seen_from_above,
        transformed=transformed,
    )
