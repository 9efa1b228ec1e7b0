"""A simulated CT of placed teeth and bone: grey values by tissue, blurred and noisy as a scanner would have them.

Greys are Hounsfield-like and simulated. They are good for reading, planning and marking exercises, not for a diagnosis.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.anatomy.arch import Arch, Placed
from kerfmark.anatomy.jaw import JawBone
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.errors import InputError
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.records import FloatArray, Grid

__all__ = ["GREYS", "simulated_ct"]

GREYS = {"air": -1000, "soft": 40, "cancellous": 450, "cortical": 1500, "dentine": 1800, "enamel": 2800, "pulp": 60}
"""Hounsfield-like grey of each tissue (common practice: soft tissue 40, cancellous 200 to 800, enamel 2500 and more)."""
LAYER_EDGE_MM = 0.3


def simulated_ct(
    teeth: Arch,
    bone: JawBone,
    *,
    rng: np.random.Generator,
    spacing_mm: float = 0.4,
    blur_mm: float = 0.25,
    noise: float = 40.0,
    window_mm: ArrayLike | None = None,
    cache_dir: str | Path | None = None,
) -> tuple[NDArray[np.int16], Grid]:
    """A CT of a jaw.

    Parameters
    ----------
    teeth : Arch
    bone : JawBone
        Of the same arch.
    rng : numpy.random.Generator
        Makes the noise.
    spacing_mm : float, mm
        0.2 to 1.
    blur_mm : float, mm
        Standard deviation of the scanner's blur.
    noise : float
        Standard deviation of the grey values.
    window_mm : (2, 3) float array, mm, optional
        Least and greatest corner of what is made of it; the whole jaw when left out.
    cache_dir : path, optional
        Where layered teeth are kept (`tooth.tooth`).

    Returns
    -------
    greys : (nx, ny, nz) int16 array
    frame : Grid
        Its origin and spacing, in the arch's frame.

    Raises
    ------
    InputError
        If the spacing is out of range.
    """
    from scipy.ndimage import gaussian_filter

    if not 0.2 <= spacing_mm <= 1.0 or blur_mm < 0 or noise < 0:
        raise InputError(
            f"CT spacing {spacing_mm:g} mm, blur {blur_mm:g} mm, noise {noise:g}: expected a spacing of 0.2 to 1 mm and the "
            "others not below 0. Correct them."
        )
    frame, points = _points(teeth, bone, spacing_mm, window_mm)
    shape = frame.values.shape
    grey = np.full(shape, float(GREYS["soft"]))
    _paint(grey, sample(bone.bone_grid, points).reshape(shape), GREYS["cortical"], spacing_mm)
    _paint(grey, sample(bone.cancellous_grid, points).reshape(shape), GREYS["cancellous"], spacing_mm)
    _paint(grey, sample(bone.sinus_grid, points).reshape(shape), GREYS["air"], spacing_mm)
    for placed in (p for p in teeth.teeth if _reaches(p, frame)):
        made = tooth(placed.fdi, seed=teeth.seed, edge_mm=LAYER_EDGE_MM, cache_dir=cache_dir)
        _paint_tooth(grey, frame, placed, made)
    top = max(float((p.matrix @ [0, 0, 0, 1])[2]) for p in teeth.teeth) + 1.0
    _air(grey, frame, top)
    grey = gaussian_filter(grey, blur_mm / spacing_mm) + rng.normal(0.0, noise, shape)
    return np.clip(np.rint(grey), -1024, 3071).astype(np.int16), frame


def _points(teeth: Arch, bone: JawBone, spacing_mm: float, window_mm: ArrayLike | None) -> tuple[Grid, FloatArray]:
    old = bone.bone_grid
    low = old.origin_mm
    high = low + old.spacing_mm * (np.array(old.values.shape) - 1)
    high[2] = max(float(p.surface(edge_mm=0.3).vertices_mm[:, 2].max()) for p in teeth.teeth) + 2.0
    if window_mm is not None:
        low, high = np.asarray(window_mm, dtype=float)
    shape = tuple(int(n) for n in np.ceil((high - low) / spacing_mm) + 1)
    index = np.indices(shape).reshape(3, -1).T
    return Grid(low, spacing_mm, np.empty(shape, dtype=np.float32)), low + spacing_mm * index


def _reaches(placed: Placed, frame: Grid) -> bool:
    """Whether any of a tooth lies in the window."""
    box = transform_points(placed.matrix, np.array(np.meshgrid(*placed.form.bounds_mm.T)).reshape(3, -1).T)
    high = frame.origin_mm + frame.spacing_mm * np.array(frame.values.shape)
    return bool((box.max(axis=0) > frame.origin_mm).all() and (box.min(axis=0) < high).all())


def _paint(grey: FloatArray, distance: FloatArray, value: float, spacing_mm: float) -> None:
    """Lay a tissue's grey over the voxels it fills, in proportion where its face runs through them."""
    share = np.clip(0.5 - distance / spacing_mm, 0.0, 1.0)
    grey += share * (value - grey)


def _paint_tooth(grey: FloatArray, frame: Grid, placed: Placed, made: Tooth) -> None:
    """Lay a tooth's dentine, enamel and pulp over the voxels round it."""
    spacing = frame.spacing_mm
    box = transform_points(placed.matrix, np.array(np.meshgrid(*placed.form.bounds_mm.T)).reshape(3, -1).T)
    first = np.maximum(np.floor((box.min(axis=0) - frame.origin_mm) / spacing).astype(int), 0)
    last = np.minimum(np.ceil((box.max(axis=0) - frame.origin_mm) / spacing).astype(int) + 1, frame.values.shape)
    span = tuple(slice(int(a), int(b)) for a, b in zip(first, last, strict=True))
    cells = np.stack(np.meshgrid(*(np.arange(s.start, s.stop) for s in span), indexing="ij"), axis=-1)
    own = transform_points(rigid_inverse(placed.matrix), (frame.origin_mm + spacing * cells).reshape(-1, 3))
    region = grey[span]
    for tissue, surface in (("dentine", made.outer), ("enamel", made.layers["enamel"]), ("pulp", made.layers["pulp"])):
        # A finer grid than the CT's own: enamel and canals are thinner than its voxels.
        grid = distance_grid(surface, spacing_mm=0.2, band_mm=2 * spacing)
        _paint(region, sample(grid, own).reshape(region.shape), GREYS[tissue], spacing)


def _air(grey: FloatArray, frame: Grid, above_mm: float) -> None:
    """Over the gum there is air round the crowns: what is still soft tissue there."""
    z = frame.origin_mm[2] + frame.spacing_mm * np.arange(frame.values.shape[2])
    over = z > above_mm
    part = grey[:, :, over]
    grey[:, :, over] = np.where(part < 200.0, GREYS["air"], part)
