"""Half-plane sections round a stump: the line they turn about, and each section as one evenly sampled run of points."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.geometry.frames import azimuth_direction
from kerfmark.measurement.budget import CROSSINGS_PER_EDGE_LENGTH
from kerfmark.records import FloatArray, SectionPlane

__all__ = ["STEP_MM", "Section", "Turning", "drawn_on", "even_section"]

STEP_MM = 0.025
SHORTEST_CHAIN_MM = 0.2
LONGEST_SEAM_MM = 0.15
LONGEST_FOLD_MM = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """The line half-planes turn about: `origin_mm` on it, unit `path` along it, +1 or −1 for the side of mesial.

    Azimuths are the tooth frame's (0° facial, 90° mesial); a half-plane holds the path and the azimuth's direction.
    """

    origin_mm: FloatArray
    path: FloatArray
    mesial_sign: int

    def outward(self, azimuth_deg: float | FloatArray) -> FloatArray:
        """Unit directions (..., 3) square to the path, one for each azimuth."""
        if isinstance(azimuth_deg, (int, float)):
            return _one_outward(tuple(self.path.tolist()), self.mesial_sign, azimuth_deg % 360.0)
        flat = azimuth_direction(np.asarray(azimuth_deg, float), mesial_sign=self.mesial_sign)
        square = flat - (flat @ self.path)[..., None] * self.path
        return np.asarray(square / np.linalg.norm(square, axis=-1, keepdims=True))

    def to_space(self, points: ArrayLike, azimuth_deg: float | FloatArray) -> FloatArray:
        """Points (..., 2) of radius and height in the tooth frame, (..., 3) mm."""
        points = np.asarray(points, float)
        return np.asarray(self.origin_mm + points[..., :1] * self.outward(azimuth_deg) + points[..., 1:] * self.path)

    def cylindrical(self, points_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Azimuth (degrees, 0 to 360), radius and height (mm) of points (n, 3)."""
        offsets = points_mm - self.origin_mm
        height = offsets @ self.path
        square = offsets - height[:, None] * self.path
        flat = square - (square[:, 2] / self.path[2])[:, None] * self.path
        azimuth = np.degrees(np.arctan2(self.mesial_sign * flat[:, 0], flat[:, 1])) % 360.0
        return azimuth, np.linalg.norm(square, axis=1), height

    def plane(self, name: str, azimuth_deg: float) -> SectionPlane:
        """The plane through the line that holds an azimuth, drawn with that azimuth to the right."""
        return SectionPlane(name, self.origin_mm, self.outward(azimuth_deg), self.path)


@lru_cache(maxsize=4096)
def _one_outward(path: tuple[float, float, float], mesial_sign: int, azimuth_deg: float) -> FloatArray:
    """`Turning.outward` of one azimuth, kept: it is asked for thousands of times a piece."""
    flat = azimuth_direction(azimuth_deg, mesial_sign=mesial_sign)
    square = flat - (flat @ path) * np.array(path)
    direction: FloatArray = square / np.linalg.norm(square)
    direction.flags.writeable = False
    return direction


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One half-plane's run of points (n, 2), radius and height, every `STEP_MM` from low to the axis on top.

    `seams` are the indices at which a new stretch begins after a gap in the surface. `crossed` (n,) counts the edges of
    the mesh crossed on the way to each point. One that `drawn_on` has carried past the axis has negative radii there,
    from index `beyond` onwards.
    """

    azimuth_deg: float
    points: FloatArray
    seams: tuple[int, ...] = ()
    crossed: FloatArray = field(default_factory=lambda: np.empty(0))
    beyond: int | None = None

    @property
    def own(self) -> FloatArray:
        """The points of the half-plane itself."""
        return self.points[: self.beyond]

    @property
    def reaches_axis(self) -> bool:
        """Whether it comes in to the axis, as over a whole stump."""
        return len(self.points) > 0 and float(self.points[-1, 0]) < 2.0 * STEP_MM

    def along_mm(self, start: int = 0, stop: int = -1) -> float:
        """Side of even triangles whose edges a stretch between two points would cross as often as it crosses the mesh's.

        How far along the section the noise of its points is alike hangs on it.
        """
        if len(self.crossed) < 2:
            return STEP_MM
        stop = stop % len(self.points)
        crossings = max(float(self.crossed[stop] - self.crossed[start]), 1.0)
        return CROSSINGS_PER_EDGE_LENGTH * STEP_MM * max(stop - start, 1) / crossings

    def near(self, point: FloatArray) -> int:
        """Index of the point nearest to a place."""
        return int(np.argmin(((self.points - point) ** 2).sum(axis=1)))


def even_section(chains: tuple[FloatArray, ...], azimuth_deg: float) -> Section:
    """The chains of one half-plane put in order from below and sampled evenly; empty where nothing was met."""
    upright = [c if c[0, 1] <= c[-1, 1] else c[::-1] for c in chains if _of_outline(c)]
    upright.sort(key=lambda c: float(c[0, 1]))
    runs: list[FloatArray] = []
    crossed: list[FloatArray] = []
    seams: list[int] = []
    for chain in upright:
        if runs and float(chain[-1, 1]) < float(runs[-1][-1, 1]) - 1.0:
            continue  # runs back below what is already laid: not part of the outline
        if runs and np.linalg.norm(chain[0] - runs[-1][-1]) > LONGEST_SEAM_MM:
            seams.append(sum(len(r) for r in runs))
        run, count = _evenly(chain)
        runs.append(run)
        crossed.append(count + (crossed[-1][-1] if crossed else 0.0))
    points = np.concatenate(runs) if runs else np.empty((0, 2))
    counts = np.concatenate(crossed) if crossed else np.empty(0)
    return Section(azimuth_deg, points, tuple(seams), counts)


def drawn_on(section: Section, opposite: Section, down_to: int) -> Section:
    """A section carried on past the axis, along the opposite half-plane's one down to a point of it."""
    far = opposite.points[down_to:][::-1] * [-1.0, 1.0]
    own, count = len(section.points), len(opposite.points)
    crossed = section.crossed[-1] + opposite.crossed[-1] - opposite.crossed[down_to:][::-1]
    seams = [own + count - s for s in reversed(opposite.seams) if s > down_to]
    return Section(
        section.azimuth_deg,
        np.concatenate([section.points, far]),
        (*section.seams, *seams),
        np.concatenate([section.crossed, crossed]),
        own,
    )


def _of_outline(chain: FloatArray) -> bool:
    """Not a speck, nor a small closed curve, as triangles make that noise has folded over."""
    length = _length(chain)
    closed = bool((chain[0] == chain[-1]).all())
    return length >= (LONGEST_FOLD_MM if closed else SHORTEST_CHAIN_MM)


def _length(chain: FloatArray) -> float:
    return float(np.hypot(*np.diff(chain, axis=0).T).sum())


def _evenly(chain: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points every `STEP_MM` along a chain, and how many of its own points lie before each."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(chain, axis=0).T))])
    wanted = np.arange(0.0, along[-1], STEP_MM)
    points = np.column_stack([np.interp(wanted, along, chain[:, 0]), np.interp(wanted, along, chain[:, 1])])
    return points, np.interp(wanted, along, np.arange(len(chain)))
