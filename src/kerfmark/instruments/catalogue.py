"""An instrument by its name, its trade size, its ISO 6360 code, or a school's own profile."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError, printable
from kerfmark.instruments.codes import looks_like_code, read_code
from kerfmark.instruments.outline import distance_to, outline_of
from kerfmark.instruments.shapes import TAPERS, Arc, HeadPath, closed_profile, path_of, profile_along
from kerfmark.records import FloatArray, Remark

__all__ = ["Instrument", "head_distance", "instrument", "instrument_names"]

FRICTION_GRIP_MM = 1.60
TAPER_LENGTH_MM = 8.0
LENGTH_IN_DIAMETERS = 4.0
TIP_FRACTION = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Instrument:
    """A rotary instrument.

    Attributes
    ----------
    name : str
        As it was asked for.
    profile_mm : (k, 2) float array
        The head from the tip: distance along the axis, radius; on the axis at both ends.
    shank_diameter_mm : float
    remarks : tuple of Remark
        What had to be assumed.
    pieces : tuple
        The same head with its arcs (`shapes.HeadPath`); empty where it is no more than its profile.
    """

    name: str
    profile_mm: FloatArray
    shank_diameter_mm: float
    remarks: tuple[Remark, ...] = ()
    pieces: tuple[tuple[float, float] | Arc, ...] = ()

    @property
    def path(self) -> HeadPath:
        """The head as exact pieces: points joined by straight lines, and arcs."""
        return list(self.pieces) or [(float(along), float(radius)) for along, radius in self.profile_mm]

    @property
    def diameter_mm(self) -> float:
        """Largest diameter of the head, mm."""
        return 2.0 * float(self.profile_mm[:, 1].max())

    @property
    def length_mm(self) -> float:
        """Length of the head, mm."""
        return float(self.profile_mm[-1, 0])


def instrument(name_or_code: str, *, own: Mapping[str, ArrayLike] | None = None) -> Instrument:
    """Find an instrument.

    Parameters
    ----------
    name_or_code : str
        A school's own name, a name or trade size of `instrument_names()`, or an ISO 6360 code.
    own : mapping of str to (k, 2) arrays, optional
        A school's own profiles by name; they come first.

    Raises
    ------
    InputError
        If it is none of these; the nearest names are listed.

    Examples
    --------
    >>> instrument("806 314 001 524 010").diameter_mm
    1.0
    """
    for name, profile in (own or {}).items():
        if _plain(name) == _plain(name_or_code):
            return Instrument(name, closed_profile(np.asarray(profile, dtype=float)), FRICTION_GRIP_MM)
    entry = _by_name().get(_plain(name_or_code))
    if entry is not None:
        return _built(name_or_code, entry)
    if looks_like_code(name_or_code):
        return _from_code(name_or_code)
    raise _unknown(name_or_code, own or {})


def instrument_names() -> tuple[str, ...]:
    """The project's own instruments, in the order of their table."""
    return tuple(entry["name"] for entry in _table())


def head_distance(tool: Instrument, along_mm: ArrayLike, radius_mm: ArrayLike) -> FloatArray:
    """Signed distance to the head, negative inside.

    Parameters
    ----------
    tool : Instrument
    along_mm, radius_mm : (...,) float arrays, mm
        Distance along the axis from the tip, and from the axis.

    Returns
    -------
    distance_mm : (...,) float array, mm
    """
    along, radius = np.broadcast_arrays(np.asarray(along_mm, dtype=float), np.abs(np.asarray(radius_mm, dtype=float)))
    return distance_to(outline_of(tool.path), along, radius)


def _plain(name: str) -> str:
    """A name without the difference that case and runs of blanks make."""
    return re.sub(r"\s+", " ", name).strip().casefold()


@cache
def _table() -> tuple[dict[str, Any], ...]:
    with (Path(__file__).parent / "instruments.toml").open("rb") as file:
        data = tomllib.load(file)
    return tuple(data["instruments"])


@cache
def _by_name() -> dict[str, dict[str, Any]]:
    """Every entry by its name and by its trade size."""
    return {_plain(word): entry for entry in _table() for word in (entry.get("trade_size"), entry["name"]) if word}


def _built(name: str, entry: Mapping[str, Any]) -> Instrument:
    """An instrument from a line of the table; what the line leaves open is assumed and said."""
    shape, diameter = entry["shape"], float(entry["diameter_mm"])
    more = {key: float(entry[key]) for key in ("tip_mm", "taper_deg", "corner_mm", "point_deg") if key in entry}
    remarks = []
    length = entry.get("length_mm")
    if length is None and shape == "ball":
        length = diameter
    if length is None:
        length = TAPER_LENGTH_MM if shape in TAPERS else LENGTH_IN_DIAMETERS * diameter
        remarks.append(
            Remark(
                "assumed-length",
                name,
                f"instrument '{printable(name)}': its head length is not known, {length:g} mm is assumed",
            )
        )
    if shape in TAPERS and "tip_mm" not in more:
        more["tip_mm"] = TIP_FRACTION * diameter
        remarks.append(
            Remark(
                "assumed-tip",
                name,
                f"instrument '{printable(name)}': its tip is not known, {more['tip_mm']:.2f} mm in diameter is assumed",
            )
        )
    path = path_of(shape, diameter_mm=diameter, length_mm=float(length), **more)
    shank = float(entry.get("shank_mm", FRICTION_GRIP_MM))
    return Instrument(name, profile_along(path), shank, tuple(remarks), tuple(path))


def _from_code(text: str) -> Instrument:
    code = read_code(text)
    shank = code.shank_diameter_mm or FRICTION_GRIP_MM
    tool = _built(text, {"shape": code.shape, "diameter_mm": code.diameter_mm, "shank_mm": shank})
    if code.shank_diameter_mm is not None:
        return tool
    remark = Remark(
        "assumed-shank", text, f"instrument '{printable(text)}': its shank type is not known, {shank:g} mm is assumed"
    )
    return replace(tool, remarks=(*tool.remarks, remark))


def _unknown(name: str, own: Mapping[str, ArrayLike]) -> InputError:
    known = (*own, *instrument_names())
    near = difflib.get_close_matches(name[:200], known, n=3, cutoff=0.4)
    hint = (
        "nearest are " + ", ".join(f"'{printable(word, limit=40)}'" for word in near)
        if near
        else f"such as '{known[0]}'"
    )
    return InputError(
        f"instrument '{printable(name, limit=60)}' is not known, expected an ISO 6360 code of 15 digits, a name of "
        f"[[instruments]] or one of the {len(instrument_names())} built-in ones ({hint}). "
        "Correct the name or give its profile under [[instruments]]."
    )
