"""Crown preparations with answers known beforehand: solids cut out of solids, then scanned in simulation.

A preparation is the old tooth cut down to a solid of revolution about its own axis: floor of the finish line, internal
arc, straight wall, rounding, flat top. The measuring code shares nothing with this: it sees triangles only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np

from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.solids import Solid, intersection
from kerfmark.records import Alignment, FloatArray, Piece, Surface

SEGMENTS = 180


@dataclass(frozen=True)
class Design:
    """What is cut: half the convergence, foot radius, floor width and level, arc, height, rounding, tilt of the whole."""

    half_deg: float = 6.0
    foot_radius_mm: float = 4.0
    arc_mm: float = 0.0
    height_mm: float = 4.0
    rounding_mm: float = 0.0
    floor_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_about: tuple[float, float, float] = (1.0, 0.0, 0.0)
    tooth_radius_mm: float = 5.0
    flare_deg: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)

    @property
    def turned(self) -> FloatArray:
        return rotation_about(self.tilt_about, self.tilt_deg) if self.tilt_deg else np.eye(4)


def tooth(design: Design) -> Solid:
    """The state before cutting: a cone about z whose radius at z = 0 is the tooth's, closed above and below."""
    below, above = 2.5, design.height_mm + 1.5
    widen = math.tan(math.radians(design.flare_deg))
    bottom, top = design.tooth_radius_mm - below * widen, design.tooth_radius_mm + above * widen
    return _stretched(Solid.frustum(bottom, top, below + above, segments=SEGMENTS).moved([0, 0, -below]), design)


def _stretched(solid: Solid, design: Design) -> Solid:
    return solid.transformed(np.diag([*design.stretch, 1.0, 1.0])) if design.stretch != (1.0, 1.0) else solid


def profile(design: Design) -> FloatArray:
    """The preparation's outline (k, 2); the foot (where the wall begins) stands at the design's radius."""
    lean, floor = math.radians(design.half_deg), math.radians(design.floor_deg)
    wall = np.array([-math.sin(lean), math.cos(lean)])
    normal = np.array([math.cos(lean), math.sin(lean)])
    out = np.array([math.cos(floor), math.sin(floor)])
    sweep = math.atan2(out[1], out[0]) - (lean - math.pi / 2)
    # foot at (foot_radius, h): arc tangent to wall there, then floor; the floor passes height 0 at the foot radius + 1
    centre = design.arc_mm * normal
    arc = [centre - design.arc_mm * (math.cos(t) * normal + math.sin(t) * wall) for t in np.linspace(0, sweep, 24)]
    far = arc[-1] + 6.0 * out
    points = np.array([*arc, far])
    shift = np.array([design.foot_radius_mm, -float(points[-2][1] + out[1] / out[0] * (1.0 - points[-2][0]))])
    points = points[::-1] + shift  # far, ..., foot
    foot = points[-1]
    top = foot + wall * (design.height_mm - foot[1]) / wall[1]
    crown = _rounded(foot, top, design.rounding_mm, lean)
    return np.array([[0.0, -9.0], [far[0] + shift[0], -9.0], *points, *crown, [0.0, design.height_mm]])


def _rounded(foot: FloatArray, top: FloatArray, radius: float, lean: float) -> list[FloatArray]:
    if radius == 0.0:
        return [top]
    sweep = math.pi / 2 - lean
    normal = np.array([math.cos(lean), math.sin(lean)])
    wall = np.array([-math.sin(lean), math.cos(lean)])
    start = top - wall * radius * math.tan(sweep / 2)
    centre = start - radius * normal
    return [centre + radius * (math.cos(t) * normal + math.sin(t) * wall) for t in np.linspace(0, sweep, 24)]


def preparation(design: Design) -> Solid:
    stump = _stretched(Solid.revolved(profile(design), segments=SEGMENTS), design).transformed(design.turned)
    return intersection(tooth(design), stump)


def prepared_for(subject: Surface | None, *, mesial_sign: int = 1, **more: object) -> SimpleNamespace:
    grid = None if subject is None else distance_grid(subject, spacing_mm=0.1, band_mm=0.6)
    rest = {"neighbours": {}, "neighbour_grids": {}, "gingiva": None, "layers": {}, "layer_grids": {}, "sites": ()}
    exercise = SimpleNamespace(tooth=46, family="crown")
    fields = {**rest, "subject": subject, "subject_grid": grid, "mesial_sign": mesial_sign, "exercise": exercise, **more}
    return SimpleNamespace(**fields)


def piece_of(
    surface: Surface, *, noise_um: float = 0.0, trueness_um: float = 0.0, covariance: FloatArray | None = None, **more: object
) -> Piece:
    alignment = Alignment(np.eye(4), 0.0, 1.0, np.zeros((6, 6)) if covariance is None else covariance, 20_000)
    return Piece("scan", "0" * 64, surface, alignment, noise_um, trueness_um, **more)  # type: ignore[arg-type]


def scan_of(solid: Solid, *, noise_um: float, rng: np.random.Generator, edge_mm: float = 0.1, trueness_um: float = 0.0) -> Surface:
    return scanned(solid.surface(), noise_um=noise_um, edge_mm=edge_mm, rng=rng, trueness_um=trueness_um)
