"""Simulated operators: an exercise and a skill level made into the motion a rig would record. Everything here is simulated."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kerfmark.anatomy.preparations import CrownPlan
from kerfmark.demo.operators.hand import STEADINESS, performed, steadiness
from kerfmark.errors import InputError, printable
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.accesses import AccessSpec
from kerfmark.exercise.builtin.blocks import BlockSpec, LineSpec
from kerfmark.exercise.builtin.cavities import CavitySpec
from kerfmark.exercise.builtin.crowns import CrownSpec
from kerfmark.exercise.builtin.implants import ImplantSpec
from kerfmark.records import Motion
from kerfmark.settings import Settings

__all__ = ["HANDS", "RATE_HZ", "SimulatedMotion", "simulated_motion", "write_simulated_motion"]

RATE_HZ = 250.0
HANDS = {"right": 1.0, "left": -1.0}


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedMotion:
    """A simulated record in the tooth frame, who is meant to have made it, the faults put in, and of a crown the plan it was after."""

    motion: Motion
    level: str
    hand: str
    faults: tuple[str, ...]
    plan: CrownPlan | None = None


def simulated_motion(
    exercise: str, *, level: str, seed: int, settings: Settings, hand: str = "right", rate_hz: float = RATE_HZ
) -> SimulatedMotion:
    """A motion as an operator of a level might make it on a built-in exercise of a single tooth, a block, a line or an implant bed.

    Parameters
    ----------
    exercise : str
        Name of a built-in exercise.
    level : str
        `novice`, `middle` or `able`.
    seed : int
        The same seed gives the same motion, bit for bit.
    settings : Settings
    hand : str
        `right` or `left`: which way the handpiece leans and which way round it goes.
    rate_hz : float
        Samples a second.

    Returns
    -------
    simulated : SimulatedMotion

    Raises
    ------
    InputError
        If there is no such built-in exercise, level or hand.
    """
    if exercise not in builtin.names():
        raise InputError(
            f"'{printable(exercise, limit=60)}' is not a built-in exercise, expected one of {', '.join(builtin.names())}. Choose one of them."
        )
    if hand not in HANDS:
        raise InputError(f"hand is '{printable(hand, limit=20)}', expected right or left. Choose one of them.")
    of, spec = steadiness(level), builtin.spec_of(exercise)
    seeds = [seed, list(builtin.names()).index(exercise), list(STEADINESS).index(level), list(HANDS).index(hand)]
    rng = np.random.default_rng(seeds)
    if isinstance(spec, CrownSpec):
        from kerfmark.demo.operators.prepared_crown import strokes_of

        strokes, faults, plan = strokes_of(spec, level, rng, side=HANDS[hand], settings=settings)
    elif isinstance(spec, ImplantSpec):
        from kerfmark.demo.implant_work import drilling, guided
        from kerfmark.pipeline import open_exercise

        _loaded, prepared = open_exercise(exercise, settings=settings)
        strokes, faults, plan, of = drilling(prepared, level, rng), (), None, guided(of)
    elif isinstance(spec, CavitySpec | AccessSpec):
        from kerfmark.demo.operators.opened import access_strokes, cavity_strokes

        plan = None
        if isinstance(spec, CavitySpec):
            strokes, faults = cavity_strokes(spec, level, rng, side=HANDS[hand], settings=settings)
        else:
            strokes, faults = access_strokes(spec, level, rng, side=HANDS[hand], settings=settings)
    else:
        from kerfmark.demo.operators.flat import block_strokes, line_strokes

        faults, plan = (), None
        if not isinstance(spec, BlockSpec | LineSpec):
            raise InputError(
                f"no simulated operator cuts '{exercise}' yet, expected a crown, a cavity, an access, an implant bed, a block or a line. "
                "Give --out a surface (.stl, .ply, …) for a simulated scan of it."
            )
        if isinstance(spec, BlockSpec):
            strokes = block_strokes(spec, level, rng, side=HANDS[hand])
        else:
            strokes = line_strokes(spec, level, rng, side=HANDS[hand])
    return SimulatedMotion(performed(strokes, of, rng, rate_hz=rate_hz), level, hand, faults, plan)


def write_simulated_motion(
    path: Path, exercise: str, *, level: str, seed: int, settings: Settings, hand: str = "right"
) -> SimulatedMotion:
    """Simulate a motion, write it as Parquet or CSV in the exercise's files' frame, and give it back."""
    from kerfmark.intake.motions import write_motion
    from kerfmark.pipeline import open_exercise

    simulated = simulated_motion(exercise, level=level, seed=seed, settings=settings, hand=hand)
    loaded, _prepared = open_exercise(exercise, settings=settings)
    write_motion(path, simulated.motion, loaded.exercise, simulated=True)
    return simulated
