"""Shading a surface: depth buffer, soft key light, hollows darkened, a grey picture with a clear ground."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.raster import averaged, greys, hollows, rasterise
from kerfmark.records import FloatArray, Surface
from kerfmark.reports.view.camera import Camera

__all__ = ["MATT_LIGHT", "Buffers", "ShadedSurface", "grey_png", "png_of", "render", "shade"]

MATT_LIGHT: Final = 236
"""Grey of the matt surface in light (#ECECE7); a page in dark dims the same picture to #6B7070."""

FINER: Final = 2
"""Pixels drawn per pixel of the page, each way."""

KEY_LIGHT: Final = np.array([-0.48, 0.62, 0.62])
"""From upper left in front, in picture axes (right, up, towards the eye)."""


@dataclass(frozen=True, slots=True, eq=False)
class ShadedSurface:
    """A surface ready to be drawn from any side: smoothed normals and deviation per vertex."""

    surface: Surface
    values: NDArray[np.float32]
    """(n, 5): normal x, y, z, deviation in mm (0 where there is no map), height z in mm."""


@dataclass(frozen=True, slots=True, eq=False)
class Buffers:
    """What the renderer knows of each pixel; depth in px (−inf where empty), at `FINER` times the page's pixels."""

    camera: Camera
    depth: NDArray[np.float32]
    normals: NDArray[np.float32]
    deviation_mm: NDArray[np.float32]

    @property
    def covered(self) -> NDArray[np.bool_]:
        """Where the surface is seen."""
        return np.isfinite(self.depth)

    def page_sized(self, field: NDArray[np.float32]) -> NDArray[np.float32]:
        """A field averaged down to the page's pixels."""
        h, w = field.shape[0] // FINER, field.shape[1] // FINER
        total = np.zeros((h, w), dtype=np.float32)
        for row in range(FINER):
            for col in range(FINER):
                total += field[row : h * FINER : FINER, col : w * FINER : FINER]
        total /= FINER * FINER
        return total

    def sees(self, point_px: FloatArray, *, within_px: float) -> bool:
        """True if a projected point (column, row, depth in page pixels) is not hidden."""
        col, row = (round(float(x + 0.5) * FINER - 0.5) for x in point_px[:2])
        if not (0 <= row < self.depth.shape[0] and 0 <= col < self.depth.shape[1]):
            return False
        return bool(np.isfinite(self.depth[row, col])) and bool(
            self.depth[row, col] <= (point_px[2] + within_px) * FINER
        )


def shade(surface: Surface, deviation_mm: FloatArray, *, rounds: int = 4) -> ShadedSurface:
    """Smooth normals and deviation over `rounds` of neighbours (about 0.3 mm in a usual scan): noise is neither lit nor contoured.

    Parameters
    ----------
    surface : Surface
    deviation_mm : (n,) float array
        Positive where material is left; 0 where there is no map.
    rounds : int
    """
    corners = surface.vertices_mm[surface.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    values = np.zeros((len(surface.vertices_mm), 4), dtype=np.float32)
    for axis in range(3):
        weights = np.repeat(across[:, axis], 3)
        values[:, axis] = np.bincount(surface.faces.ravel(), weights=weights, minlength=len(values))
    values[:, :3] /= np.maximum(np.linalg.norm(values[:, :3], axis=1, keepdims=True), 1e-12)
    values[:, 3] = deviation_mm
    smooth = averaged(values, surface.faces, rounds)
    return ShadedSurface(surface, np.hstack([smooth, surface.vertices_mm[:, 2:].astype(np.float32)]))


def render(shaded: ShadedSurface, camera: Camera, *, width: int, height: int, floor_mm: float) -> Buffers:
    """Draw a surface; what lies below `floor_mm` (z) is left out."""
    fine = camera.scaled(float(FINER))
    points = fine.project(shaded.surface.vertices_mm)
    depth, image = rasterise(
        points, read_only(shaded.surface.faces, np.int32), shaded.values, height * FINER, width * FINER
    )
    depth[image[:, :, 4] < floor_mm] = -np.inf
    return Buffers(camera, depth, image[:, :, :3], np.where(np.isfinite(depth), image[:, :, 3], 0.0).astype(np.float32))


def grey_png(buffers: Buffers) -> bytes:
    """The shaded picture as a PNG of grey and alpha."""
    camera = buffers.camera
    light = KEY_LIGHT / np.linalg.norm(KEY_LIGHT)
    world = light[0] * camera.right + light[1] * camera.up + light[2] * camera.eye
    picture, _ = greys(buffers.depth, buffers.normals, _hollows(buffers), world, camera.eye, float(MATT_LIGHT))
    return png_of(picture)


def _hollows(buffers: Buffers) -> NDArray[np.float32]:
    """Loss of sky at the page's resolution, softened."""
    coarse = np.ascontiguousarray(buffers.depth[::FINER, ::FINER]) / FINER
    found = hollows(coarse.astype(np.float32), max(8, round(1.6 * buffers.camera.px_per_mm)))
    for axis in (0, 1, 0, 1):
        found = np.asarray((np.roll(found, 1, axis) + 2 * found + np.roll(found, -1, axis)) / 4, dtype=np.float32)
    return found


def png_of(picture: NDArray[np.uint8]) -> bytes:
    """Grey and alpha, 8 bit, each row stored as its difference from the row above."""
    height, width = picture.shape[:2]
    rows = picture.reshape(height, 2 * width)
    difference = rows.copy()
    difference[1:] -= rows[:-1]
    lines = np.concatenate([np.full((height, 1), 2, dtype=np.uint8), difference], axis=1)
    header = struct.pack(">IIBBBBB", width, height, 8, 4, 0, 0, 0)
    parts = [(b"IHDR", header), (b"IDAT", zlib.compress(lines.tobytes(), 4)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in parts
    )
