"""What must be removed and what must stay, as points and a distance field on one lattice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.preparing.sampling import sampled
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.records import FloatArray, Surface

__all__ = ["Task", "task_of"]

LEAST_SPACING_MM, MOST_SPACING_MM = 0.12, 0.4
PLACES = 30_000
ROOM_MM = 1.5
LEAST_DEPTH_MM = 0.02
SKIN_MM, SKIN_DEPTH_MM = 0.12, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """A shape to be cut, on a lattice: point (i, j, k) is `origin_mm + spacing_mm * (i, j, k)`.

    Attributes
    ----------
    origin_mm : (3,) float array
    spacing_mm : float
    points_mm : (m, 3) float array
        Points of what must be removed, inside it and on its skin towards what stays.
    volumes_mm3 : (m,) float array
        What each point stands for; 0 on the skin.
    keep : 3-D float32 array
        Signed distance to what must stay of the piece, negative inside.
    neighbours : 3-D float32 array
        The same to the neighbours; + far where there are none.
    far_mm : float
        The fields are exact up to this distance.
    what : str
        What is to be made, in words.
    """

    origin_mm: FloatArray
    spacing_mm: float
    points_mm: FloatArray
    volumes_mm3: FloatArray
    keep: NDArray[np.float32]
    neighbours: NDArray[np.float32]
    far_mm: float
    what: str

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
        return _clear_layer(prepared, prepared.layers[clear], clear, far_mm=far_mm)
    return None


def _towards_target(prepared: Prepared, target: Surface, *, far_mm: float) -> Task | None:
    """All of the subject that is not in the target."""
    removed = _inside_box(prepared, _voxels(prepared))
    if removed is None:
        return None
    origin, spacing, shape = _lattice(*removed)
    field = _field([target], origin, spacing, shape, far_mm)
    depth = np.minimum(-_coarse(prepared.subject_grid, origin, spacing, shape), field)
    points, volumes = _inner(depth > LEAST_DEPTH_MM, origin, spacing)
    skin, _ = sampled(target, spacing_mm=SKIN_MM, most=60_000)
    skin = skin[sample(prepared.subject_grid, skin) < -SKIN_DEPTH_MM]
    points, volumes = np.vstack([points, skin]), np.append(volumes, np.zeros(len(skin)))
    if len(points) == 0:
        return None
    others = _field(list(prepared.neighbours.values()), origin, spacing, shape, far_mm)
    return Task(origin, spacing, points, volumes, field, others, far_mm, "the target")


def _inner(marked: NDArray[np.bool_], origin: FloatArray, spacing: float) -> tuple[FloatArray, FloatArray]:
    """The marked lattice points and the volume each stands for."""
    where = np.argwhere(marked)
    return origin + spacing * where, np.full(len(where), spacing**3)


def _voxels(prepared: Prepared) -> NDArray[np.bool_]:
    """Voxels of the subject's own grid that lie in the subject and not in the target."""
    subject, target = prepared.subject_grid, prepared.target_grid
    if target is not None and target.values.shape == subject.values.shape:
        values = target.values
    else:
        values = np.full(subject.values.shape, np.inf, dtype=np.float32)
    return np.asarray((subject.values < -LEAST_DEPTH_MM) & (values > LEAST_DEPTH_MM))


def _inside_box(prepared: Prepared, voxels: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, float] | None:
    """Bounds and volume of the marked voxels."""
    where = np.argwhere(voxels)
    if len(where) == 0:
        return None
    grid = prepared.subject_grid
    low, high = (
        grid.origin_mm + grid.spacing_mm * where.min(axis=0),
        grid.origin_mm + grid.spacing_mm * where.max(axis=0),
    )
    return low, high, len(where) * grid.spacing_mm**3


def _lattice(low: FloatArray, high: FloatArray, volume_mm3: float) -> tuple[FloatArray, float, tuple[int, int, int]]:
    """A lattice round what is to be removed, with room for a tip beside it, of about `PLACES` points inside."""
    spacing = float(np.clip((volume_mm3 / PLACES) ** (1 / 3), LEAST_SPACING_MM, MOST_SPACING_MM))
    origin = low - ROOM_MM
    nx, ny, nz = np.ceil((high + ROOM_MM - origin) / spacing).astype(int) + 1
    return origin, spacing, (int(nx), int(ny), int(nz))


def _points(origin: FloatArray, spacing: float, shape: tuple[int, int, int]) -> FloatArray:
    axes = [origin[axis] + spacing * np.arange(shape[axis]) for axis in range(3)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _coarse(grid: object, origin: FloatArray, spacing: float, shape: tuple[int, int, int]) -> NDArray[np.float32]:
    """A grid read at the lattice's points."""
    values: NDArray[np.float32] = sample(grid, _points(origin, spacing, shape)).reshape(shape).astype(np.float32)  # type: ignore[arg-type]
    return values


def _field(
    surfaces: Sequence[Surface], origin: FloatArray, spacing: float, shape: tuple[int, int, int], far_mm: float
) -> NDArray[np.float32]:
    """Signed distance to all surfaces together on the lattice, + far where none is near."""
    field = np.full(shape, far_mm, dtype=np.float32)
    high = origin + spacing * (np.array(shape) - 1)
    for surface in surfaces:
        low_mm, high_mm = bounds_mm(surface)
        if (low_mm > high + far_mm).any() or (high_mm < origin - far_mm).any():
            continue
        grid = distance_grid(surface, spacing_mm=spacing, band_mm=far_mm, bounds_mm=np.array([origin, high]))
        nx, ny, nz = (min(a, b) for a, b in zip(shape, grid.values.shape, strict=True))
        field[:nx, :ny, :nz] = np.minimum(field[:nx, :ny, :nz], grid.values[:nx, :ny, :nz])
    return field


def _clear_layer(prepared: Prepared, layer: Surface, name: str, *, far_mm: float) -> Task | None:
    """A layer to be cleared: what may be cut is the envelope, else the layer and what stands over it."""
    low, high = bounds_mm(layer)
    grid = prepared.layer_grids[name]
    volume = float((grid.values < 0).sum()) * grid.spacing_mm**3
    top = bounds_mm(prepared.subject)[1, 2] if prepared.subject is not None else high[2]
    origin, spacing, shape = _lattice(low, np.array([high[0], high[1], max(high[2], top)]), volume)
    body = _coarse(prepared.subject_grid, origin, spacing, shape)
    inside = _coarse(grid, origin, spacing, shape)
    points, volumes = _inner((inside < -LEAST_DEPTH_MM) & (body < 0), origin, spacing)
    if len(points) == 0:
        return None
    if prepared.envelope is not None:
        allowed = _field([prepared.envelope], origin, spacing, shape, far_mm)
        keep = _deep(np.maximum(body, -allowed) < 0, spacing, far_mm)
    else:
        over = np.maximum.accumulate(inside < 0, axis=2)
        keep = _deep((body < 0) & ~over, spacing, far_mm)
    others = _field(list(prepared.neighbours.values()), origin, spacing, shape, far_mm)
    return Task(origin, spacing, points, volumes, keep, others, far_mm, f"the layer {name}")


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
