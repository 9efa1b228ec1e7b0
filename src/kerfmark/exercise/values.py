"""The kinds of value an exercise file holds: points, directions, limits, asset names, profiles, tooth numbers."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable
from typing import Annotated, Any, TypeAlias

from pydantic import BeforeValidator, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

__all__ = [
    "AssetName",
    "Direction",
    "Limits2Value",
    "NonNegative",
    "Point",
    "Polyline",
    "Positive",
    "ProfileValue",
    "ToothNumber",
    "Words",
    "expected",
]


def expected(accepted: str, do: str) -> PydanticCustomError:
    """An error of one value: what is accepted, and what to do."""
    return PydanticCustomError("expected", "expected {accepted}", {"accepted": accepted, "do": do})


def _as_number(value: object, *, infinite: bool = False) -> float | None:
    """The value as a fraction, None where it is no number (true and false are none)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) or (infinite and math.isinf(number)) else None


def _as_vector(value: object, *, length: int) -> tuple[float, ...] | None:
    if not isinstance(value, list | tuple) or len(value) != length:
        return None
    numbers = tuple(_as_number(entry) for entry in value)
    return None if None in numbers else tuple(number for number in numbers if number is not None)


def _point(value: object) -> tuple[float, ...]:
    vector = _as_vector(value, length=3)
    if vector is None:
        raise expected("three finite numbers in mm, such as [1.0, 0.0, 2.5]", "Correct the point.")
    return vector


def _direction(value: object) -> tuple[float, ...]:
    vector = _as_vector(value, length=3)
    if vector is None or not any(vector) or not math.isfinite(math.hypot(*vector)) or math.hypot(*vector) < 1e-150:
        raise expected(
            "three finite numbers that are not all 0, such as [0.0, 0.0, 1.0]", "Give the direction a length."
        )
    return vector


def _polyline(fewest: int) -> Callable[[object], tuple[tuple[float, ...], ...]]:
    def check(value: object) -> tuple[tuple[float, ...], ...]:
        if not isinstance(value, list | tuple) or len(value) < fewest:
            raise expected(f"a list of at least {fewest} points [x, y, z] in mm", "Add the points.")
        points = [_as_vector(entry, length=3) for entry in value]
        if None in points:
            raise expected(
                f"three finite numbers for each point, unlike entry {points.index(None) + 1}", "Correct that point."
            )
        return tuple(point for point in points if point is not None)

    return check


def _limits(value: object) -> tuple[float, float]:
    pair = value if isinstance(value, list | tuple) and len(value) == 2 else (None, None)
    lower, upper = (_as_number(entry, infinite=True) for entry in pair)
    if lower is None or upper is None:
        raise expected(
            "two numbers, lower and upper (inf and -inf allowed), such as [6.0, 20.0]", "Correct the limits."
        )
    if not lower < upper:
        raise expected("a lower limit below the upper one", "Correct or swap the two.")
    return lower, upper


def _profile(value: object) -> tuple[tuple[float, ...], ...]:
    if not isinstance(value, list | tuple) or len(value) < 2:
        raise expected(
            "at least two pairs [distance along the axis, radius] in mm",
            "Add the profile from the tip to the end of the head.",
        )
    pairs = [_as_vector(entry, length=2) for entry in value]
    if None in pairs:
        raise expected(f"two finite numbers for each pair, unlike entry {pairs.index(None) + 1}", "Correct that pair.")
    profile = tuple(pair for pair in pairs if pair is not None)
    _check_profile(profile)
    return profile


def _check_profile(profile: tuple[tuple[float, ...], ...]) -> None:
    """Distances start at 0 and never turn back, radii are not negative, and there is something to cut with."""
    along = [pair[0] for pair in profile]
    radii = [pair[1] for pair in profile]
    if along[0] != 0.0:
        raise expected("0.0 for the first distance, at the tip", "Measure the profile from the tip.")
    if any(later < earlier for earlier, later in itertools.pairwise(along)):
        raise expected("distances that never decrease from the tip", "Put the pairs in order from the tip.")
    if min(radii) < 0.0 or max(radii) == 0.0 or along[-1] == 0.0:
        raise expected("radii of 0 or more with some above 0, over a length above 0", "Correct the profile.")
    if max(radii) > 25.0 or along[-1] > 100.0:
        raise expected("radii up to 25 mm over at most 100 mm", "Give the profile in mm.")


_BAD_SEGMENT = re.compile(r"^$|^\.{1,2}$")


def _asset_name(value: object) -> str:
    if not isinstance(value, str):
        raise expected("the name of a file in the exercise's folder, in quotes", "Name the file.")
    segments = value.split("/")
    outside = (
        any(_BAD_SEGMENT.match(segment) for segment in segments) or "\\" in value or re.match(r"^[A-Za-z]:", value)
    )
    if outside or not value.isprintable() or len(value) > 255:
        raise expected(
            "a relative name inside the exercise's folder, with '/' between folders and no '..'",
            "Put the file into the folder.",
        )
    return value


_FDI = frozenset(
    [10 * quadrant + place for quadrant in range(1, 5) for place in range(1, 9)]
    + [10 * quadrant + place for quadrant in range(5, 9) for place in range(1, 6)]
)


def _tooth(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value not in _FDI:
        raise expected("a two-digit FDI number (ISO 3950), 11-18 … 41-48 or 51-55 … 81-85", "Correct the tooth.")
    return value


def _words(value: object) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(isinstance(entry, str) and entry for entry in value):
        raise expected("a list of texts in quotes", "Correct the list.")
    return tuple(value)


def _vector_schema(length: int, **more: Any) -> dict[str, Any]:
    return {"type": "array", "items": {"type": "number"}, "minItems": length, "maxItems": length, **more}


_POINT_SCHEMA = _vector_schema(3, description="x, y, z in mm")
_LIMITS_SCHEMA = _vector_schema(2, description="lower and upper, lower < upper; TOML's inf and -inf stand for no limit")
_PAIRS_SCHEMA = {
    "type": "array",
    "minItems": 2,
    "items": _vector_schema(2, description="distance along the axis from the tip, radius, mm"),
}
_ASSET_SCHEMA = {
    "type": "string",
    "minLength": 1,
    "maxLength": 255,
    "description": "relative name of a file inside the folder, '/' between folders",
    "pattern": r"^(?!/)(?![A-Za-z]:)(?!.*\\)(?!(?:.*/)?\.{1,2}(?:/|$))(?!.*//).*[^/]$",
}

Point: TypeAlias = Annotated[tuple[float, float, float], BeforeValidator(_point), WithJsonSchema(_POINT_SCHEMA)]
Direction: TypeAlias = Annotated[
    tuple[float, float, float],
    BeforeValidator(_direction),
    WithJsonSchema(_vector_schema(3, description="a direction of any length but 0")),
]
Limits2Value: TypeAlias = Annotated[tuple[float, float], BeforeValidator(_limits), WithJsonSchema(_LIMITS_SCHEMA)]
ProfileValue: TypeAlias = Annotated[
    tuple[tuple[float, float], ...], BeforeValidator(_profile), WithJsonSchema(_PAIRS_SCHEMA)
]
AssetName: TypeAlias = Annotated[str, BeforeValidator(_asset_name), WithJsonSchema(_ASSET_SCHEMA)]
ToothNumber: TypeAlias = Annotated[
    int,
    BeforeValidator(_tooth),
    WithJsonSchema({"type": "integer", "enum": sorted(_FDI), "description": "FDI (ISO 3950)"}),
]
Words: TypeAlias = Annotated[
    tuple[str, ...],
    BeforeValidator(_words),
    WithJsonSchema({"type": "array", "items": {"type": "string", "minLength": 1}}),
]
Positive: TypeAlias = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NonNegative: TypeAlias = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


def Polyline(fewest: int) -> Any:  # noqa: N802 - stands where a type stands
    """A list of at least `fewest` points, as a type."""
    schema = {"type": "array", "items": _POINT_SCHEMA, "minItems": fewest}
    return Annotated[tuple[tuple[float, float, float], ...], BeforeValidator(_polyline(fewest)), WithJsonSchema(schema)]
