"""A ball swept by a short kernel of the general library Warp (Apache-2.0), to compare with: a thread a sample, each over its box of voxels."""

from __future__ import annotations

import numpy as np
import warp as wp

RADIUS_MM = 0.5


@wp.kernel
def _sweep(
    tips: wp.array(dtype=wp.vec3),
    times: wp.array(dtype=float),
    low: wp.vec3,
    spacing: float,
    radius: float,
    distance: wp.array3d(dtype=float),
    when: wp.array3d(dtype=float),
):
    n = wp.tid()
    centre = (tips[n] - low) / spacing + wp.vec3(0.0, 0.0, radius / spacing)
    reach = radius / spacing + 2.0
    for i in range(wp.max(int(centre[0] - reach), 0), wp.min(int(centre[0] + reach) + 2, distance.shape[0])):
        for j in range(wp.max(int(centre[1] - reach), 0), wp.min(int(centre[1] + reach) + 2, distance.shape[1])):
            for k in range(wp.max(int(centre[2] - reach), 0), wp.min(int(centre[2] + reach) + 2, distance.shape[2])):
                away = wp.vec3(float(i), float(j), float(k)) - centre
                d = spacing * wp.length(away) - radius
                wp.atomic_min(distance, i, j, k, d)
                if d <= 0.0:
                    wp.atomic_min(when, i, j, k, times[n])


def by_warp(motion, spacing=0.05, device="cpu"):
    """Least distance and first time of each voxel of the cube, at the samples alone."""
    shape = (201, 201, 201)
    distance = wp.full(shape, 0.1, dtype=float, device=device)
    when = wp.full(shape, np.inf, dtype=float, device=device)
    tips = wp.array(motion.tip_mm.astype(np.float32), dtype=wp.vec3, device=device)
    times = wp.array(motion.time_s.astype(np.float32), dtype=float, device=device)
    inputs = [tips, times, wp.vec3(-5.0, -5.0, -10.0), spacing, RADIUS_MM, distance, when]
    wp.launch(_sweep, dim=len(motion.time_s), inputs=inputs, device=device)
    wp.synchronize()
    return distance.numpy()
