"""How well the opening in the top face covers the planned outline."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.sections import section_curves
from kerfmark.measurement.budget import unmeasured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.overlap import opened, opening_of, overlap_reading
from kerfmark.records import FloatArray, Reading, SectionPlane, Surface

__all__ = ["outline_overlap"]


def outline_overlap(bench: Bench) -> tuple[Reading, ...]:
    """`block.outline_overlap`: Dice of the opening and the planned outline, both seen from above."""
    name = "block.outline_overlap"
    outline = _planned(bench)
    if not outline:
        return (unmeasured(name, "the exercise plans no outline", unit="1", status="not_applicable"),)
    if bench.lattice is None or not bench.has_cut:
        return (unmeasured(name, "nothing is cut", unit="1"),)
    return (overlap_reading(name, bench, outline, opening_of(bench), deeper=opening_of(bench, times=2.0)),)


def _planned(bench: Bench) -> tuple[FloatArray, ...]:
    """The outline the exercise gives; else where the target, or the layer to clear, meets the top face."""
    prepared = bench.prepared
    if prepared.outline is not None:
        return (opened(np.asarray(prepared.outline, dtype=float)),)
    if prepared.target is not None:
        return _rims_below_top(prepared.target, bench, drop_outer=True)
    if bench.clear_layer is not None:
        return _rims_below_top(prepared.layers[bench.layer_names[bench.clear_layer]], bench, drop_outer=False)
    return ()


def _rims_below_top(surface: Surface, bench: Bench, *, drop_outer: bool) -> tuple[FloatArray, ...]:
    """Closed section curves just below the top face, without the block's own outline."""
    assert bench.prepared.subject is not None
    low, high = bench.prepared.subject.vertices_mm.min(axis=0), bench.prepared.subject.vertices_mm.max(axis=0)
    level = np.array([0.0, 0.0, high[2] - bench.least_mm])
    plane = SectionPlane("top", level, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]))
    curves = section_curves(surface, plane)
    whole = 0.98 * (high - low)[:2]
    return tuple(
        opened(c) for c in curves if len(c) > 3 and not (drop_outer and (np.ptp(c, axis=0)[:2] >= whole).all())
    )
