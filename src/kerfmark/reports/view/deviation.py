"""The deviation map: how far the piece stands from its target, shown only where the tooth was cut or was to be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.grids import sample
from kerfmark.kernels.raster import patches
from kerfmark.records import FloatArray, Piece
from kerfmark.reports.canvas import path, path_data, svg, text, text_width
from kerfmark.reports.contours import contour_chains, length_of
from kerfmark.reports.placement import Box
from kerfmark.reports.view.render import FINER, Buffers
from kerfmark.reports.wording import number

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = [
    "CORRIDOR_MM",
    "LEAST_PATCH_MM2",
    "STEPS_MM",
    "Patch",
    "cut_depth_mm",
    "deviation_mm",
    "legend_svg",
    "map_patches",
    "map_svg",
    "patch_words",
]

CORRIDOR_MM: Final = 0.15
"""Half width of the corridor about the target where the exercise sets none."""

STEPS_MM: Final = (0.0, 0.10, 0.20)
SHORTEST_LOOP_PX: Final = 26.0
LEAST_PATCH_MM2: Final = 4.0

KNOWN_TO_MM: Final = 0.59
"""Distances from the target are kept within 0.6 mm; a patch that reaches there is said to be deeper, not to be 0.60."""


@dataclass(frozen=True, slots=True)
class Patch:
    """A patch beyond the corridor: where its greatest value stands (page px), that value (mm), its area (mm²)."""

    x: float
    y: float
    value_mm: float
    area_mm2: float

    @property
    def shown(self) -> str:
        """The greatest value with its sign, `over` where it lies beyond what is known."""
        return patch_words(self.value_mm)


def patch_words(value_mm: float) -> str:
    """A patch's greatest value with its sign, `over` where it lies beyond what is known.

    >>> patch_words(0.382), patch_words(-0.6)
    ('+0.38', 'over −0.6')
    """
    if abs(value_mm) < KNOWN_TO_MM:
        return number(value_mm, 2, sign=True)
    return "over " + number(np.sign(value_mm) * 0.6, 1, sign=True)


def cut_depth_mm(piece: Piece, prepared: Prepared) -> FloatArray:
    """How deep each vertex of the piece lies below the surface before cutting; the grid's band where deeper."""
    return -sample(prepared.subject_grid, piece.surface.vertices_mm)


def deviation_mm(piece: Piece, prepared: Prepared) -> FloatArray:
    """Signed distance of each vertex from the target, + material left; 0 where nothing was cut or to be cut."""
    points = piece.surface.vertices_mm
    if prepared.target_grid is None:
        return np.zeros(len(points))
    from_target = sample(prepared.target_grid, points)
    from_subject = sample(prepared.subject_grid, points)
    least = max(0.05, 3e-3 * piece.noise_um)
    touched = (from_subject < -least) | (from_target - from_subject > least)
    return np.where(touched, from_target, 0.0)


def map_svg(buffers: Buffers, *, limit_mm: float = CORRIDOR_MM) -> str:
    """Flat steps and their isolines for both sides; loops under 26 px are dropped, line and fill together."""
    field = buffers.page_sized(buffers.deviation_mm)
    body = ""
    for sign, side in ((1.0, "l"), (-1.0, "o")):
        for step, beyond in enumerate(STEPS_MM, 1):
            chains = [c for c in contour_chains(sign * field, limit_mm + beyond) if length_of(c) >= SHORTEST_LOOP_PX]
            data = "".join(path_data(chain, closed=True) for chain in chains)
            width = 1.05 if step == 1 else 0.4
            body += path(
                data, fill=f"@{side}{step}", fill_opacity=0.93, fill_rule="evenodd", stroke="@ink", stroke_width=width
            )
    return f'<g class="map">{body}</g>'


def map_patches(buffers: Buffers, *, limit_mm: float = CORRIDOR_MM) -> list[Patch]:
    """Patches over 4 mm² on the surface, with their greatest value."""
    pixel_mm2 = _surface_per_pixel(buffers)
    field = buffers.page_sized(buffers.deviation_mm)
    found = []
    for sign in (1.0, -1.0):
        beyond = sign * field
        label = patches(beyond > limit_mm)
        areas = np.bincount(label.ravel(), weights=pixel_mm2.ravel())
        for patch in np.flatnonzero(areas > LEAST_PATCH_MM2):
            if patch > 0:
                mine = label == patch
                row, col = _middle(mine)
                found.append(Patch(col, row, sign * float(beyond[mine].max()), float(areas[patch])))
    return found


def _surface_per_pixel(buffers: Buffers) -> FloatArray:
    """Surface behind each pixel of the page, mm²; at most five times what a surface seen squarely has."""
    normals = buffers.normals[::FINER, ::FINER]
    length = np.maximum(np.sqrt(np.einsum("ijk,ijk->ij", normals, normals)), 1e-6)
    facing = np.maximum(normals @ buffers.camera.eye.astype(np.float32) / length, 0.2)
    return np.asarray(1.0 / buffers.camera.px_per_mm**2 / facing, dtype=float)


def _middle(mine: NDArray[np.bool_]) -> tuple[float, float]:
    """The pixel (row, column) of a patch nearest to its centroid."""
    rows, cols = np.nonzero(mine)
    nearest = int(np.argmin((rows - rows.mean()) ** 2 + (cols - cols.mean()) ** 2))
    return float(rows[nearest]), float(cols[nearest])


def patch_labels(found: list[Patch]) -> str:
    """Each patch's greatest value with its sign, haloed, in the patch's middle."""
    body, taken = "", list[Box]()
    for p in sorted(found, key=lambda patch: -patch.area_mm2):  # where two would cover one another, the larger patch's
        half = text_width(p.shown, size=12) / 2
        box = Box(p.x - half, p.y - 7, p.x + half, p.y + 7)
        if any(box.overlap(other) > 0.0 for other in taken):
            continue
        taken.append(box)
        body += text(p.x, p.y + 4, p.shown, size=12, weight=600, anchor="middle", halo=True, class_="patch")
    return body


def legend_svg(*, limit_mm: float = CORRIDOR_MM, width: float = 380.0) -> str:
    """The map's legend: blue on the left, orange on the right, the limits' ticks heavier."""
    ends = [limit_mm + step for step in STEPS_MM]
    share = 0.105 * width
    middle = width / 2
    inner = middle - 3 * share
    body = f'<rect x="0.5" y="18" width="{width - 1:g}" height="12" fill="@sheet" stroke="@ink" stroke-width="0.7"/>'
    for i, (side, sign) in enumerate((("l", -1), ("o", 1)) * 3):
        step = i // 2
        begin = middle + sign * (inner + step * share)
        x = begin if sign > 0 else max(0.0, begin - share)
        body += f'<rect x="{x:.2f}" y="18" width="{share:.2f}" height="12" fill="@{side}{step + 1}" stroke="@ink" stroke-width="0.4"/>'
        mark = "+" if sign < 0 else "−"
        heavy = 1.6 if step == 0 else 0.7
        body += f'<line x1="{begin:.2f}" x2="{begin:.2f}" y1="{15 if step == 0 else 18}" y2="33" stroke="@ink" stroke-width="{heavy}"/>'
        body += text(begin, 44, f"{mark}{ends[step]:.2f}", size=12, anchor="middle", fill="@ink2")
    body += text(0, 11, "+ material left", size=12, fill="@left") + text(
        width, 11, "cut too far −", size=12, anchor="end", fill="@over"
    )
    body += text(middle, 11, "deviation from target, mm", size=12, anchor="middle", fill="@ink2")
    body += text(middle, 44, "inside the corridor", size=12, anchor="middle", fill="@ink2")
    return svg(
        width,
        48,
        body,
        label=f"Legend: blue, material left; orange, cut too far; bare within {limit_mm:.2f} mm of the target",
        class_="legend",
    )
