"""What is being planned, as a page's address holds it: the arch, where one looks, the implant. So back, forward and reload keep it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias
from urllib.parse import urlencode

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.records import FloatArray, ImplantPlan

__all__ = ["Placed", "PlanState", "Spot", "placed_from", "state_from"]

Spot: TypeAlias = tuple[float, float, float]
"""Mesially, facially and occlusally of the tooth frame's origin, mm."""

FARTHEST_MM: Final = 500.0
MOST_POINTS: Final = 40
LENGTHS_MM: Final = (2.0, 60.0)
DIAMETERS_MM: Final = (1.0, 12.0)
STEEPEST_DEG: Final = 60.0


@dataclass(frozen=True, slots=True)
class Placed:
    """An implant: its platform's middle, its lean from upright as seen from the facial and from the mesial side, its size.

    Attributes
    ----------
    entry : Spot
    tilt_mesial_deg, tilt_facial_deg : float
        How far the apex swings mesially and facially of straight down.
    length_mm, diameter_mm : float
    """

    entry: Spot
    tilt_mesial_deg: float
    tilt_facial_deg: float
    length_mm: float
    diameter_mm: float

    @property
    def apex(self) -> Spot:
        """Its apex."""
        lean = np.tan(np.radians([self.tilt_mesial_deg, self.tilt_facial_deg]))
        way = np.array([lean[0], lean[1], -1.0])
        x, y, z = (np.array(self.entry) + self.length_mm * way / np.linalg.norm(way)).tolist()
        return x, y, z


@dataclass(frozen=True, slots=True)
class PlanState:
    """Everything a page of planning shows hangs on this.

    Attributes
    ----------
    arch : tuple of Spot
        Points of the drawn curve.
    at_mm : float
        Where along the curve one looks.
    level_mm : float
        Height of the slice seen from above.
    implant : Placed or None
    """

    arch: tuple[Spot, ...]
    at_mm: float
    level_mm: float
    implant: Placed | None = None

    def query(self) -> str:
        """As the query of an address."""
        given = {"arch": arch_text(self.arch), "at": f"{self.at_mm:g}", "level": f"{self.level_mm:g}"}
        return urlencode(given | ({} if self.implant is None else _implant_query(self.implant)), safe=",;")

    def plan(self, mesial_sign: int) -> ImplantPlan | None:
        """The implant in the tooth frame; None where there is none."""
        if self.implant is None:
            return None
        entry, apex = (in_frame([end], mesial_sign)[0] for end in (self.implant.entry, self.implant.apex))
        return ImplantPlan(entry, apex, self.implant.diameter_mm)


def in_frame(spots: tuple[Spot, ...] | list[Spot], mesial_sign: int) -> FloatArray:
    """Spots as (k, 3) points of the tooth frame."""
    return np.array(spots, dtype=float).reshape(-1, 3) * [mesial_sign, 1.0, 1.0]


def as_spots(points_mm: FloatArray, mesial_sign: int) -> tuple[Spot, ...]:
    """Points (k, 3) of the tooth frame as spots, to a hundredth of a millimetre."""
    rows = (points_mm * [mesial_sign, 1.0, 1.0]).round(2) + 0.0
    return tuple((x, y, z) for x, y, z in rows.tolist())


def placed_from(plan: ImplantPlan, mesial_sign: int) -> Placed:
    """A plan in the tooth frame as an implant of the page."""
    entry = as_spots(plan.entry_mm[None], mesial_sign)[0]
    way = (plan.apex_mm - plan.entry_mm) * [mesial_sign, 1.0, 1.0]
    lean = np.degrees(np.arctan2(way[:2], max(float(-way[2]), 1e-6)))
    length = float(np.linalg.norm(way))
    mesially, facially = (round(float(v), 2) + 0.0 for v in np.clip(lean, -STEEPEST_DEG, STEEPEST_DEG))
    return Placed(entry, mesially, facially, round(length, 2), plan.diameter_mm)


def arch_text(arch: tuple[Spot, ...]) -> str:
    """The curve's points as text: `x,y,z;x,y,z`."""
    return ";".join(",".join(f"{v:g}" for v in spot) for spot in arch)


def state_from(given: Mapping[str, str], otherwise: PlanState) -> PlanState:
    """What a query says; what it leaves out is as `otherwise` has it.

    Raises
    ------
    InputError
        If a field is no number, or lies outside what is taken.
    """
    state = otherwise
    if "arch" in given:
        state = replace(state, arch=_arch_from(given["arch"]))
    if "at" in given:
        state = replace(state, at_mm=_number(given, "at", "along the arch", 0.0, FARTHEST_MM))
    if "level" in given:
        state = replace(state, level_mm=_number(given, "level", "height of the slice", -FARTHEST_MM, FARTHEST_MM))
    if given.get("em", "") != "":
        state = replace(state, implant=_implant_from(given))
    return state


def _implant_query(implant: Placed) -> dict[str, str]:
    names = ("em", "ef", "eo", "tm", "tf", "long", "diameter")
    values = (
        *implant.entry, implant.tilt_mesial_deg, implant.tilt_facial_deg, implant.length_mm, implant.diameter_mm,
    )  # fmt: skip
    return {name: f"{value:g}" for name, value in zip(names, values, strict=True)}


def _implant_from(given: Mapping[str, str]) -> Placed:
    entry = tuple(_number(given, name, "platform", -FARTHEST_MM, FARTHEST_MM) for name in ("em", "ef", "eo"))
    mesially, facially = (_number(given, name, "tilt", -STEEPEST_DEG, STEEPEST_DEG) for name in ("tm", "tf"))
    length = _number(given, "long", "length", *LENGTHS_MM)
    diameter = _number(given, "diameter", "diameter", *DIAMETERS_MM)
    return Placed((entry[0], entry[1], entry[2]), mesially, facially, length, diameter)


def _arch_from(text: str) -> tuple[Spot, ...]:
    """Points from `x,y,z;x,y,z`, or a point a line."""
    rows = [row for row in text[:4000].replace("\n", ";").split(";") if row.strip()]
    if len(rows) > MOST_POINTS:
        raise InputError(f"the arch has {len(rows)} points, expected at most {MOST_POINTS}. Leave some out.")
    spots = []
    for row in rows:
        parts = row.replace(",", " ").split()
        if len(parts) != 3:
            raise InputError(
                f"arch: '{printable(row, limit=40)}' are {len(parts)} numbers, expected three a point. Correct it."
            )
        x, y, z = (_number({"arch": part}, "arch", "arch", -FARTHEST_MM, FARTHEST_MM) for part in parts)
        spots.append((x, y, z))
    return tuple(spots)


def _number(given: Mapping[str, str], name: str, words: str, low: float, high: float) -> float:
    text = given.get(name, "").strip().replace("−", "-")
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise InputError(f"{words}: '{printable(text, limit=20)}' was given, expected {low:g} to {high:g}. Correct it.")
    return value
