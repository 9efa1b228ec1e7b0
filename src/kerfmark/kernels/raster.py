"""A small software renderer's loops: triangles into a depth buffer, shade in hollows, contours of an image."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.compiled import loop

__all__ = ["averaged", "crossings", "greys", "hollows", "kept_corners", "patches", "rasterise", "trace"]

_Floats = NDArray[np.float32]


@loop
def rasterise(
    points: NDArray[np.float64], faces: NDArray[np.int32], values: _Floats, height: int, width: int
) -> tuple[_Floats, _Floats]:
    """Nearest triangle of each pixel: its depth (−inf where none) and the values of its corners, interpolated.

    `points` (n, 3) are column, row and depth, larger depth nearer; pixel (row, column) is sampled at its centre, at
    whole numbers. `values` is (n, k). Returns depth (height, width) and image (height, width, k).
    """
    count = values.shape[1]
    depth = np.full((height, width), -np.inf, dtype=np.float32)
    image = np.zeros((height, width, count), dtype=np.float32)
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, bx, by, cx, cy = points[a, 0], points[a, 1], points[b, 0], points[b, 1], points[c, 0], points[c, 1]
        area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if area >= 0.0:  # rows grow downwards: what faces the eye turns the other way round
            continue
        left, right = max(0, int(np.ceil(min(ax, bx, cx)))), min(width - 1, int(np.floor(max(ax, bx, cx))))
        top, bottom = max(0, int(np.ceil(min(ay, by, cy)))), min(height - 1, int(np.floor(max(ay, by, cy))))
        for row in range(top, bottom + 1):
            for col in range(left, right + 1):
                u = ((bx - col) * (cy - row) - (cx - col) * (by - row)) / area
                v = ((cx - col) * (ay - row) - (ax - col) * (cy - row)) / area
                w = 1.0 - u - v
                if u < 0.0 or v < 0.0 or w < 0.0:
                    continue
                z = u * points[a, 2] + v * points[b, 2] + w * points[c, 2]
                if z > depth[row, col]:
                    depth[row, col] = z
                    for k in range(count):
                        image[row, col, k] = u * values[a, k] + v * values[b, k] + w * values[c, k]
    return depth, image


@loop
def hollows(depth: _Floats, reach: int) -> _Floats:
    """How much of the sky each pixel loses to what stands about it: 0 open, towards 1 deep in a hollow.

    `depth` is in pixels (−inf where empty). Eight directions, four steps out to `reach` pixels; the mean sine of the
    horizon.
    """
    height, width = depth.shape
    shade = np.zeros((height, width), dtype=np.float32)
    ways = np.array([[1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0], [-1, -1], [0, -1], [1, -1]])
    for row in range(height):
        for col in range(width):
            here = depth[row, col]
            if here == -np.inf:
                continue
            total = 0.0
            for way in range(8):
                horizon = 0.0
                for step in range(1, 5):
                    out = max(1, reach * step * step // 16)
                    r, c = row + ways[way, 1] * out, col + ways[way, 0] * out
                    if r < 0 or c < 0 or r >= height or c >= width or depth[r, c] == -np.inf:
                        break
                    rise = depth[r, c] - here
                    if rise > 0.0:
                        run = out * (1.4142135 if way % 2 else 1.0)
                        horizon = max(horizon, rise / np.sqrt(rise * rise + run * run))
                total += horizon
            shade[row, col] = total / 8.0
    return shade


@loop
def greys(
    depth: _Floats, normals: _Floats, shade: _Floats, light: NDArray[np.float64], eye: NDArray[np.float64], white: float
) -> tuple[NDArray[np.uint8], _Floats]:
    """Grey and alpha (h, w, 2) of a matt surface under one soft light, and how squarely it faces the eye (0 to 1).

    `shade` is the loss of sky on a coarser picture (h / k, w / k). Soft light: half the lambert term, raised to 1.4.
    """
    height, width = depth.shape
    picture = np.zeros((height, width, 2), dtype=np.uint8)
    facing = np.zeros((height, width), dtype=np.float32)
    step = max(1, height // shade.shape[0])
    for row in range(height):
        for col in range(width):
            if depth[row, col] == -np.inf:
                continue
            x, y, z = normals[row, col, 0], normals[row, col, 1], normals[row, col, 2]
            length = max(np.sqrt(x * x + y * y + z * z), 1e-6)
            lit = (x * light[0] + y * light[1] + z * light[2]) / length
            front = max(0.0, (x * eye[0] + y * eye[1] + z * eye[2]) / length)
            sky = 1.0 - 0.62 * shade[min(row // step, shade.shape[0] - 1), min(col // step, shade.shape[1] - 1)]
            grey = white * (0.60 + 0.28 * max(0.0, 0.5 + 0.5 * lit) ** 1.4 + 0.16 * front) * sky
            picture[row, col, 0] = np.uint8(min(255, int(grey)) & 0xFE)
            picture[row, col, 1] = 255
            facing[row, col] = front
    return picture, facing


@loop
def averaged(values: _Floats, faces: NDArray[np.int32], rounds: int) -> _Floats:
    """Vertex values (n, k) averaged `rounds` times with those across each edge."""
    current = values.copy()
    number, count = values.shape
    for _ in range(rounds):
        total = 2.0 * current
        weight = np.full(number, np.float32(2.0), dtype=np.float32)
        for f in range(faces.shape[0]):
            for corner in range(3):
                i, j = faces[f, corner], faces[f, (corner + 1) % 3]
                weight[i] += 1.0
                weight[j] += 1.0
                for k in range(count):
                    total[i, k] += current[j, k]
                    total[j, k] += current[i, k]
        for i in range(number):
            for k in range(count):
                current[i, k] = total[i, k] / weight[i]
    return current


@loop
def crossings(field: _Floats, level: float) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Marching squares: short lines where the bilinear field crosses `level`, all turned the same way about what is higher.

    Returns ends (m, 2, 2) as column and row, and the number of the cell edge each end lies on (m, 2). A saddle is
    split so that its high corners stay apart.
    """
    height, width = field.shape
    ends = np.empty((2 * height * width, 2, 2))
    edges = np.empty((2 * height * width, 2), dtype=np.int32)
    count = 0
    spot = np.empty((4, 2))
    number = np.empty(4, dtype=np.int32)
    for row in range(height - 1):
        for col in range(width - 1):
            a, b = field[row, col], field[row, col + 1]
            d, c = field[row + 1, col], field[row + 1, col + 1]
            code = (a > level) * 1 + (b > level) * 2 + (c > level) * 4 + (d > level) * 8
            if code in (0, 15):
                continue
            here = row * width + col
            number[0], number[1] = 2 * here, 2 * (here + 1) + 1
            number[2], number[3] = 2 * (here + width), 2 * here + 1
            spot[0, 0], spot[0, 1] = (col + (level - a) / (b - a) if a != b else col), row
            spot[1, 0], spot[1, 1] = col + 1, (row + (level - b) / (c - b) if b != c else row)
            spot[2, 0], spot[2, 1] = (col + (level - d) / (c - d) if c != d else col), row + 1
            spot[3, 0], spot[3, 1] = col, (row + (level - a) / (d - a) if a != d else row)
            for corner in range(4):  # each run of high corners gets one line round it
                following, before = (corner + 1) % 4, (corner + 3) % 4
                high = code >> corner & 1
                if not high or code >> before & 1:
                    continue
                last = corner
                while code >> following & 1:
                    last, following = following, (following + 1) % 4
                start, stop = (corner + 3) % 4, last
                ends[count, 0], ends[count, 1] = spot[stop], spot[start]
                edges[count, 0], edges[count, 1] = number[stop], number[start]
                count += 1
    return ends[:count].copy(), edges[:count].copy()


@loop
def trace(
    ends: NDArray[np.float64], edges: NDArray[np.int32], edge_count: int
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """The short lines of `crossings` joined into chains.

    Returns points (p, 2) and where each chain begins in them (chains + 1); a closed chain ends on its first point.
    """
    begins = np.full(edge_count, -1, dtype=np.int32)
    arrives = np.full(edge_count, -1, dtype=np.int32)
    for s in range(edges.shape[0]):
        begins[edges[s, 0]] = s
        arrives[edges[s, 1]] = s
    used = np.zeros(edges.shape[0], dtype=np.bool_)
    points = np.empty((2 * edges.shape[0] + 1, 2))
    starts = np.empty(edges.shape[0] + 1, dtype=np.int32)
    filled, chains = 0, 0
    for seed in range(edges.shape[0]):
        if used[seed]:
            continue
        first = seed
        while True:  # back to where an open chain begins, or once round a closed one
            before = arrives[edges[first, 0]]
            if before < 0 or before == seed:
                break
            first = before
        starts[chains] = filled
        chains += 1
        points[filled] = ends[first, 0]
        filled += 1
        s = first
        while s >= 0 and not used[s]:
            used[s] = True
            points[filled] = ends[s, 1]
            filled += 1
            s = begins[edges[s, 1]]
    starts[chains] = filled
    return points[:filled].copy(), starts[: chains + 1].copy()


@loop
def kept_corners(points: NDArray[np.float64], tolerance: float) -> NDArray[np.bool_]:
    """Which points of a polyline (n, 2) to keep so that none left out lies further than `tolerance` off (Douglas, Peucker)."""
    count = points.shape[0]
    keep = np.zeros(count, dtype=np.bool_)
    keep[0], keep[count - 1] = True, True
    stack = np.empty((count + 1, 2), dtype=np.int64)
    stack[0, 0], stack[0, 1] = 0, count - 1
    height = 1
    while height > 0:
        height -= 1
        first, last = stack[height, 0], stack[height, 1]
        dx, dy = points[last, 0] - points[first, 0], points[last, 1] - points[first, 1]
        length = np.sqrt(dx * dx + dy * dy)
        furthest, worst = first, tolerance
        for i in range(first + 1, last):
            ex, ey = points[i, 0] - points[first, 0], points[i, 1] - points[first, 1]
            off = abs(ex * dy - ey * dx) / length if length > 1e-12 else np.sqrt(ex * ex + ey * ey)
            if off > worst:
                furthest, worst = i, off
        if furthest != first:
            keep[furthest] = True
            stack[height, 0], stack[height, 1] = first, furthest
            stack[height + 1, 0], stack[height + 1, 1] = furthest, last
            height += 2
    return keep


@loop
def patches(inside: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Number each pixel's patch from 1, 0 outside; pixels touch along edges, not corners."""
    height, width = inside.shape
    label = np.zeros((height, width), dtype=np.int32)
    stack = np.empty((height * width, 2), dtype=np.int32)
    found = 0
    for row in range(height):
        for col in range(width):
            if not inside[row, col] or label[row, col] != 0:
                continue
            found += 1
            label[row, col] = found
            stack[0, 0], stack[0, 1] = row, col
            depth = 1
            while depth > 0:
                depth -= 1
                r, c = stack[depth, 0], stack[depth, 1]
                for dr, dc in ((0, 1), (1, 0), (0, -1), (-1, 0)):
                    y, x = r + dr, c + dc
                    if 0 <= y < height and 0 <= x < width and inside[y, x] and label[y, x] == 0:
                        label[y, x] = found
                        stack[depth, 0], stack[depth, 1] = y, x
                        depth += 1
    return label
