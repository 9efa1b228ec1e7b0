"""What must be removed and what must stay: points on a lattice, and distance fields twice as fine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.preparing.sampling import sampled
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["Lattice", "Task", "task_of"]

LEAST_SPACING_MM, MOST_SPACING_MM = 0.12, 0.4
PLACES = 30_000
FINER = 2
ROOM_MM = 1.5
LEAST_DEPTH_MM = 0.02
SKIN_MM, SKIN_DEPTH_MM = 0.12, 0.1
PULP_SKIN_MM = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """Points (i, j, k) at `origin_mm + spacing_mm * (i, j, k)`."""

    origin_mm: FloatArray
    spacing_mm: float
    shape: tuple[int, int, int]

    def finer(self) -> Lattice:
        """The same box with `FINER` times as many steps; every point of this one is a point of that."""
        x, y, z = ((count - 1) * FINER + 1 for count in self.shape)
        return Lattice(self.origin_mm, self.spacing_mm / FINER, (x, y, z))

    def points_mm(self, marked: NDArray[np.bool_] | None = None) -> FloatArray:
        """All points, or the marked ones, (n, 3) mm."""
        where = np.argwhere(np.ones(self.shape, dtype=bool) if marked is None else marked)
        return self.origin_mm + self.spacing_mm * where


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """A shape to be cut.

    Attributes
    ----------
    lattice : Lattice
        Where a tip may stand.
    points_mm : (m, 3) float array
        Points of what must be removed, inside it and on its skin towards what stays.
    volumes_mm3 : (m,) float array
        What each point stands for; 0 on the skin.
    keep : 3-D float32 array
        Signed distance to what must stay of the piece, negative inside, on the finer lattice.
    neighbours : 3-D float32 array
        The same to the neighbours; + far where there are none.
    far_mm : float
        The fields are exact up to this distance.
    what : str
        What is to be made, in words.
    axis : (3,) float array or None
        The one way a tool stands, tip to handle, where it goes in along its own axis; None where it may stand any way.
    """

    lattice: Lattice
    points_mm: FloatArray
    volumes_mm3: FloatArray
    keep: NDArray[np.float32]
    neighbours: NDArray[np.float32]
    far_mm: float
    what: str
    axis: FloatArray | None = None

    def only(self, chosen: NDArray[np.bool_]) -> Task:
        """The same task with the chosen points alone."""
        return replace(self, points_mm=self.points_mm[chosen], volumes_mm3=self.volumes_mm3[chosen])


def task_of(prepared: Prepared, *, far_mm: float) -> Task | None:
    """The exercise's shape as a task; None where it says nothing of a shape.

    Parameters
    ----------
    prepared : Prepared
    far_mm : float
        More than the largest radius of any tool.
    """
    if prepared.subject is None:
        return None
    if prepared.target is not None:
        return _towards_target(prepared, prepared.target, far_mm=far_mm)
    clear = prepared.exercise.target.clear
    if clear is not None and clear in prepared.layers:
        return _clear_layer(prepared, prepared.subject, clear, far_mm=far_mm)
    return None


def _towards_target(prepared: Prepared, target: Surface, *, far_mm: float) -> Task | None:
    """All of the subject that is not in the target."""
    removed = _voxels(prepared)
    if not removed.any():
        return None
    grid = prepared.subject_grid
    where = np.argwhere(removed)
    low, high = (grid.origin_mm + grid.spacing_mm * edge for edge in (where.min(axis=0), where.max(axis=0)))
    lattice = _lattice(low, high, len(where) * grid.spacing_mm**3)
    keep = _field([target], lattice.finer(), far_mm)
    depth = np.minimum(-_read(grid, lattice), keep[::FINER, ::FINER, ::FINER])
    inner = lattice.points_mm(depth > LEAST_DEPTH_MM)
    skin, _ = sampled(target, spacing_mm=SKIN_MM, most=60_000)
    skin = skin[sample(grid, skin) < -SKIN_DEPTH_MM]
    inner, skin = _not_pulp(prepared, inner), _not_pulp(prepared, skin)
    volumes = np.append(np.full(len(inner), lattice.spacing_mm**3), np.zeros(len(skin)))
    others = _field(list(prepared.neighbours.values()), lattice.finer(), far_mm)
    return Task(lattice, np.vstack([inner, skin]), volumes, keep, others, far_mm, "the target", _bed_axis(prepared))


def _bed_axis(prepared: Prepared) -> FloatArray | None:
    """Out of a planned bed: a drill goes in along it and no other way."""
    if prepared.implant is None:
        return None
    out = prepared.implant[0] - prepared.implant[1]
    return np.asarray(out / np.linalg.norm(out))


def _not_pulp(prepared: Prepared, points: FloatArray) -> FloatArray:
    """Of an access the points outside the pulp: emptying the chamber takes no bur."""
    pulp = prepared.layer_grids.get("pulp")
    if prepared.exercise.family != "access" or pulp is None:
        return points
    kept: FloatArray = points[sample(pulp, points) > PULP_SKIN_MM]
    return kept


def _voxels(prepared: Prepared) -> NDArray[np.bool_]:
    """Voxels of the subject's own grid, which the target shares, that lie in the subject and not in the target."""
    subject, target = prepared.subject_grid, prepared.target_grid
    outside = np.ones(subject.values.shape, dtype=bool) if target is None else target.values > LEAST_DEPTH_MM
    return np.asarray((subject.values < -LEAST_DEPTH_MM) & outside)


def _lattice(low: FloatArray, high: FloatArray, volume_mm3: float) -> Lattice:
    """A lattice round what is to be removed, with room for a tip beside it, of about `PLACES` points inside."""
    spacing = float(np.clip((volume_mm3 / PLACES) ** (1 / 3), LEAST_SPACING_MM, MOST_SPACING_MM))
    origin = low - ROOM_MM
    nx, ny, nz = np.ceil((high + ROOM_MM - origin) / spacing).astype(int) + 1
    return Lattice(origin, spacing, (int(nx), int(ny), int(nz)))


def _read(grid: Grid, lattice: Lattice) -> NDArray[np.float32]:
    """A grid read at a lattice's points."""
    values: NDArray[np.float32] = sample(grid, lattice.points_mm()).reshape(lattice.shape).astype(np.float32)
    return values


def _field(surfaces: Sequence[Surface], lattice: Lattice, far_mm: float) -> NDArray[np.float32]:
    """Signed distance to all surfaces together on the lattice, + far where none is near."""
    field = np.full(lattice.shape, far_mm, dtype=np.float32)
    low = lattice.origin_mm
    high = low + lattice.spacing_mm * (np.array(lattice.shape) - 1)
    for surface in surfaces:
        bottom, top = bounds_mm(surface)
        if (bottom > high + far_mm).any() or (top < low - far_mm).any():
            continue
        box = np.array([low, high])
        values = distance_grid(surface, spacing_mm=lattice.spacing_mm, band_mm=far_mm, bounds_mm=box).values
        nx, ny, nz = (min(a, b) for a, b in zip(lattice.shape, values.shape, strict=True))
        field[:nx, :ny, :nz] = np.minimum(field[:nx, :ny, :nz], values[:nx, :ny, :nz])
    return field


def _clear_layer(prepared: Prepared, subject: Surface, name: str, *, far_mm: float) -> Task | None:
    """A layer to be cleared: what may be cut is the envelope, else the layer and what stands over it."""
    grid = prepared.layer_grids[name]
    low, high = bounds_mm(prepared.layers[name])
    high[2] = max(high[2], bounds_mm(subject)[1, 2])
    lattice = _lattice(low, high, float((grid.values < 0).sum()) * grid.spacing_mm**3)
    fine = lattice.finer()
    body, layer = _read(prepared.subject_grid, fine), _read(grid, fine)
    wanted = ((layer < -LEAST_DEPTH_MM) & (body < 0))[::FINER, ::FINER, ::FINER]
    if not wanted.any():
        return None
    if prepared.envelope is not None:
        stays = (body < 0) & (_field([prepared.envelope], fine, far_mm) > 0)
    else:
        stays = (body < 0) & ~np.maximum.accumulate(layer < 0, axis=2)
    points = lattice.points_mm(wanted)
    volumes = np.full(len(points), lattice.spacing_mm**3)
    others = _field(list(prepared.neighbours.values()), fine, far_mm)
    return Task(lattice, points, volumes, _deep(stays, fine.spacing_mm, far_mm), others, far_mm, f"the layer {name}")


def _deep(solid: NDArray[np.bool_], spacing: float, far_mm: float) -> NDArray[np.float32]:
    """Signed distance of a solid known only as lattice points in or out; its skin lies half a step outside them."""
    from scipy.ndimage import distance_transform_edt

    if not solid.any():
        return np.full(solid.shape, far_mm, dtype=np.float32)
    outside = distance_transform_edt(~solid, sampling=spacing)
    inside = distance_transform_edt(solid, sampling=spacing)
    distance = np.where(solid, 0.5 * spacing - inside, outside - 0.5 * spacing)
    clipped: NDArray[np.float32] = np.clip(distance, -far_mm, far_mm).astype(np.float32)
    return clipped
