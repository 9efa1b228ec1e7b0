"""A simulated operator's crown: the plan it misjudges, and the strokes that would leave it."""

from __future__ import annotations

import numpy as np

from kerfmark.anatomy.preparations import CrownPlan, CutCrown
from kerfmark.anatomy.tooth import tooth
from kerfmark.demo.hands import hand, strayed_plan
from kerfmark.demo.operators.crown import crown_strokes
from kerfmark.demo.operators.hand import Stroke, steadiness
from kerfmark.errors import InputError
from kerfmark.exercise.builtin.crowns import ROUND_TAPER, SHOULDER_TAPER, CrownSpec, cut_tooth, ideal_plan
from kerfmark.instruments import instrument
from kerfmark.pipeline import open_exercise
from kerfmark.settings import Settings

__all__ = ["strokes_of"]

SHOULDER_FROM_MM = 0.7


def strokes_of(
    spec: CrownSpec, level: str, rng: np.random.Generator, *, side: float, settings: Settings
) -> tuple[list[Stroke], tuple[str, ...], CrownPlan]:
    """The strokes of one operator, the faults of its plan in words, and that plan."""
    made = tooth(spec.fdi, cache_dir=settings.cache_dir)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    sites = {site.name: site.point_mm for site in prepared.sites}
    ideal, of = ideal_plan(spec, made, sites), hand(level)
    cut: CutCrown | None = None
    for _ in range(20):
        plan, faults = strayed_plan(ideal, of, rng)
        try:
            cut = cut_tooth(made, plan, sites)
            break
        except InputError:
            continue
    assert cut is not None, f"no plan of twenty could be cut into {spec.name}"
    shape = SHOULDER_TAPER if min(spec.width_mm.values()) >= SHOULDER_FROM_MM else ROUND_TAPER
    name, profile = str(shape["name"]), shape["profile_mm"]
    bur = instrument(name, own={name: profile})  # type: ignore[dict-item]
    strokes = crown_strokes(
        cut,
        bur,
        prepared.neighbour_grids,
        mesial_sign=made.mesial_sign,
        side=side,
        overcut_deg=steadiness(level).overcut_deg,
    )
    return strokes, faults, cut.plan
