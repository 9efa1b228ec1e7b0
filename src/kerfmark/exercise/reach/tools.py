"""An instrument as the reach kernel sees it: balls and rim points that may not hit anything, and places its head takes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from kerfmark.instruments import Instrument, head_distance, shank_profile
from kerfmark.kernels.reach import BEFORE_TIP_MM
from kerfmark.records import FloatArray, IntArray

__all__ = ["CELL_MM", "Tool", "directions", "head_places", "tool_of", "turned"]

BALL_STEP_MM, FINE_STEP_MM = 0.15, 0.01
CELL_MM = 0.02
RIM_STEP_MM = 0.25
COVERED_MM = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Tool:
    """A tool about its own axis, the tip at the origin and the axis +z towards the handle.

    Attributes
    ----------
    name : str
    probes_mm : (n, 4) float array
        Balls that together fill the head, its neck and its shank: centre, radius. Sharp edges are balls of radius 0.
    short_probes_mm : (k, 4) float array
        The same of the head and a short neck no wider than where it begins.
    instrument : Instrument
    table : 2-D float array
        Depth inside the head, see `depth_table`.
    """

    name: str
    probes_mm: FloatArray
    short_probes_mm: FloatArray
    instrument: Instrument
    table: FloatArray


def tool_of(instrument: Instrument) -> Tool:
    """A tool from an instrument: its head, a neck that widens to the shank 9 mm from the tip, and the shank to 14 mm."""
    behind = shank_profile(instrument)
    length, neck = behind[0]
    body = _prolonged(instrument, behind)
    short = _prolonged(instrument, np.array([[length, neck], [length + 1.0, neck], [length + 1.0, 0.0]]))
    return Tool(instrument.name, _probes(body), _probes(short), instrument, depth_table(instrument))


def _prolonged(instrument: Instrument, more: FloatArray) -> Instrument:
    """The instrument with more of it behind its head."""
    return Instrument(instrument.name, np.vstack([instrument.profile_mm[:-1], more]), instrument.shank_diameter_mm)


def _probes(instrument: Instrument) -> FloatArray:
    """The largest balls about points of the axis, and points of the profile that those leave uncovered, turned round."""
    heights = np.linspace(0.0, instrument.length_mm, int(np.ceil(instrument.length_mm / FINE_STEP_MM)) + 1)
    radii = -head_distance(instrument, heights, np.zeros(len(heights)))
    crest = np.r_[False, (radii[1:-1] >= radii[:-2]) & (radii[1:-1] > radii[2:]), False]
    keep = (radii > 0.02) & (crest | (np.arange(len(heights)) % round(BALL_STEP_MM / FINE_STEP_MM) == 0))
    balls = np.stack([np.zeros(keep.sum()), np.zeros(keep.sum()), heights[keep], radii[keep]], axis=1)
    along, radius = _profile_points(instrument.profile_mm)
    gap = np.hypot(along[:, None] - balls[:, 2], radius[:, None]) - balls[:, 3]
    bare = gap.min(axis=1) > COVERED_MM
    rims = [_ring(h, r) for h, r in zip(along[bare], radius[bare], strict=True)]
    return np.vstack([balls[np.argsort(-balls[:, 3])], *rims])


def _profile_points(profile: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points along the profile, corners included, at most 0.2 mm apart."""
    points = [profile[:1]]
    for start, end in pairwise(profile):
        count = max(1, int(np.ceil(np.linalg.norm(end - start) / 0.2)))
        points.append(start + np.arange(1, count + 1)[:, None] / count * (end - start))
    every = np.vstack(points)
    return every[:, 0], every[:, 1]


def _ring(height: float, radius: float) -> FloatArray:
    count = max(1, int(np.ceil(2 * np.pi * radius / RIM_STEP_MM))) if radius > 1e-6 else 1
    turn = 2 * np.pi * np.arange(count) / count
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(count, height), np.zeros(count)], axis=1)


def directions() -> FloatArray:
    """Axes from tip to handle that are tried: up to 30 degrees about occlusal, then facial ones up to level; unit, (n, 3)."""
    axes = [[0.0, 0.0, 1.0]]
    for lean in np.radians([10.0, 20.0, 30.0]):
        for turn in np.radians(np.arange(0.0, 360.0, 45.0)):
            axes.append([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    for lean, turn in ((45.0, 90.0), (60.0, 90.0), (90.0, 90.0), (90.0, 60.0), (90.0, 120.0)):
        a, b = np.radians(lean), np.radians(turn)
        axes.append([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)])
    return np.array(axes)


def turned(axis: FloatArray) -> FloatArray:
    """The 3 × 3 rotation that carries +z onto `axis`."""
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x = np.cross(helper, axis)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(axis, x), axis], axis=1)


def head_places(tool: Tool, axis: FloatArray, *, spacing_mm: float) -> tuple[IntArray, FloatArray]:
    """Lattice offsets from the tip that lie in the head or within 2 steps of it, and how deep they lie, to 0.02 mm.

    Those just inside come first: where a tool touches, that is where a place comes to lie.
    """
    end = np.rint(axis * tool.instrument.length_mm / spacing_mm).astype(int)
    room = int(np.ceil(tool.instrument.diameter_mm / 2 / spacing_mm)) + 3
    low, high = np.minimum(0, end) - room, np.maximum(0, end) + room
    axes = [np.arange(low[k], high[k] + 1) for k in range(3)]
    offsets = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    along = spacing_mm * offsets @ axis
    radius = np.linalg.norm(spacing_mm * offsets - along[:, None] * axis, axis=1)
    row, column = np.rint((along + BEFORE_TIP_MM) / CELL_MM).astype(int), np.rint(radius / CELL_MM).astype(int)
    known = (row >= 0) & (row < tool.table.shape[0]) & (column < tool.table.shape[1])
    depth = np.full(len(offsets), -np.inf)
    depth[known] = tool.table[row[known], column[known]]
    keep = np.flatnonzero(depth > -2.0 * spacing_mm)
    keep = keep[np.argsort(np.abs(depth[keep] - 0.5 * spacing_mm), kind="stable")]
    return offsets[keep].astype(np.int32), depth[keep]


def depth_table(instrument: Instrument) -> FloatArray:
    """How deep points lie in the head, by distance along the axis (rows) and from it (columns), every `CELL_MM`."""
    along = np.arange(-BEFORE_TIP_MM, instrument.length_mm + 1.0, CELL_MM)
    radius = np.arange(0.0, instrument.diameter_mm / 2 + 1.0, CELL_MM)
    return -head_distance(instrument, along[:, None], radius[None, :])
