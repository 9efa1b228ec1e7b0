"""A simulated operator's cavity or access: the plan it misjudges, and the strokes that would leave it."""

from __future__ import annotations

import numpy as np

from kerfmark.anatomy.preparations.cavity import facing_frame
from kerfmark.anatomy.preparations.lesion_cut import LesionPlan
from kerfmark.anatomy.tooth import tooth
from kerfmark.demo.access_work import opened_by_hand
from kerfmark.demo.cavity_work import cut_by_hand
from kerfmark.demo.operators.hand import Stroke, steadiness
from kerfmark.demo.operators.milled import milled_strokes
from kerfmark.exercise.builtin.accesses import LONG_TAPER, AccessSpec, site_of
from kerfmark.exercise.builtin.cavities import PEAR, CavitySpec, subject_of
from kerfmark.instruments import instrument
from kerfmark.pipeline import open_exercise
from kerfmark.settings import Settings

__all__ = ["access_strokes", "cavity_strokes"]

BURS = {"composite III": "round 0.5", "composite IV": "round 1.0", "caries": "round 1.0"}
"""By the rules of an exercise; a long pear for all others."""
INTO_CANAL_MM = 0.2


def cavity_strokes(
    spec: CavitySpec, level: str, rng: np.random.Generator, *, side: float, settings: Settings
) -> tuple[list[Stroke], tuple[str, ...]]:
    """The strokes of one operator for a cavity, and the faults of its plan in words."""
    made, layers = subject_of(spec, cache_dir=settings.cache_dir)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    plan, faults, cut = cut_by_hand(spec, made, layers, level, rng)
    facing = "occlusal" if isinstance(plan, LesionPlan) else plan.facing
    bur = instrument(BURS.get(spec.rules, PEAR))
    strokes = milled_strokes(
        cut.surface, made.outer, prepared.neighbours, bur, into=facing_frame(facing), of=steadiness(level), side=side
    )
    return strokes, faults


def access_strokes(
    spec: AccessSpec, level: str, rng: np.random.Generator, *, side: float, settings: Settings
) -> tuple[list[Stroke], tuple[str, ...]]:
    """The strokes of one operator for an access, and the faults of its plan in words."""
    made = tooth(spec.fdi, cache_dir=settings.cache_dir)
    site = site_of(spec, made)
    plan, faults, cut = opened_by_hand(made, site, level, rng)
    name = str(LONG_TAPER["name"])
    bur = instrument(name, own={name: LONG_TAPER["profile_mm"]})  # type: ignore[dict-item]
    strokes = milled_strokes(
        cut.surface, made.outer, {}, bur, into=site.into, of=steadiness(level), side=side,
        lowest_mm=site.floor_mm - plan.floor_mm - INTO_CANAL_MM,
    )  # fmt: skip
    return strokes, faults
