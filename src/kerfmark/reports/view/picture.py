"""One view of the piece as a drawing: shaded surface, map, outlines, balloons, scale bar, axes."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.geometry.edges import boundary_loops
from kerfmark.kernels.arrays import read_only
from kerfmark.kernels.raster import rasterise
from kerfmark.records import Assessment, FloatArray, Surface
from kerfmark.reports.canvas import CHAIN_DOUBLE, NARROW, line, path, scale_bar, svg, text
from kerfmark.reports.contents import PieceContents
from kerfmark.reports.contours import contour_chains, length_of
from kerfmark.reports.sections.key import NOT_SCANNED, UNSEEN_FILL, unseen_pattern
from kerfmark.reports.view.camera import Camera, camera_towards, direction_words
from kerfmark.reports.view.deviation import CORRIDOR_MM, cut_depth_mm, deviation_mm, map_patches, map_svg, patch_labels
from kerfmark.reports.view.pins import pins_of, pins_svg
from kerfmark.reports.view.render import Buffers, ShadedSurface, grey_png, render, shade

if TYPE_CHECKING:
    from kerfmark.exercise.prepared import Prepared

__all__ = ["View", "ViewScene", "scene_of", "view_of"]

BELOW_CUT_MM: Final = 3.2
RIM_PX, LEAST_RING = 3, 4
VIEW_SIZE: Final = (400, 424)


@dataclass(frozen=True, slots=True, eq=False)
class ViewScene:
    """What all views of one piece share."""

    shaded: ShadedSurface
    ghost: Surface | None
    floor_mm: float
    mesial_sign: int
    margin: tuple[FloatArray, ...]
    has_map: bool
    limit_mm: float
    rims: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    """Points (n, 3) of the edges that a scan ends on, mm."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One finished view: its letter, the drawing, and the patches it names."""

    letter: str
    drawing: str
    patch_texts: tuple[str, ...]
    px_per_mm: float
    has_holes: bool = False


def scene_of(assessment: Assessment, prepared: Prepared, *, limit_mm: float = CORRIDOR_MM) -> ViewScene:
    """Prepare a piece for its views: smoothed normals, deviation, and how far down it is shown."""
    piece = assessment.piece
    deep = cut_depth_mm(piece, prepared) > max(0.05, 3e-3 * piece.noise_um)
    heights = piece.surface.vertices_mm[:, 2]
    lowest = float(np.percentile(heights[deep], 1.0)) if deep.any() else float(heights.min())
    deviations = deviation_mm(piece, prepared)
    return ViewScene(
        shaded=shade(piece.surface, deviations),
        ghost=prepared.subject,
        floor_mm=max(lowest - BELOW_CUT_MM, float(heights.min())),
        mesial_sign=prepared.mesial_sign,
        margin=margin_curves(assessment),
        has_map=prepared.target_grid is not None,
        limit_mm=limit_mm,
        rims=np.vstack([np.empty((0, 3)), *boundary_loops(piece.surface)]),
    )


def margin_curves(assessment: Assessment) -> tuple[FloatArray, ...]:
    """The margin as the readings saw it, if one of them kept it."""
    for name in ("margin_smoothness", "margin_continuity", "outline_area", "outline_overlap"):
        for reading in assessment.readings:
            if name in reading.id and reading.witness is not None and reading.witness.curves_mm:
                return reading.witness.curves_mm
    return ()


def view_of(
    letter: str, scene: ViewScene, contents: PieceContents, *, size: tuple[int, int] = VIEW_SIZE, with_pins: bool = True
) -> View:
    """Draw one view.

    Parameters
    ----------
    letter : str
        One of `VIEW_NAMES`, or `Z`, slanted from behind.
    scene : ViewScene
    contents : PieceContents
    size : pair of int, px
    with_pins : bool
        Balloons with leaders; left out on small pictures.
    """
    width, height = size
    camera = camera_towards(
        letter,
        _in_sight(scene),
        mesial_sign=scene.mesial_sign,
        width=width,
        height=height,
        margin_px=(46, 30) if with_pins else (14, 14),
    )
    buffers = render(scene.shaded, camera, width=width, height=height, floor_mm=scene.floor_mm)
    picture = b64encode(grey_png(buffers)).decode("ascii")
    found = map_patches(buffers, limit_mm=scene.limit_mm) if scene.has_map else []
    body = _ghost(scene, buffers, width=width, height=height)
    body += f'<image class="matt" width="{width}" height="{height}" href="data:image/png;base64,{picture}"/>'
    holes = _holes(scene, buffers)
    body += _holes_svg(holes, key=letter)
    body += map_svg(buffers, limit_mm=scene.limit_mm) if scene.has_map else ""
    body += _outline(buffers) + _margin(scene, buffers)
    body += (
        pins_svg(pins_of(contents.lines, buffers, width=width, height=height, hidden=4 if letter == "S" else 0))
        if with_pins
        else ""
    )
    body += (
        patch_labels(found)
        + _axes(camera, scene.mesial_sign, tooth=contents.has_tooth, x=46.0, y=height - 26.0)
        + scale_bar(width - 16.0, height - 12.0, camera.px_per_mm, length_mm=2.0)
    )
    label = f"The piece, seen {direction_words(letter, mesial_sign=scene.mesial_sign, tooth=contents.has_tooth)[1]}"
    texts = tuple(f"{p.shown} mm on {p.area_mm2:.1f} mm²" for p in found)
    return View(letter, svg(width, height, body, label=label, class_="view"), texts, camera.px_per_mm, bool(holes))


def _in_sight(scene: ViewScene) -> FloatArray:
    """Everything a view must have room for."""
    parts = [scene.shaded.surface.vertices_mm] + ([scene.ghost.vertices_mm] if scene.ghost else [])
    points = np.vstack(parts)
    return points[points[:, 2] >= scene.floor_mm][::7]


def _ghost(scene: ViewScene, buffers: Buffers, *, width: int, height: int) -> str:
    """The tooth before cutting, as a chain line with two dots about its outline."""
    if scene.ghost is None:
        return ""
    heights = scene.ghost.vertices_mm[:, 2:].astype(np.float32)
    near = _softened(buffers.page_sized(buffers.covered.astype(np.float32)), 4)
    depth, image = rasterise(
        buffers.camera.project(scene.ghost.vertices_mm), read_only(scene.ghost.faces, np.int32), heights, height, width
    )
    covered = np.isfinite(depth) & (image[:, :, 0] >= scene.floor_mm)
    rims = [part for rim in _rims(covered.astype(np.float32)) for part in _clear_of(rim, near)]
    return path(rims, stroke="@edge", stroke_width=NARROW, stroke_dasharray=CHAIN_DOUBLE)


def _clear_of(rim: FloatArray, near: NDArray[np.float32]) -> list[FloatArray]:
    """The stretches of an outline that do not run along the piece's own."""
    spots = np.clip(np.round(rim).astype(int), 0, [near.shape[1] - 1, near.shape[0] - 1])
    clear = near[spots[:, 1], spots[:, 0]] < 0.02
    edges = np.flatnonzero(np.diff(np.concatenate([[0], clear.astype(np.int8), [0]])))
    return [rim[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def _softened(field: NDArray[np.float32], rounds: int = 1) -> NDArray[np.float32]:
    """A field averaged with its neighbours, `rounds` times each way."""
    for axis in (0, 1) * rounds:
        field = np.asarray((np.roll(field, 1, axis) + 2 * field + np.roll(field, -1, axis)) / 4, dtype=np.float32)
    return field


def _outline(buffers: Buffers) -> str:
    rims = _rims(buffers.page_sized(buffers.covered.astype(np.float32)))
    return path(rims, stroke="@ink", stroke_width=1.1, stroke_linejoin="round")


def _holes(scene: ViewScene, buffers: Buffers) -> list[FloatArray]:
    """Outlines of what is seen through the piece where its scan has a hole; a hole that was cut has walls all round, and is none."""
    from scipy.ndimage import binary_dilation, binary_fill_holes, label

    covered = buffers.page_sized(buffers.covered.astype(np.float32)) > 0.5
    inside = binary_fill_holes(covered) & ~covered
    if not inside.any() or not len(scene.rims):
        return []
    spots = np.round(buffers.camera.project(scene.rims)[:, :2]).astype(int)
    spots = spots[((spots >= 0) & (spots < covered.shape[::-1])).all(axis=1)]
    edges = np.zeros_like(covered)
    edges[spots[:, 1], spots[:, 0]] = True
    near = binary_dilation(edges, iterations=RIM_PX)
    parts, count = label(inside)
    unseen = np.isin(parts, [k for k in range(1, count + 1) if (near & (parts == k)).any()])
    return [
        ring for ring in contour_chains(_softened(np.pad(unseen, 1).astype(np.float32)), 0.5) if len(ring) > LEAST_RING
    ]


def _holes_svg(holes: list[FloatArray], *, key: str) -> str:
    """Dots where nothing was scanned, so that a hole of the scan does not read as one through the tooth."""
    if not holes:
        return ""
    style: dict[str, Any] = {
        "fill": f"url(#{UNSEEN_FILL}-view-{key})", "stroke": "@ink", "stroke_dasharray": NOT_SCANNED,
    }  # fmt: skip
    return f"<defs>{unseen_pattern(f'view-{key}')}</defs>" + path(
        [ring - 1.0 for ring in holes], stroke_width=1.1, **style
    )


def _rims(covered: NDArray[np.float32]) -> list[FloatArray]:
    """The outlines of a mask, softened over three pixels so that they do not step."""
    return [chain for chain in contour_chains(_softened(covered), 0.5) if length_of(chain) > 30]


def _margin(scene: ViewScene, buffers: Buffers) -> str:
    """The margin where it is seen, 0.9 px."""
    parts = []
    for curve in scene.margin:
        projected = buffers.camera.project(curve)
        seen = [buffers.sees(p, within_px=0.2 * buffers.camera.px_per_mm) for p in projected]
        run: list[FloatArray] = []
        for point, visible in zip(projected, seen, strict=True):
            if visible:
                run.append(point[:2])
            else:
                parts.append(run)
                run = []
        parts.append(run)
    return path([np.array(run) for run in parts if len(run) > 2], stroke="@ink", stroke_width=0.9)


def _axes(camera: Camera, mesial_sign: int, *, tooth: bool, x: float, y: float) -> str:
    """Which way the tooth lies: the letters that face the reader."""
    ways = {"O": (0, 0, 1), "B": (0, 1, 0), "L": (0, -1, 0), "M": (mesial_sign, 0, 0), "D": (-mesial_sign, 0, 0)}
    body = ""
    for letter, way in ways.items():
        flat = np.array([camera.right @ way, -(camera.up @ way)])
        towards = float(camera.eye @ way)
        if np.hypot(*flat) < 0.25 or (letter != "O" and towards < -0.05):
            continue
        end = np.array([x, y - 14]) + 24 * flat
        body += line(x, y - 14, end[0], end[1], stroke="@ink2")
        shown = direction_words(letter, mesial_sign=mesial_sign, tooth=tooth)[0]
        spot = np.array([x, y - 14]) + 24 * flat + 9 * flat / np.hypot(*flat)
        body += text(spot[0], spot[1] + 4, shown, size=12, weight=500, anchor="middle", fill="@ink2")
    return body
