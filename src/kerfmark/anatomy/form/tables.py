"""The two tables teeth are made from: `dimensions.toml` (handbook sizes) and `shapes.toml` (everything else)."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

from kerfmark.errors import InputError

__all__ = [
    "Cusp",
    "Dimensions",
    "Groove",
    "Outline",
    "Pit",
    "Ridge",
    "Root",
    "Shape",
    "Side",
    "WallGroove",
    "shape_of",
    "sizes_of",
    "type_names",
]

Path2 = tuple[tuple[float, float], ...]
Path3 = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Dimensions:
    """Handbook sizes of one tooth, mm; the columns are explained at the head of `dimensions.toml`."""

    crown: float
    root: float
    md: float
    md_neck: float
    bl: float
    bl_neck: float
    curve_mesial: float
    curve_distal: float
    sd_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Side:
    """The silhouette of one side above the neck.

    `contour` is the level of its height of contour as a fraction of crown length; `above` lists level and inset (mm)
    from the contour, `below` the same between neck and contour where a plain curve will not do.
    """

    contour: float
    above: Path2
    below: Path2 = ()


@dataclass(frozen=True, slots=True)
class Outline:
    """A cross-section: roundness of its four corners (2 is an ellipse, more is squarer), taper and skew.

    `taper` is how much narrower it gets lingually; `skew` draws out the mesiofacial and the distolingual corner.
    """

    mesiofacial: float
    mesiolingual: float
    distolingual: float
    distofacial: float
    taper: float = 0.0
    skew: float = 0.0


@dataclass(frozen=True, slots=True)
class Cusp:
    """A cusp: `at` in the contour box (mesial +, facial +, ±1 at its sides), `drop` below the top of the crown (mm).

    `slopes` are those of its mesial, distal, inner and outer ridges (mm per mm); `turn` (degrees) turns the ridges towards
    mesial; `swell` makes its lobes bulge; `secondary` is the depth (mm) of the grooves on either side of its triangular ridge.
    """

    name: str
    role: str
    at: tuple[float, float]
    drop: float
    slopes: tuple[float, float, float, float]
    turn: float = 0.0
    round: float = 0.4
    swell: float = 0.1
    secondary: float = 0.0


@dataclass(frozen=True, slots=True)
class Ridge:
    """A raised line over points (x, y in the contour box, drop in mm), falling off at `slope` on both sides."""

    name: str
    path: Path3
    slope: float = 0.8
    outer: float = 1.2
    round: float = 0.35


@dataclass(frozen=True, slots=True)
class Groove:
    """A furrow along points in the contour box: depth and width in mm."""

    name: str
    path: Path2
    depth: float = 0.25
    width: float = 0.25


@dataclass(frozen=True, slots=True)
class Pit:
    """A hollow: place in the contour box, depth and radius in mm."""

    name: str
    at: tuple[float, float]
    depth: float
    radius: float


@dataclass(frozen=True, slots=True)
class WallGroove:
    """A furrow (or, with a negative depth, a swelling) down a wall at an azimuth (degrees, facial towards mesial).

    `span` is in fractions of crown length above the neck and of root length below it, and its ends fade over `soft` of that;
    `width` is in mm; `flat` 2 is a round furrow, 4 a scoop with a flat floor and ridges beside it; `bow` is by how much
    more of the crown's length it begins later at its width than in its middle.
    """

    name: str
    azimuth: float
    depth: float
    width: float
    span: tuple[float, float]
    lean: float = 0.0
    flat: float = 2.0
    soft: float = 0.25
    bow: float = 0.0


@dataclass(frozen=True, slots=True)
class Root:
    """One root of several: `shorter` than the longest (mm), along a `path` with `half` widths.

    `path` rows are fraction of its length, mesial, facial (mm, from the middle of the neck); `half` rows are fraction,
    mesiodistal, faciolingual (mm); `turn` towards mesial (degrees); `waist` hollows its mesial and distal sides.
    """

    name: str
    shorter: float
    path: Path3
    half: Path3
    turn: float = 0.0
    waist: float = 0.0


@dataclass(frozen=True, slots=True)
class Shape:
    """Everything about a tooth that is not a handbook size.

    `levels` are where the sections `contour` and `top` are reached, in fractions of crown length; without them the mean
    of the heights of contour, and the edge or table.
    """

    facial: Side
    lingual: Side
    mesial: Side
    distal: Side
    facial_share: float
    mesial_share: float
    neck: Outline
    contour: Outline
    top: Outline
    root_md: Path2
    root_fl: Path2
    apex: tuple[float, float]
    shoulder: float
    lingual_rise: float = 0.0
    twist: float = 0.0
    cusps: tuple[Cusp, ...] = ()
    ridges: tuple[Ridge, ...] = ()
    grooves: tuple[Groove, ...] = ()
    pits: tuple[Pit, ...] = ()
    walls: tuple[WallGroove, ...] = ()
    roots: tuple[Root, ...] = ()
    furcation: float = 3.0
    contacts: tuple[float, float] = (0.0, 0.0)
    levels: tuple[float, float] | None = None
    places: Mapping[str, tuple[str, float, float]] = field(default_factory=dict)

    @property
    def sides(self) -> tuple[Side, Side, Side, Side]:
        """Facial, lingual, mesial, distal."""
        return self.facial, self.lingual, self.mesial, self.distal


@cache
def _read(name: str) -> dict[str, dict[str, Any]]:
    return tomllib.loads(files(__package__).joinpath(name).read_text(encoding="utf-8"))


def type_names() -> dict[int, str]:
    """Type name by FDI number of the right upper and the left lower tooth: 11 to 18 and 31 to 38."""
    return {row["fdi"]: name for name, row in _read("dimensions.toml").items()}


def _type_of(fdi: int) -> str:
    quadrant, position = divmod(fdi, 10)
    names = type_names()
    key = {1: 10, 2: 10, 3: 30, 4: 30}.get(quadrant, 0) + position
    if key not in names:
        raise InputError(
            f"tooth {fdi} is not a permanent tooth; expected FDI 11 to 18, 21 to 28, 31 to 38 or 41 to 48. Correct the number."
        )
    return names[key]


def sizes_of(fdi: int) -> Dimensions:
    """Handbook sizes of a permanent tooth; raises `InputError` for a number that is none."""
    row = _read("dimensions.toml")[_type_of(fdi)]
    return Dimensions(**{k: v for k, v in row.items() if k not in ("fdi", "seen")})


def _frozen(value: Any) -> Any:
    return tuple(_frozen(v) for v in value) if isinstance(value, list) else value


_PARTS: dict[str, Any] = {
    "facial": Side, "lingual": Side, "mesial": Side, "distal": Side,
    "cusps": Cusp, "ridges": Ridge, "grooves": Groove, "pits": Pit, "walls": WallGroove, "roots": Root,
}  # fmt: skip


def _part(key: str, value: Any) -> Any:
    if key in ("neck", "contour", "top"):
        return Outline(*value)
    if key not in _PARTS:
        return {k: _frozen(v) for k, v in value.items()} if isinstance(value, dict) else _frozen(value)
    rows = [
        _PARTS[key](**{k: _frozen(v) for k, v in row.items()})
        for row in (value if isinstance(value, list) else [value])
    ]
    return tuple(rows) if isinstance(value, list) else rows[0]


@cache
def shape_of(fdi: int) -> Shape:
    """The shape table's row for a permanent tooth."""
    row = _read("shapes.toml")[_type_of(fdi)]
    return Shape(**{key: _part(key, value) for key, value in row.items()})
