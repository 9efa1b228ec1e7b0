"""Section 0, common to every family: deviation from the target, and what was removed of each layer."""

from __future__ import annotations

from kerfmark.measurement.measures import Measure
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.deviation import STATS, deviation_mm
from kerfmark.measurement.surface.volumes import removed_mm3

__all__ = ["COMMON"]

COMMON: tuple[Measure, ...] = (
    Measure(
        id="surface.deviation_mm",
        family="common",
        unit="mm",
        definition="Signed distance of the cut surface from the target, positive where material is left, over the area.",
        context=Bench,
        function=deviation_mm,
        stats=STATS,
    ),
    Measure(
        id="surface.removed_mm3",
        family="common",
        unit="mm3",
        definition="Volume of what is inside the subject and outside the piece, in all and of each layer.",
        context=Bench,
        function=removed_mm3,
        wheres=("all", "other"),
        by_layer=True,
    ),
)
