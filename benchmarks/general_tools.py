"""The work of one crown assessment with general mesh tools: run by `benchmarks/scan.py`, in any interpreter that has them.

Arguments: a folder with piece.stl, subject.stl, sites.npy (points, then inward directions, tooth frame) and pose.npy (where the piece
truly lies). Open3D where it can be imported (its own threads, point-to-plane ICP with a robust kernel from many starts, ray casting
scene); else trimesh with scipy and embree. Prints the tool, seconds from the start of the work (imports left out), seconds of the
imports, and how far the pose it found is from the true one (degrees, mm).

Feature matching (FPFH with RANSAC, or fast global registration) was tried with five settings and found none of 18 poses: most of the
crown is cut away, and what is left looks nearly the same turned half round. ICP from 240 rotations finds five of six.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

began = time.perf_counter()
import numpy as np  # noqa: E402

try:
    import open3d as o3d

    TOOL = f"open3d {o3d.__version__}"
except ImportError:
    import trimesh
    from scipy.spatial import cKDTree

    TOOL = f"trimesh {trimesh.__version__}, scipy"
imported = time.perf_counter() - began

STARTS = 240
AZIMUTHS = np.radians([0.0, 45.0, 90.0, 135.0])


def wall_angles(vertices, triangles):
    """Lines through both walls in four planes: the points where edges cross each plane, total least squares, one angle each."""
    angles = []
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    for phi in AZIMUTHS:
        side = vertices @ [-np.sin(phi), np.cos(phi), 0.0]
        a, b = side[edges[:, 0]], side[edges[:, 1]]
        cross = edges[a * b < 0]
        share = (side[cross[:, 0]] / (side[cross[:, 0]] - side[cross[:, 1]]))[:, None]
        points = vertices[cross[:, 0]] * (1 - share) + vertices[cross[:, 1]] * share
        across = points @ [np.cos(phi), np.sin(phi), 0.0]
        for sign in (1.0, -1.0):
            wall = (sign * across > 2.0) & (points[:, 2] > 1.0) & (points[:, 2] < 3.0)
            if wall.sum() > 10:
                flat = np.stack([across[wall], points[wall, 2]], axis=1)
                _, _, axes = np.linalg.svd(flat - flat.mean(axis=0), full_matrices=False)
                angles.append(np.degrees(np.arctan2(abs(axes[0, 0]), abs(axes[0, 1]))))
    return angles


def with_open3d(folder):
    piece, subject = (o3d.io.read_triangle_mesh(str(folder / f"{name}.stl")) for name in ("piece", "subject"))
    register = o3d.pipelines.registration
    piece.compute_vertex_normals()
    subject.compute_vertex_normals()
    clouds = [piece.sample_points_uniformly(20_000), subject.sample_points_uniformly(20_000)]
    pose = found_among(starts(STARTS), clouds, piece.sample_points_uniformly(1_500), register)
    piece.transform(pose)
    scenes = []
    for mesh in (piece, subject):
        scene = o3d.t.geometry.RaycastingScene()
        scene.add_triangles(o3d.t.geometry.TriangleMesh.from_legacy(mesh))
        scenes.append(scene)
    there = scenes[1].compute_signed_distance(np.asarray(piece.vertices, dtype=np.float32))
    back = scenes[0].compute_distance(np.asarray(subject.vertices, dtype=np.float32))
    sites = np.load(folder / "sites.npy").astype(np.float32)
    depth = scenes[0].cast_rays(o3d.core.Tensor(sites))["t_hit"]
    return pose, (there, back, depth, wall_angles(np.asarray(piece.vertices), np.asarray(piece.triangles)))


def starts(count):
    """Rotations spread at random over all."""
    q = np.random.default_rng(0).normal(size=(count, 4))
    return [o3d.geometry.get_rotation_matrix_from_quaternion(x) for x in q / np.linalg.norm(q, axis=1, keepdims=True)]


def found_among(rotations, clouds, few, register):
    """The pose with most points near the subject, of ICP from every rotation; the best three fitted on all points."""
    middles = [np.asarray(c.points).mean(axis=0) for c in clouds]
    wide, narrow = (register.TransformationEstimationPointToPlane(register.TukeyLoss(k=k)) for k in (0.5, 0.1))
    enough = register.ICPConvergenceCriteria(1e-4, 1e-4, 25)
    tried = []
    for turn in rotations:
        start = np.eye(4)
        start[:3, :3], start[:3, 3] = turn, middles[1] - turn @ middles[0]
        pose = register.registration_icp(few, clouds[1], 1.5, start, wide, enough).transformation
        tried.append((register.evaluate_registration(few, clouds[1], 0.2, pose).fitness, pose))
    fitted = []
    for _, pose in sorted(tried, key=lambda t: -t[0])[:3]:
        for reach in (0.6, 0.2, 0.1):
            fit = register.registration_icp(*clouds, reach, pose, narrow)
            pose = fit.transformation  # noqa: PLW2901
        fitted.append((fit.fitness, pose))
    return max(fitted, key=lambda f: f[0])[1]


def with_trimesh(folder):
    piece, subject = (trimesh.load(folder / f"{name}.stl") for name in ("piece", "subject"))
    pose, _ = trimesh.registration.mesh_other(piece, subject, samples=2000, scale=False, icp_first=10, icp_final=50)
    piece.apply_transform(pose)
    tree = cKDTree(subject.vertices)
    there = tree.query(piece.vertices, workers=-1)[0]
    back = cKDTree(piece.vertices).query(subject.vertices, workers=-1)[0]
    sites = np.load(folder / "sites.npy")
    depth = piece.ray.intersects_location(sites[:, :3], sites[:, 3:], multiple_hits=False)
    return pose, (there, back, depth, wall_angles(np.asarray(piece.vertices), np.asarray(piece.faces)))


def away(pose, truth):
    """Degrees and mm between two poses."""
    off = pose @ np.linalg.inv(truth)
    turned = np.degrees(np.arccos(np.clip(0.5 * (np.trace(off[:3, :3]) - 1.0), -1.0, 1.0)))
    return turned, np.linalg.norm(off[:3, 3])


if __name__ == "__main__":
    start = time.perf_counter()
    work = with_open3d if TOOL.startswith("open3d") else with_trimesh
    pose, _ = work(Path(sys.argv[1]))
    took = time.perf_counter() - start
    degrees, mm = away(pose, np.load(Path(sys.argv[1]) / "pose.npy"))
    print(f"{TOOL};{took:.3f};{imported:.3f};{degrees:.2f};{mm:.3f}")
