"""Cut blocks with answers known beforehand: solids cut out of solids, volumes from the solids themselves.

The block is 12 × 10 × 5 mm with a layer `lesion`, 6 × 3 mm and 2 mm deep, let into `body` and open at the top.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import SimpleNamespace

import numpy as np

from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid
from kerfmark.geometry.phantoms import scanned
from kerfmark.geometry.solids import Solid, difference, intersection
from kerfmark.records import Alignment, FloatArray, Piece, Surface

Key = tuple[str, str | None, str | None]
BLOCK = Solid.box([-6, -5, -5], [6, 5, 0])
LESION = Solid.box([-3, -1.5, -2], [3, 1.5, 0])
OUTLINE = np.array([[-3.0, -1.5, 0.0], [3.0, -1.5, 0.0], [3.0, 1.5, 0.0], [-3.0, 1.5, 0.0]])
GRID = {"spacing_mm": 0.1, "band_mm": 0.6}
ABOVE_MM = 0.5


@dataclass(frozen=True)
class Pocket:
    """A pocket with plane walls: its sides at the floor's level (x0, x1, y0, y1), depth, leans outwards, floor tilt."""

    sides_mm: tuple[float, float, float, float] = (-3.0, 3.0, -1.5, 1.5)
    depth_mm: float = 2.0
    lean_deg: Mapping[str, float] = field(default_factory=dict)
    tilt_deg: float = 0.0
    turned_deg: float = 0.0

    @property
    def lean(self) -> list[float]:
        """Tangents of the leans of the walls at x0, x1, y0, y1 (distal, mesial, lingual, buccal with mesial on +x)."""
        return [math.tan(math.radians(self.lean_deg.get(w, 0.0))) for w in ("distal", "mesial", "lingual", "buccal")]

    def corners(self, *, floor: bool) -> FloatArray:
        """(4, 3) corners of the floor, or of the opening `ABOVE_MM` over the top face; counter-clockwise."""
        x0, x1, y0, y1 = self.sides_mm
        a, b, c, d = self.lean
        tilt = math.tan(math.radians(self.tilt_deg))
        corners = []
        for sx, sy in ((0, 0), (1, 0), (1, 1), (0, 1)):
            z = -self.depth_mm if floor else ABOVE_MM
            for _ in range(50 if floor else 1):
                rise = z + self.depth_mm
                x, y = (x1 + b * rise if sx else x0 - a * rise), (y1 + d * rise if sy else y0 - c * rise)
                z = -self.depth_mm + tilt * x if floor else ABOVE_MM
            corners.append([x, y, z])
        return np.array(corners)

    def solid(self) -> Solid:
        """What the pocket takes away, standing proud of the top face."""
        made = Solid.loft(np.array([self.corners(floor=True), self.corners(floor=False)]))
        return made.transformed(rotation_about([0, 0, 1], self.turned_deg))

    def opening_area_mm2(self, other: Solid | None = None) -> float:
        """Area of the opening at the top face, or of what it shares with an upright prism."""
        slab = intersection(self.solid(), Solid.box([-9, -9, -1e-3], [9, 9, 1e-3]))
        return (slab if other is None else intersection(slab, other)).volume_mm3 / 2e-3


def prepared(**more: object) -> SimpleNamespace:
    """What preparing the block exercise gives, as far as its readings look at it."""
    target = difference(BLOCK, LESION).surface()
    layers = {"body": difference(BLOCK, LESION).surface(), "lesion": LESION.surface()}
    fields = {
        "exercise": SimpleNamespace(
            family="block",
            source=SimpleNamespace(kind="scan"),
            target=SimpleNamespace(clear="lesion", depth_mm=None, width_mm=None),
        ),
        "subject": BLOCK.surface(),
        "subject_grid": distance_grid(BLOCK.surface(), **GRID),
        "target": target,
        "target_grid": distance_grid(target, **GRID),
        "layers": layers,
        "layer_grids": {name: distance_grid(layer, **GRID) for name, layer in layers.items()},
        "outline": OUTLINE,
        "line": None,
        "mesial_sign": 1,
        "lattice": None,
        "columns": {},
    }
    return SimpleNamespace(**{**fields, **more})


def aligned(
    surface: Surface, *, noise_um: float = 0.0, trueness_um: float = 0.0, covariance: FloatArray | None = None
) -> Piece:
    """A piece as it leaves registration."""
    covariance = np.zeros((6, 6)) if covariance is None else covariance
    return Piece("scan", "0" * 64, surface, Alignment(np.eye(4), 5.0, 1.0, covariance, 9999), noise_um, trueness_um)


def moved(surface: Surface, covariance: FloatArray, rng: np.random.Generator) -> Surface:
    """A surface as an alignment with this covariance leaves it."""
    motion = rng.multivariate_normal(np.zeros(6), covariance, method="eigh")
    points = surface.vertices_mm
    return Surface(points + np.cross(motion[:3], points) + motion[3:], surface.faces)


@dataclass(frozen=True)
class Blank:
    """A solid with known answers, ready to be scanned any number of times."""

    prepared: SimpleNamespace
    solid: Solid
    truth: dict[Key, float]
    edge_mm: float = 0.15

    @cached_property
    def fine(self) -> Surface:
        """The solid in even triangles."""
        return evened(self.solid.surface(), self.edge_mm)

    def piece(
        self,
        rng: np.random.Generator,
        *,
        noise_um: float,
        trueness_um: float = 0.0,
        covariance: FloatArray | None = None,
    ) -> Piece:
        fine = self.fine
        scan = scanned(fine, noise_um=noise_um, edge_mm=self.edge_mm, rng=rng, trueness_um=trueness_um, even=False)
        if covariance is not None:
            scan = moved(scan, covariance, rng)
        return aligned(scan, noise_um=noise_um, trueness_um=trueness_um, covariance=covariance)


POCKETS = {
    "as planned": Pocket(),
    "short and wide": Pocket(sides_mm=(-3.0, 3.0, -1.5, 1.65), depth_mm=1.8),
    "deep": Pocket(sides_mm=(-2.9, 3.1, -1.4, 1.4), depth_mm=2.25),
    "leaning walls": Pocket(lean_deg={"buccal": 4.0, "mesial": 6.0, "distal": -3.0}),
    "tilted floor": Pocket(depth_mm=1.9, tilt_deg=2.0, lean_deg={"lingual": 8.0}),
    "turned": Pocket(sides_mm=(-2.8, 2.8, -1.4, 1.4), turned_deg=12.0),
}


def volumes(pocket: Pocket) -> dict[Key, float]:
    """Volumes by booleans of solids."""
    gone = intersection(pocket.solid(), BLOCK)
    cleared = intersection(gone, LESION).volume_mm3
    whole, lesion = gone.volume_mm3, LESION.volume_mm3
    return {
        ("surface.removed_mm3", "all", None): whole,
        ("surface.removed_mm3", "lesion", None): cleared,
        ("surface.removed_mm3", "body", None): whole - cleared,
        ("block.target_cleared", None, None): cleared / lesion,
        ("block.left_mm3", "lesion", None): lesion - cleared,
        ("block.left_mm3", "all", None): lesion - cleared,
        ("block.overcut_mm3", "body", None): whole - cleared,
        ("block.overcut_mm3", "all", None): whole - cleared,
    }


def shape(pocket: Pocket) -> dict[Key, float]:
    """Depth, flatness, squareness and overlap by construction."""
    planned = 18.0
    opening = pocket.opening_area_mm2()
    column = Solid.extruded(OUTLINE[:, :2], 2.0).moved([0, 0, -1])
    found: dict[Key, float] = {
        ("block.outline_overlap", None, None): 2.0 * pocket.opening_area_mm2(column) / (planned + opening),
        ("block.floor_flatness_um", None, None): 0.0,
    }
    middle = 0.5 * (pocket.corners(floor=True)[:, 0].min() + pocket.corners(floor=True)[:, 0].max())
    found["block.floor_depth_mm", None, None] = pocket.depth_mm - middle * math.tan(math.radians(pocket.tilt_deg))
    leans = {wall: abs(pocket.lean_deg.get(wall, 0.0)) for wall in ("buccal", "lingual", "mesial", "distal")}
    found.update({("block.wall_squareness_deg", wall, None): lean for wall, lean in leans.items()})
    if max(leans.values()) > 1.0:
        found["block.wall_squareness_deg", None, None] = max(leans.values())
    return found


def blanks(edge_mm: float = 0.15) -> dict[str, Blank]:
    """Every pocket as the accuracy table takes it."""
    common = prepared()
    return {
        name: Blank(common, difference(BLOCK, pocket.solid()), volumes(pocket) | shape(pocket), edge_mm)
        for name, pocket in POCKETS.items()
    }
