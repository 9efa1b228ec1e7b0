"""What was to go and is gone, what of it is left, and what went that should have stayed."""

from __future__ import annotations

from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.measurement.surface.volumes import (
    LEFT,
    MOST_UNSEEN,
    PLANNED_LEFT,
    PLANNED_REMOVED,
    REMOVED,
    expected_beyond,
    places,
    volume_budget,
    volume_reading,
)
from kerfmark.records import Component, Reading, Witness

__all__ = ["left_mm3", "overcut_mm3", "target_cleared"]

NO_PLAN = "the exercise has neither a target surface nor a layer to clear"


def target_cleared(bench: Bench) -> tuple[Reading, ...]:
    """`block.target_cleared`: part of the layer to clear that is gone; without one, of what the target lacks."""
    name = "block.target_cleared"
    if not _has_plan(bench):
        return (unmeasured(name, NO_PLAN, unit="1", status="not_applicable"),)
    if bench.lattice is None:
        return (measured(name, 0.0, unit="1", budget=(), witness=Witness("region")),)
    removal = bench.removal
    if removal.share > MOST_UNSEEN:
        return (unmeasured(name, f"{removal.share:.0%} of the cut was not scanned", unit="1"),)
    layer = bench.clear_layer
    layers = slice(None) if layer is None else [layer + 1]
    by_kind = removal.length_mm[layers].sum(axis=(0, 2), dtype=float) * bench.lattice.cell_mm2
    planned, gone = by_kind[PLANNED_LEFT] + by_kind[PLANNED_REMOVED], by_kind[PLANNED_REMOVED]
    if layer is not None:
        planned, gone = by_kind.sum(), by_kind[REMOVED] + by_kind[PLANNED_REMOVED]
    if planned <= 0.0:
        return (unmeasured(name, "what is to be cleared has no volume", unit="1"),)
    share = bench.planned_share if layer is None else bench.layer_shares[:, layer + 1]
    gone = min(gone + expected_beyond(bench, share), planned)
    budget = (Component(c.source, c.u / planned) for c in volume_budget(bench, share, beyond=True))
    witness = volume_reading(bench, name, "", _chosen(bench), kinds=_left_kinds(bench)).witness or Witness("region")
    return (measured(name, float(gone / planned), unit="1", budget=budget, witness=witness),)


def left_mm3(bench: Bench) -> tuple[Reading, ...]:
    """`block.left_mm3`: what was planned to go and is still there, in all and per layer."""
    name = "block.left_mm3"
    if not _has_plan(bench):
        return tuple(unmeasured(name, NO_PLAN, unit="mm3", where=w, status="not_applicable") for w, _ in places(bench))
    return tuple(
        volume_reading(bench, name, where, chosen, kinds=(PLANNED_LEFT,), face_share=bench.planned_share)
        for where, chosen in places(bench)
    )


def overcut_mm3(bench: Bench) -> tuple[Reading, ...]:
    """`block.overcut_mm3`: what is gone and was planned to stay, in all and per layer."""
    name = "block.overcut_mm3"
    if not _has_plan(bench):
        return tuple(unmeasured(name, NO_PLAN, unit="mm3", where=w, status="not_applicable") for w, _ in places(bench))
    return tuple(
        volume_reading(bench, name, where, chosen, kinds=(REMOVED,), face_share=1.0 - bench.planned_share)
        for where, chosen in places(bench)
    )


def _has_plan(bench: Bench) -> bool:
    return bench.prepared.target is not None or bench.clear_layer is not None


def _chosen(bench: Bench) -> list[int]:
    layer = bench.clear_layer
    return list(range(len(bench.layer_names) + 1)) if layer is None else [layer + 1]


def _left_kinds(bench: Bench) -> tuple[int, ...]:
    return (PLANNED_LEFT,) if bench.clear_layer is None else (LEFT, PLANNED_LEFT)
