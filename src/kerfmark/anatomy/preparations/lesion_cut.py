"""Decay cut out of a tooth: the lesion and a little round it, and a way in from above."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.solids import Solid, difference
from kerfmark.records import Grid, Surface

__all__ = ["LesionPlan", "cut_lesion"]

SPACING_MM = 0.08
ABOVE_MM = 0.6


@dataclass(frozen=True, slots=True)
class LesionPlan:
    """How decay is cut out.

    Attributes
    ----------
    grow_mm : float
        How far round the lesion is cut; negative leaves that much of it standing.
    opening_mm : float
        The same for the way in, which takes what stands above the lesion: less than `grow_mm` leaves enamel overhanging.
    deeper_mm : float
        How much deeper than that the floor is cut.
    aside_mm : tuple of two floats
        By how much the whole is cut beside its place, along x and y.
    """

    grow_mm: float = 0.12
    opening_mm: float = 0.12
    deeper_mm: float = 0.0
    aside_mm: tuple[float, float] = (0.0, 0.0)


def cut_lesion(subject: Surface, caries: Surface, plan: LesionPlan) -> tuple[Surface, Solid]:
    """The tooth with its decay cut out, and what was taken away, standing proud of it; tooth frame."""
    box = bounds_mm(caries) + np.array([[-1.5, -1.5, -1.2 - plan.deeper_mm], [1.5, 1.5, 0.0]])
    box[1, 2] = bounds_mm(subject)[1, 2] + ABOVE_MM
    grid = distance_grid(caries, spacing_mm=SPACING_MM, band_mm=1.4, bounds_mm=box)
    decay = np.asarray(grid.values, dtype=float)
    inside = decay - plan.grow_mm
    above = np.minimum.accumulate(decay, axis=2) - plan.opening_mm
    field = np.minimum(inside, above)
    if plan.deeper_mm > 0.0:
        down = round(plan.deeper_mm / SPACING_MM)
        field[:, :, :-down] = np.minimum(field[:, :, :-down], inside[:, :, down:])
    walled = np.pad(field, 1, constant_values=1.0).astype(np.float32)
    tool = Solid.from_surface(surface_of(Grid(grid.origin_mm - SPACING_MM, SPACING_MM, walled)))
    tool = tool.parts()[0].moved([*plan.aside_mm, 0.0])
    return difference(Solid.from_surface(subject), tool).surface(), tool
