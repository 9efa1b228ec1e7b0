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
    """Air above the floor straight under a leaning cone: the cone is convex, so its shadow is a hull."""
    whole, cone = on_a_level_floor(design)
    under = difference(hull(cone, cone.moved([0.0, 0.0, -8.0])), whole)
    return intersection(under, Solid.box([-9.0, -9.0, 0.0], [9.0, 9.0, 9.0])).volume_mm3


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

    def truth(self) -> dict[Key, float]:
        """The common path is the direction nearest the middle of the long axes along which neither hides over 0.03 mm.

        A cone of half angle a that leans by t is free along every direction from t − a to t + a in the plane of its lean. A
        wall 4 mm high may lean on by as much as hides 0.03 mm over it. Where no direction frees both the path lies half way
        between them, and what each hides along it is the air under its shadow.
        """
        middle = 0.5 * self.tip_deg
        leans = [lean - middle + tip for lean, tip in zip(self.leans_deg, (0.0, self.tip_deg), strict=True)]
        spare = math.degrees(LEAST_HIDDEN_MM / 3.7)
        low = max(lean - self.half_deg for lean in leans) - spare
        high = min(lean + self.half_deg for lean in leans) + spare
        if low <= high:
            return {(PATH, None, None): max(0.0, low, -high), (HIDDEN, None, None): 0.0}
        return {(HIDDEN, None, None): sum(shadow_mm3(d) for d in self.designs)}


@dataclass(frozen=True)
class Blank:
    """Two abutments ready to be scanned again and again."""

    two: Two
    edge_mm: float
    truth: Mapping[Key, float] = field(default_factory=dict)

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
