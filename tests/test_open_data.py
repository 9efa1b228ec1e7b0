"""Open data nobody here made: crowns against the handbook, and a published reconstruction against its scan.

Scanned tooth crowns (c) 2023 CHEN Yizhou, MIT License; read from beside the checkout.
"""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from kerfmark.anatomy.form import tooth_form
from kerfmark.geometry.closest import ClosestPoint
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.settings import Limits

UPPER = [*range(11, 18), *range(21, 28)]
LOWER = [*range(31, 38), *range(41, 48)]


@pytest.fixture(scope="module")
def crowns(open_data):
    folder = open_data / "scanned-crowns-mit"
    read = {code: folder / "case0_fdi" / f"fdi{code}.obj" for code in (*UPPER, *LOWER)}
    return {code: read_mesh_file(path, name=path.name, limits=Limits()).surface for code, path in read.items()}


def neighbours_of(code):
    """The two teeth beside one, the midline crossed at the central incisors; a second molar has one."""
    quadrant, position = divmod(code, 10)
    across = {1: 2, 2: 1, 3: 4, 4: 3}[quadrant]
    mesial = 10 * quadrant + position - 1 if position > 1 else 10 * across + 1
    distal = 10 * quadrant + position + 1 if position < 7 else code
    return mesial, distal


def width_and_depth(crowns, code):
    """Extents along and across the arch, mm; the scans' vertical axis is y."""
    mesial, distal = (crowns[c].vertices_mm.mean(axis=0) for c in neighbours_of(code))
    along = (distal - mesial) * [1.0, 0.0, 1.0]
    along /= np.linalg.norm(along)
    across = np.cross(along, [0.0, 1.0, 0.0])
    return tuple(float(np.ptp(crowns[code].vertices_mm @ direction)) for direction in (along, across))


def test_scanned_crowns_have_the_sizes_of_the_handbook(crowns):
    # Source: Wheeler's carving table (nine of its sixteen rows from memory): rounded averages, from which one mouth may differ;
    # single sizes by a quarter at most, the 56 sizes together by an eighth.
    ratios = []
    for code in crowns:
        sizes = tooth_form(code).dimensions
        width, depth = width_and_depth(crowns, code)
        ratios += [width / sizes.md, depth / sizes.bl]
    assert min(ratios) > 0.8
    assert max(ratios) < 1.3
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.125)


def similarity(moving, fixed):
    """Scale, rotation and shift that carry one point list onto another (Umeyama 1991)."""
    a, b = moving - moving.mean(axis=0), fixed - fixed.mean(axis=0)
    u, s, vt = np.linalg.svd(b.T @ a)
    sign = np.array([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    rotation = (u * sign) @ vt
    scale = (s * sign).sum() / (a**2).sum()
    return scale, rotation, fixed.mean(axis=0) - scale * rotation @ moving.mean(axis=0)


def laid_over(points, order, crowns):
    """A reconstructed arch (14, n, 3) fitted to the scanned one: by tooth centres, then by nearest points."""
    centres = np.array([crowns[c].vertices_mm.mean(axis=0) for c in order])
    every = np.concatenate([crowns[c].vertices_mm for c in order])
    tree, moved = cKDTree(every), points.reshape(-1, 3)
    scale, rotation, shift = similarity(points.mean(axis=1), centres)
    for _ in range(60):
        moved = scale * moved @ rotation.T + shift
        scale, rotation, shift = similarity(moved, every[tree.query(moved)[1]])
    return (scale * moved @ rotation.T + shift).reshape(points.shape)


def test_the_published_distances_between_two_reconstructions_are_found_again(crowns, open_data):
    # Source: Chen et al. 2023, log of case 0, mean over 28 teeth after one similarity fit per arch: RMSD 0.5061 mm, ASSD 0.4375 mm,
    # Hausdorff 1.3158 mm, all between points. Tolerance 2 %: their fit was another method.
    points = np.load(open_data / "scanned-crowns-mit" / "case0_photo_reconstruction_points.npz")
    found = []
    for arch, order in (("upper", UPPER), ("lower", LOWER)):
        for code, tooth in zip(order, laid_over(points[arch].astype(float), order, crowns), strict=True):
            there = cKDTree(crowns[code].vertices_mm).query(tooth)[0]
            back = cKDTree(tooth).query(crowns[code].vertices_mm)[0]
            both = np.concatenate([there, back])
            found.append((np.sqrt(np.mean(both**2)), 0.5 * (there.mean() + back.mean()), both.max()))
            _, to_faces, _ = ClosestPoint(crowns[code]).query(tooth, max_distance_mm=10.0)
            assert (to_faces <= there + 1e-9).all()
            assert to_faces.max() > there.max() - 0.3, "faces are nearer than vertices by less than an edge"
    assert np.mean(found, axis=0) == pytest.approx([0.5061, 0.4375, 1.3158], rel=0.02)
