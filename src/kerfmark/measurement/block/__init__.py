"""Layered blocks: what was to go, what went, and how true the floor, the walls and the outline are."""

from __future__ import annotations

from kerfmark.measurement.block.floor import floor_depth_mm, floor_flatness_um
from kerfmark.measurement.block.outline import outline_overlap
from kerfmark.measurement.block.volumes import left_mm3, overcut_mm3, target_cleared
from kerfmark.measurement.block.walls import WALLS, wall_squareness_deg
from kerfmark.measurement.measures import Measure
from kerfmark.measurement.surface.bench import Bench

__all__ = ["BLOCK"]

BLOCK: tuple[Measure, ...] = (
    Measure(
        id="block.target_cleared",
        family="block",
        unit="1",
        definition="Part of the layer to clear that is gone; without one, of what the target lacks.",
        context=Bench,
        function=target_cleared,
    ),
    Measure(
        id="block.left_mm3",
        family="block",
        unit="mm3",
        definition="Volume that was planned to go and is still there, in all and per layer.",
        context=Bench,
        function=left_mm3,
        wheres=("all", "other"),
        by_layer=True,
    ),
    Measure(
        id="block.overcut_mm3",
        family="block",
        unit="mm3",
        definition="Volume that is gone and was planned to stay, in all and per layer.",
        context=Bench,
        function=overcut_mm3,
        wheres=("all", "other"),
        by_layer=True,
    ),
    Measure(
        id="block.floor_depth_mm",
        family="block",
        unit="mm",
        definition="Mean depth of the floor below the top face.",
        context=Bench,
        function=floor_depth_mm,
    ),
    Measure(
        id="block.floor_flatness_um",
        family="block",
        unit="um",
        definition="Root mean square height of the floor off its best plane, the source's noise taken off.",
        context=Bench,
        function=floor_flatness_um,
    ),
    Measure(
        id="block.wall_squareness_deg",
        family="block",
        unit="deg",
        definition="Departure of each wall from 90° to the top face; without a place, the largest.",
        context=Bench,
        function=wall_squareness_deg,
        wheres=WALLS,
    ),
    Measure(
        id="block.outline_overlap",
        family="block",
        unit="1",
        definition="Dice of the opening in the top face and the planned outline.",
        context=Bench,
        function=outline_overlap,
    ),
)
