"""Points laid into a signed-distance grid: from where they might lie, to where they fit, from many starts at once.

A pose is a row of twelve numbers: the rotation's nine, row by row, then the shift. Outside the grid's box the distance is that of
the nearest place in the box plus the way there, so a start that lies beside the grid is still drawn to it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop
from kerfmark.kernels.distance import trilinear
from kerfmark.kernels.solving import solve_positive
from kerfmark.records import FloatArray, IntArray

__all__ = [
    "best_shifts",
    "distinct_poses",
    "flag_inside",
    "flag_near",
    "refine_poses",
    "signed_distances",
    "stamp_distances",
]


@loop
def _distance(
    values: NDArray[np.float32], origin: FloatArray, spacing: float, x: float, y: float, z: float
) -> tuple[float, float, float, float]:
    """Trilinear value and gradient at a point; beyond the box, the way to the box is added."""
    nx, ny, nz = values.shape
    u, v, w = (x - origin[0]) / spacing, (y - origin[1]) / spacing, (z - origin[2]) / spacing
    cu, cv, cw = min(max(u, 0.0), nx - 1.0), min(max(v, 0.0), ny - 1.0), min(max(w, 0.0), nz - 1.0)
    distance, gx, gy, gz = trilinear(values, cu, cv, cw)
    gx, gy, gz = gx / spacing, gy / spacing, gz / spacing
    ex, ey, ez = (u - cu) * spacing, (v - cv) * spacing, (w - cw) * spacing
    away = np.sqrt(ex * ex + ey * ey + ez * ez)
    if away > 0.0:
        distance += away
        gx, gy, gz = ex / away, ey / away, ez / away
    return distance, gx, gy, gz


@loop
def signed_distances(
    points: FloatArray, values: NDArray[np.float32], origin: FloatArray, spacing: float
) -> tuple[FloatArray, FloatArray]:
    """Value and gradient of the grid at each point."""
    n = points.shape[0]
    distance, gradient = np.empty(n), np.empty((n, 3))
    for p in range(n):
        distance[p], gradient[p, 0], gradient[p, 1], gradient[p, 2] = _distance(
            values, origin, spacing, points[p, 0], points[p, 1], points[p, 2]
        )
    return distance, gradient


@loop
def _nearest_voxel(
    values: NDArray[np.float32],
    fixed: NDArray[np.uint8],
    origin: FloatArray,
    spacing: float,
    x: float,
    y: float,
    z: float,
) -> tuple[float, int]:
    """Value and flag of the nearest voxel; beyond the box, the way to the box is added."""
    u, v, w = (x - origin[0]) / spacing, (y - origin[1]) / spacing, (z - origin[2]) / spacing
    cu = min(max(u, 0.0), values.shape[0] - 1.0)
    cv = min(max(v, 0.0), values.shape[1] - 1.0)
    cw = min(max(w, 0.0), values.shape[2] - 1.0)
    away = abs(u - cu) + abs(v - cv) + abs(w - cw)
    i, j, k = int(cu + 0.5), int(cv + 0.5), int(cw + 0.5)
    return float(values[i, j, k]) + away * spacing, fixed[i, j, k]


@loop
def _penalty(distance: float, flag: int, rule: FloatArray) -> float:
    """Truncated square: 0 on a surface that is not cut, 1 outside, and inside where nothing may be cut; between, `rule`."""
    least = 0.0 if flag & 1 else rule[2]
    if distance > 0.0:
        return max(least, min(1.0, (distance / rule[1]) ** 2))
    most = rule[3] if flag & 2 else 1.0
    return least + (most - least) * min(1.0, (distance / rule[0]) ** 2)


@loop
def best_shifts(
    points: FloatArray,
    rotations: FloatArray,
    shifts: FloatArray,
    values: NDArray[np.float32],
    fixed: NDArray[np.uint8],
    origin: FloatArray,
    spacing: float,
    rule: FloatArray,
    keep: int,
) -> tuple[FloatArray, FloatArray]:
    """For each rotation (r, 9) the `keep` best of its shifts (r, s, 3): poses (r · keep, 12) and their penalties.

    Points beyond the grid are judged as at its nearest voxel; the grid reaches past where the penalty is full.
    """
    nx, ny, nz = values.shape
    penalty = np.empty((nx, ny, nz), np.float32)
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                penalty[i, j, k] = _penalty(float(values[i, j, k]), fixed[i, j, k], rule)
    scale = 1.0 / spacing
    poses, costs = np.empty((rotations.shape[0] * keep, 12)), np.full(rotations.shape[0] * keep, np.inf)
    turned = np.empty_like(points)
    for r in range(rotations.shape[0]):
        for p in range(points.shape[0]):
            for c in range(3):
                turned[p, c] = (
                    rotations[r, 3 * c] * points[p, 0]
                    + rotations[r, 3 * c + 1] * points[p, 1]
                    + rotations[r, 3 * c + 2] * points[p, 2]
                )
        first = r * keep
        for s in range(shifts.shape[1]):
            tx, ty, tz = shifts[r, s, 0], shifts[r, s, 1], shifts[r, s, 2]
            cost = 0.0
            ox, oy, oz = (tx - origin[0]) * scale + 0.5, (ty - origin[1]) * scale + 0.5, (tz - origin[2]) * scale + 0.5
            for p in range(points.shape[0]):
                i = min(max(int(turned[p, 0] * scale + ox), 0), nx - 1)
                j = min(max(int(turned[p, 1] * scale + oy), 0), ny - 1)
                k = min(max(int(turned[p, 2] * scale + oz), 0), nz - 1)
                cost += penalty[i, j, k]
            slot = first
            for q in range(first + 1, first + keep):
                if costs[q] > costs[slot]:
                    slot = q
            if cost < costs[slot]:
                costs[slot] = cost
                poses[slot, :9] = rotations[r]
                poses[slot, 9], poses[slot, 10], poses[slot, 11] = tx, ty, tz
    return poses, costs / points.shape[0]


@loop
def _moved(pose: FloatArray, step: FloatArray, pivot: FloatArray) -> None:
    """`pose` turned by step[:3] about `pivot` and shifted by step[3:], in place (Rodrigues' formula)."""
    x, y, z = step[0], step[1], step[2]
    angle = np.sqrt(x * x + y * y + z * z)
    s = 1.0 if angle < 1e-12 else np.sin(angle) / angle
    c = 0.5 if angle < 1e-6 else (1.0 - np.cos(angle)) / (angle * angle)
    turn = np.empty((3, 3))
    turn[0, 0], turn[0, 1], turn[0, 2] = 1.0 - c * (y * y + z * z), c * x * y - s * z, c * x * z + s * y
    turn[1, 0], turn[1, 1], turn[1, 2] = c * x * y + s * z, 1.0 - c * (x * x + z * z), c * y * z - s * x
    turn[2, 0], turn[2, 1], turn[2, 2] = c * x * z - s * y, c * y * z + s * x, 1.0 - c * (x * x + y * y)
    old = pose.copy()
    for i in range(3):
        for j in range(3):
            pose[3 * i + j] = turn[i, 0] * old[j] + turn[i, 1] * old[3 + j] + turn[i, 2] * old[6 + j]
        pose[9 + i] = pivot[i] + step[3 + i]
        for j in range(3):
            pose[9 + i] += turn[i, j] * (old[9 + j] - pivot[j])


@loop
def refine_poses(
    points: FloatArray,
    starts: FloatArray,
    values: NDArray[np.float32],
    fixed: NDArray[np.uint8],
    origin: FloatArray,
    spacing: float,
    reaches: FloatArray,
    rule: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Robust Gauss–Newton from every start: poses (m, 12) and their penalties by `rule`.

    `reaches` (steps, 2): how far inside and outside a point still counts in each step (Geman–McClure weights).
    """
    n, m = points.shape[0], starts.shape[0]
    poses, costs = starts.copy(), np.empty(m)
    moved, jacobian = np.empty((n, 3)), np.empty(6)
    hessian, right, step, pivot = np.empty((6, 6)), np.empty(6), np.zeros(6), np.empty(3)
    for q in range(m):
        pose = poses[q]
        for s in range(reaches.shape[0] + 1):
            pivot[:] = 0.0
            for p in range(n):
                for c in range(3):
                    moved[p, c] = (
                        pose[3 * c] * points[p, 0]
                        + pose[3 * c + 1] * points[p, 1]
                        + pose[3 * c + 2] * points[p, 2]
                        + pose[9 + c]
                    )
                    pivot[c] += moved[p, c] / n
            if s == reaches.shape[0]:
                break
            hessian[:], right[:] = 0.0, 0.0
            total, spread = 0.0, 0.0
            for p in range(n):
                d, gx, gy, gz = _distance(values, origin, spacing, moved[p, 0], moved[p, 1], moved[p, 2])
                ratio = d / (reaches[s, 1] if d > 0.0 else reaches[s, 0])
                weight = 1.0 / (1.0 + ratio * ratio) ** 2
                flag = _nearest_voxel(values, fixed, origin, spacing, moved[p, 0], moved[p, 1], moved[p, 2])[1]
                if not flag & 1:
                    weight *= reaches[s, 3] if d > 0.0 else reaches[s, 2]
                x, y, z = moved[p, 0] - pivot[0], moved[p, 1] - pivot[1], moved[p, 2] - pivot[2]
                jacobian[0], jacobian[1], jacobian[2] = y * gz - z * gy, z * gx - x * gz, x * gy - y * gx
                jacobian[3], jacobian[4], jacobian[5] = gx, gy, gz
                total += weight
                spread += weight * (x * x + y * y + z * z)
                for i in range(6):
                    right[i] -= weight * d * jacobian[i]
                    for j in range(i + 1):
                        hessian[i, j] += weight * jacobian[i] * jacobian[j]
            for i in range(3):
                hessian[i, i] += 1e-3 * spread + 1e-9
                hessian[3 + i, 3 + i] += 1e-3 * total + 1e-9
            if not solve_positive(hessian, right, step):
                break
            _moved(pose, step, pivot)
        cost = 0.0
        for p in range(n):
            d = _distance(values, origin, spacing, moved[p, 0], moved[p, 1], moved[p, 2])[0]
            flag = _nearest_voxel(values, fixed, origin, spacing, moved[p, 0], moved[p, 1], moved[p, 2])[1]
            cost += _penalty(d, flag, rule)
        costs[q] = cost / n
    return poses, costs


@loop
def distinct_poses(
    poses: FloatArray, costs: FloatArray, centre: FloatArray, trace: float, shift: float, keep: int
) -> IntArray:
    """Rows of the `keep` best poses no two of which lie close: relative rotation of a greater trace, `centre` closer than `shift`."""
    order = np.argsort(costs, kind="mergesort")
    kept, at, count = np.empty(keep, np.int32), np.empty((keep, 3)), 0
    for n in range(order.size):
        q = order[n]
        for c in range(3):
            at[count, c] = poses[q, 9 + c]
            for j in range(3):
                at[count, c] += poses[q, 3 * c + j] * centre[j]
        fresh = True
        for k in range(count):
            alike = 0.0
            for j in range(9):
                alike += poses[q, j] * poses[kept[k], j]
            apart = 0.0
            for c in range(3):
                apart += (at[count, c] - at[k, c]) ** 2
            if alike > trace and apart < shift * shift:
                fresh = False
                break
        if fresh:
            kept[count] = q
            count += 1
            if count == keep:
                break
    return kept[:count]


@loop
def flag_near(points: FloatArray, shape: IntArray, origin: FloatArray, spacing: float, reach: int) -> NDArray[np.uint8]:
    """1 at every voxel at most `reach` voxels along each axis from one of the points, else 0."""
    flags = np.zeros((shape[0], shape[1], shape[2]), np.uint8)
    for p in range(points.shape[0]):
        i = int(np.floor((points[p, 0] - origin[0]) / spacing + 0.5))
        j = int(np.floor((points[p, 1] - origin[1]) / spacing + 0.5))
        k = int(np.floor((points[p, 2] - origin[2]) / spacing + 0.5))
        for u in range(max(i - reach, 0), min(i + reach + 1, shape[0])):
            for v in range(max(j - reach, 0), min(j + reach + 1, shape[1])):
                for w in range(max(k - reach, 0), min(k + reach + 1, shape[2])):
                    flags[u, v, w] = 1
    return flags


@loop
def flag_inside(
    flags: NDArray[np.uint8], bit: int, vertices: FloatArray, faces: IntArray, origin: FloatArray, spacing: float
) -> None:
    """Set `bit`, which must be clear, at every voxel inside a closed surface: each crossing of a column turns all above it.

    Columns that run exactly through an edge are decided by no rule here; give an origin off the surface's own lattice.
    """
    nx, ny, nz = flags.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = (vertices[a, 0] - origin[0]) / spacing, (vertices[a, 1] - origin[1]) / spacing, vertices[a, 2]
        bx, by, bz = (vertices[b, 0] - origin[0]) / spacing, (vertices[b, 1] - origin[1]) / spacing, vertices[b, 2]
        cx, cy, cz = (vertices[c, 0] - origin[0]) / spacing, (vertices[c, 1] - origin[1]) / spacing, vertices[c, 2]
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        for i in range(max(int(np.ceil(min(ax, bx, cx))), 0), min(int(np.floor(max(ax, bx, cx))), nx - 1) + 1):
            for j in range(max(int(np.ceil(min(ay, by, cy))), 0), min(int(np.floor(max(ay, by, cy))), ny - 1) + 1):
                u = ((bx - i) * (cy - j) - (by - j) * (cx - i)) / area
                v = ((cx - i) * (ay - j) - (cy - j) * (ax - i)) / area
                if u >= 0.0 and v >= 0.0 and u + v < 1.0:
                    z = u * az + v * bz + (1.0 - u - v) * cz
                    for k in range(max(int(np.ceil((z - origin[2]) / spacing)), 0), nz):
                        flags[i, j, k] ^= bit


@loop
def stamp_distances(
    points: FloatArray, normals: FloatArray, origin: FloatArray, spacing: float, shape: IntArray, reach: int
) -> NDArray[np.float32]:
    """Signed distance to oriented points within `reach` voxels, the sign from the nearest one's normal; + the reach beyond."""
    far = reach * spacing
    values = np.full((shape[0], shape[1], shape[2]), far, np.float32)
    for p in range(points.shape[0]):
        i = int(np.floor((points[p, 0] - origin[0]) / spacing + 0.5))
        j = int(np.floor((points[p, 1] - origin[1]) / spacing + 0.5))
        k = int(np.floor((points[p, 2] - origin[2]) / spacing + 0.5))
        for u in range(max(i - reach, 0), min(i + reach + 1, shape[0])):
            x = origin[0] + spacing * u - points[p, 0]
            for v in range(max(j - reach, 0), min(j + reach + 1, shape[1])):
                y = origin[1] + spacing * v - points[p, 1]
                for w in range(max(k - reach, 0), min(k + reach + 1, shape[2])):
                    z = origin[2] + spacing * w - points[p, 2]
                    away = np.sqrt(x * x + y * y + z * z)
                    if away < abs(values[u, v, w]):
                        inside = x * normals[p, 0] + y * normals[p, 1] + z * normals[p, 2] < 0.0
                        values[u, v, w] = -away if inside else away
    return values
