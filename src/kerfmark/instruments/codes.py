"""ISO 6360 number codes: 15 digits for material, shank, shape, grit and size of an instrument."""

from __future__ import annotations

import re
from dataclasses import dataclass

from kerfmark.errors import InputError, printable

__all__ = ["Code", "looks_like_code", "read_code"]

MATERIALS = {"500": "tungsten carbide", "330": "steel", "806": "diamond, electroplated", "807": "diamond, sintered"}
DIAMONDS = ("806", "807")
SHANKS_MM = {"31": 1.60, "20": 2.35, "10": 2.35}
"""Diameter by the type of shank, digits 4 and 5: friction grip, latch, straight handpiece (ISO 1797)."""
GRITS_UM = {"494": 15.0, "504": 30.0, "514": 50.0, "524": 110.0, "534": 137.0, "544": 180.0}
SHAPE_NUMBERS = {
    "ball": (1, 1),
    "inverted cone": (10, 10),
    "cylinder, flat end": (107, 110),
    "cylinder, round end": (137, 141),
    "taper, flat end": (168, 173),
    "taper, round end": (194, 199),
    "pear": (237, 237),
    "flame": (243, 243),
    "egg": (277, 277),
}


@dataclass(frozen=True, slots=True)
class Code:
    """What a number code says.

    Attributes
    ----------
    digits : str
        The first 15 digits in groups of three.
    material, shape : str
        In words; the material is its number where this version has no word for it.
    shank_diameter_mm : float
        None where the type of shank is not in this version's table.
    grit_um : float
        Mean grain size of a diamond, None elsewhere.
    diameter_mm : float
        Largest diameter of the working part (ISO 2157: the last three digits are tenths of a millimetre).
    """

    digits: str
    material: str
    shank_diameter_mm: float | None
    shape: str
    grit_um: float | None
    diameter_mm: float


def looks_like_code(text: str) -> bool:
    """Whether `text` is nothing but digits with spaces or points between, 9 digits or more."""
    return bool(re.fullmatch(r"[0-9 .]+", text, re.ASCII)) and sum(c.isdigit() for c in text) >= 9


def read_code(text: str) -> Code:
    """Read a number code.

    Parameters
    ----------
    text : str
        15 digits, or 18 for a diamond, with or without spaces or points between them.

    Raises
    ------
    InputError
        If it has another length, an unknown shape number or no size.

    Notes
    -----
    Source: ISO 6360-1 and -2 (order of the groups, shape numbers), ISO 2157 (sizes), ISO 1797 (shanks).

    Examples
    --------
    >>> code = read_code("806 314 001 524 010")
    >>> code.shape, code.diameter_mm, code.shank_diameter_mm
    ('ball', 1.0, 1.6)
    """
    digits = re.sub(r"[ .]", "", text)
    groups = [digits[i : i + 3] for i in range(0, len(digits), 3)]
    diamond = groups[0] in DIAMONDS
    if not (digits.isascii() and digits.isdigit()) or len(digits) not in ((15, 18) if diamond else (15,)):
        accepted = "15 or 18 digits for a diamond" if diamond else "15 digits"
        raise _refused(text, f"has {len(digits)} digits", accepted, "Correct the ISO 6360 code.")
    diameter_mm = int(groups[4]) / 10.0
    if diameter_mm == 0.0:
        raise _refused(
            text, "has the size 000", "its largest diameter in tenths of a millimetre", "Correct the last three digits."
        )
    return Code(
        digits=" ".join(groups[:5]),
        material=MATERIALS.get(groups[0], f"material {groups[0]}"),
        shank_diameter_mm=SHANKS_MM.get(groups[1][:2]),
        shape=_shape(text, groups[2]),
        grit_um=GRITS_UM.get(groups[3]) if diamond else None,
        diameter_mm=diameter_mm,
    )


def _shape(text: str, group: str) -> str:
    found = [shape for shape, (first, last) in SHAPE_NUMBERS.items() if first <= int(group) <= last]
    if not found:
        known = ", ".join(
            f"{first:03d}" if first == last else f"{first:03d}-{last:03d}" for first, last in SHAPE_NUMBERS.values()
        )
        raise _refused(
            text,
            f"has the shape number {group}",
            f"one of {known}",
            "Correct it, or give the profile under [[instruments]].",
        )
    return found[0]


def _refused(text: str, found: str, expected: str, do: str) -> InputError:
    return InputError(f"instrument '{printable(text, limit=60)}' {found}, expected {expected}. {do}")
