"""Two stumps of one bridge with answers known beforehand: leaning cones cut as solids, two teeth beside one another."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import SimpleNamespace

import crown_phantoms as crowns
import numpy as np
from placed_scans import placed_scan

from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rigid_inverse, rotation_about
from kerfmark.geometry.mesh import joined, transformed
from kerfmark.geometry.solids import Solid, difference, hull, intersection, union
from kerfmark.records import FloatArray, Piece, Surface

Key = tuple[str, str | None, str | None]
PATH, HIDDEN = "crown.abutments.common_path_deg", "crown.abutments.undercut_volume_mm3"
APART_MM = 22.0
LEVEL_MM = 0.0025
LEAST_HIDDEN_MM = 0.03
"""What counts as hidden at 10 µm noise and below: 3 u of the surface, u at least 10 µm."""


def leaning(lean_deg: float, half_deg: float) -> crowns.Design:
    """A stump of one half convergence whose axis leans by so much from the tooth's, about the mesiodistal direction."""
    return crowns.Design(
        half_deg=half_deg,
        tilt_deg=lean_deg,
        tilt_about=(1.0, 0.0, 0.0),
        foot_radius_mm=3.6,
        height_mm=4.0,
        tooth_radius_mm=5.0,
    )


def on_a_level_floor(design: crowns.Design) -> tuple[Solid, Solid]:
    """A leaning cone on the tooth's own stump, cut level: the whole with its floor at height 0, and the cone alone."""
    lean = math.tan(math.radians(design.half_deg))
    bottom, top = design.foot_radius_mm + 1.5 * lean, design.foot_radius_mm - design.height_mm * lean
    cone = Solid.frustum(bottom, top, design.height_mm + 1.5, segments=crowns.SEGMENTS).moved([0.0, 0.0, -1.5])
    cone = cone.transformed(design.turned)
    below = intersection(crowns.tooth(design), Solid.box([-9.0, -9.0, -9.0], [9.0, 9.0, 0.0]))
    return union(below, cone), cone


def shadow_mm3(design: crowns.Design) -> float:
    """All the air above the floor straight under a leaning cone: the cone is convex, so its shadow is a hull."""
    whole, cone = on_a_level_floor(design)
    under = difference(hull(cone, cone.moved([0.0, 0.0, -8.0])), whole)
    return intersection(under, Solid.box([-9.0, -9.0, 0.0], [9.0, 9.0, 9.0])).volume_mm3


def hidden_mm3(design: crowns.Design, *, least_mm: float) -> float:
    """Of that air what lies under the rim by more than so much: rings about the tooth's axis, from the cone's own formula."""
    turn, level = np.radians(np.arange(0.25, 360.0, 0.5)), np.arange(0.5 * LEVEL_MM, 5.0, LEVEL_MM)
    way = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    low, high = np.zeros((len(turn), len(level))), np.full((len(turn), len(level)), 9.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        points = np.concatenate(
            [middle[..., None] * way[:, None], np.broadcast_to(level, middle.shape)[..., None]], axis=2
        )
        x, y, z = np.moveaxis(points @ design.turned[:3, :3], 2, 0)  # in the cone's own frame
        lean = math.tan(math.radians(design.half_deg))
        inside = (np.hypot(x, y) < design.foot_radius_mm - z * lean) & (z < design.height_mm)
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    rim = np.maximum.accumulate(low[:, ::-1], axis=1)[:, ::-1]
    rings = np.where(rim - low > least_mm, 0.5 * (rim**2 - low**2), 0.0)
    return float(rings.sum()) * math.radians(0.5) * LEVEL_MM


@dataclass(frozen=True)
class Two:
    """Both abutments: by how much each leans to facial, half their convergence, and by how much the second tooth is tipped."""

    leans_deg: tuple[float, float] = (0.0, 0.0)
    half_deg: float = 4.0
    tip_deg: float = 0.0

    @property
    def designs(self) -> tuple[crowns.Design, crowns.Design]:
        return leaning(self.leans_deg[0], self.half_deg), leaning(self.leans_deg[1], self.half_deg)

    @property
    def places(self) -> tuple[FloatArray, FloatArray]:
        """From each tooth's own frame into that of the first."""
        second = rotation_about([1.0, 0.0, 0.0], self.tip_deg)
        second[0, 3] = APART_MM
        return np.eye(4), second

    def spare_deg(self, lean_deg: float, least_mm: float) -> float:
        """How far a path may turn on past the wall on the leaning side before so much of it is hidden at its foot."""
        design = leaning(lean_deg, self.half_deg)
        lean, half = math.radians(lean_deg), math.radians(self.half_deg)
        rim = design.height_mm * math.cos(lean)
        rim -= (design.foot_radius_mm - design.height_mm * math.tan(half)) * math.sin(lean)  # its height over the floor
        return math.degrees(math.asin(least_mm * math.cos(lean - half) / rim))

    def truth(self, *, noise_um: float = 10.0) -> dict[Key, float]:
        """The common path is the direction nearest the middle of the long axes along which neither hides over 0.03 mm.

        A cone of half angle a that leans by t is free along every direction from t − a to t + a in the plane of its lean. The
        wall it leans over may lean on by as much as hides 0.03 mm over its length from the floor to the rim. Where no direction frees both the path lies half way
        between them, and what each hides along it is the air under its rim.
        """
        least = max(LEAST_HIDDEN_MM, 3e-3 * noise_um)
        middle = 0.5 * self.tip_deg
        leans = [lean - middle + tip for lean, tip in zip(self.leans_deg, (0.0, self.tip_deg), strict=True)]
        low = max(lean - self.half_deg - self.spare_deg(lean, least) for lean in leans)
        high = min(lean + self.half_deg + self.spare_deg(-lean, least) for lean in leans)
        if low <= high:
            return {(PATH, None, None): max(0.0, low, -high), (HIDDEN, None, None): 0.0}
        return {(HIDDEN, None, None): sum(hidden_mm3(d, least_mm=least) for d in self.designs)}


@dataclass(frozen=True)
class Blank:
    """Two abutments ready to be scanned again and again."""

    two: Two
    edge_mm: float
    truth: Mapping[Key, float] = field(default_factory=dict)

    def truth_at(self, noise_um: float) -> dict[Key, float]:
        """What counts as hidden hangs on the noise, and so does the truth."""
        return self.two.truth(noise_um=noise_um)

    @cached_property
    def prepared(self) -> SimpleNamespace:
        """The bridge's exercise and, inside it, each abutment's."""
        own, subjects = [], []
        for number, (design, place) in enumerate(zip(self.two.designs, self.two.places, strict=True)):
            subject = crowns.tooth(design).surface()
            exercise = SimpleNamespace(tooth=(46, 44)[number], family="crown", source=SimpleNamespace(kind="scan"))
            own.append(crowns.prepared_for(subject, frame=rigid_inverse(place), exercise=exercise))
            subjects.append(transformed(subject, place))
        return crowns.prepared_for(joined(subjects), frame=np.eye(4), abutments=tuple(own))

    @cached_property
    def even(self) -> Surface:
        """Both stumps in even triangles, in the frame of the first."""
        parts = zip(self.two.designs, self.two.places, strict=True)
        return joined(
            [transformed(evened(on_a_level_floor(d)[0].surface(), self.edge_mm), place) for d, place in parts]
        )

    def piece(
        self,
        rng: np.random.Generator,
        *,
        noise_um: float,
        trueness_um: float = 0.0,
        covariance: FloatArray | None = None,
    ) -> Piece:
        return placed_scan(self.even, rng, noise_um=noise_um, trueness_um=trueness_um, covariance=covariance)


DESIGNS = {
    "parallel": Two(),
    "second tooth tipped": Two(half_deg=5.0, tip_deg=8.0),
    "both leaning": Two((9.0, 11.0)),
    "apart": Two((13.0, -13.0), half_deg=3.0),
    "a little apart": Two((8.0, -8.0), half_deg=3.0),
}


def blanks(edge_mm: float = 0.1) -> dict[str, Blank]:
    """Every pair."""
    return {name: Blank(two, edge_mm, two.truth()) for name, two in DESIGNS.items()}
