"""Simulated pieces of the bridges: every abutment cut by the same hand, each a little off the common path."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kerfmark.anatomy.preparations import CutCrown
from kerfmark.demo.hands import Hand, hand
from kerfmark.exercise.builtin.bridges import Abutted, BridgeSpec, abutted, leaning_plan
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.mesh import joined, transformed
from kerfmark.geometry.phantoms import random_pose
from kerfmark.pipeline import open_exercise
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Settings

if TYPE_CHECKING:
    from kerfmark.demo.learners import Key, SimulatedPiece

__all__ = ["bridge_piece"]

PARALLEL_DEG = 6.0
"""Between the paths of two preparations from which a teacher says that they are not parallel; practice."""


def bridge_piece(spec: BridgeSpec, level: str, rng: np.random.Generator, settings: Settings) -> SimulatedPiece:
    """Both abutments cut, scanned together in one random pose, with what is true of each and of both."""
    from kerfmark.demo import learners

    of = hand(level)
    _loaded, prepared = open_exercise(spec.name, settings=settings)
    abutments = abutted(spec, cache_dir=settings.cache_dir)
    cuts, faults = [], list[str]()
    for abutment in abutments:
        cut, found = _cut(abutment, of, rng)
        cuts.append(cut)
        faults += [f"{abutment.label} {fault}" for fault in found]
    truth: dict[Key, float] = {}
    neighbours: dict[str, Surface] = {}
    for abutment, cut, own in zip(abutments, cuts, prepared.abutments, strict=True):
        beside, lost, nicks = learners.nicked(own.neighbours, abutment.made, of, rng)
        back = rigid_inverse(own.frame)
        neighbours |= {side: transformed(surface, back) for side, surface in beside.items()}
        own_truth = learners.truth_of(cut, own.sites, mesial_sign=abutment.made.mesial_sign) | lost
        truth |= {_placed(key, abutment): value for key, value in own_truth.items()}
        faults += nicks
    truth |= _common(abutments, cuts)
    if _apart_deg(abutments, cuts) > PARALLEL_DEG:
        faults.append("abutments not parallel")
    pose, into = random_pose(rng), [a.into_first for a in abutments]
    scans = [learners.scan(c.surface, pose @ m, rng) for c, m in zip(cuts, into, strict=True)]
    seen = {side: learners.scan_beside(surface, pose, rng) for side, surface in neighbours.items()}
    return learners.SimulatedPiece(joined(scans), level, tuple(faults), truth, seen, pose)


def _cut(abutment: Abutted, of: Hand, rng: np.random.Generator) -> tuple[CutCrown, tuple[str, ...]]:
    from kerfmark.demo import learners

    return learners.cut_by(leaning_plan(abutment), abutment.made, abutment.sites, of, rng)


def _placed(key: Key, abutment: Abutted) -> Key:
    """A crown reading's key on its abutment."""
    reading, where, stat = key
    if reading == "crown.occlusal_reduction_mm" or ".neighbour." in reading:
        return key
    return reading, abutment.label + (f"/{where}" if where else ""), stat


def _paths(abutments: tuple[Abutted, ...], cuts: list[CutCrown]) -> FloatArray:
    return np.array([a.into_first[:3, :3] @ c.path for a, c in zip(abutments, cuts, strict=True)])


def _apart_deg(abutments: tuple[Abutted, ...], cuts: list[CutCrown]) -> float:
    first, second = _paths(abutments, cuts)
    return float(np.degrees(np.arccos(np.clip(first @ second, -1.0, 1.0))))


def _common(abutments: tuple[Abutted, ...], cuts: list[CutCrown]) -> dict[Key, float]:
    """Nothing is hidden where the direction half way between the two paths leans less from each than its walls taper."""
    least = min(min(cut.plan.taper_deg.values()) for cut in cuts)
    if 0.5 * _apart_deg(abutments, cuts) >= least:
        return {}
    return {("crown.abutments.undercut_volume_mm3", None, None): 0.0}
