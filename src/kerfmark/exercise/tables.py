"""The tables of an exercise file as models, one class a table, in the order of the file.

Field by field only; what one table asks of another stands in `rules`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from kerfmark.exercise.values import (
    AssetName,
    Direction,
    Limits2Value,
    NonNegative,
    Point,
    Polyline,
    Positive,
    ProfileValue,
    ToothNumber,
    Words,
    expected,
)

__all__ = [
    "Abutment",
    "Canal",
    "Criterion",
    "ExerciseTables",
    "Family",
    "Frame",
    "Implant",
    "OwnInstrument",
    "Pass",
    "Permitted",
    "SiteEntry",
    "Source",
    "Structures",
    "Subject",
    "Table",
    "Target",
]

Family: TypeAlias = Literal["crown", "cavity", "access", "implant", "line", "block"]

NO_CONTROL_CHARACTERS = r"^[^\x00-\x1f\x7f]*$"
"""A title stands on one line of pages and terminals."""
Text: TypeAlias = Annotated[str, Field(min_length=1, max_length=4000)]
if TYPE_CHECKING:
    Outline: TypeAlias = tuple[tuple[float, float, float], ...]
    Path3: TypeAlias = tuple[tuple[float, float, float], ...]
    Points: TypeAlias = tuple[tuple[float, float, float], ...]
else:
    Outline, Path3, Points = Polyline(3), Polyline(2), Polyline(1)


class Table(BaseModel):
    """What all tables share: strict types, no unknown keys, no changes after reading."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, validate_by_name=True, validate_by_alias=True)


def _label_table(value: object) -> object:
    """Keys of `labels` as whole numbers: TOML only knows keys of text."""
    if not isinstance(value, dict):
        return value
    bad = [
        key
        for key in value
        if not (isinstance(key, int) or (isinstance(key, str) and key.isascii() and key.isdigit() and len(key) < 10))
    ]
    if bad or 0 in {int(key) for key in value}:
        raise expected("whole numbers above 0 as the labels", "Correct the labels; 0 is always what is empty.")
    return {int(key): name for key, name in value.items()}


def _whole(value: object) -> object:
    """The value itself where it is a whole number; true and 1.0 equal 1 but are none."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise expected("the whole number 1", "Correct it.")
    return value


def _list_as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


class Subject(Table):
    """The state before cutting: closed surfaces in mm, all in the same coordinates."""

    surface: AssetName | None = None
    layers: dict[str, AssetName] = Field(
        default_factory=dict, description="tissue or block layers; the later one wins where two overlap"
    )
    neighbours: dict[Literal["mesial", "distal"], AssetName] = Field(default_factory=dict)
    gingiva: AssetName | None = None
    volume: AssetName | None = Field(
        default=None, description="a CT (a file, or a folder or zip of DICOM slices), or with `labels` a label volume"
    )
    series: Text | None = Field(
        default=None, description="which DICOM series of the volume's folder: its UID or number, as text"
    )
    labels: Annotated[dict[int, str], BeforeValidator(_label_table)] = Field(
        default_factory=dict, description="what each whole number above 0 of a label volume stands for"
    )
    hounsfield: bool = Field(
        default=False, description="the volume's greys are calibrated Hounsfield units; cone-beam greys are not"
    )
    arch: Path3 | None = Field(
        default=None, description="curve along the jaw, for cross-sections at right angles to it"
    )


class Frame(Table):
    """The tooth frame, in the coordinates of the exercise's files."""

    origin: Point = Field(description="centroid of the cervical line, or centre of a block's top face, mm")
    occlusal: Direction
    facial: Direction
    mesial: Literal["+x", "-x"] = Field(description="x = facial × occlusal; +x in quadrants 1 3 5 7, -x in 2 4 6 8")


class Abutment(Frame):
    """A further abutment of a bridge: its tooth and its own tooth frame. The first is the exercise's own tooth and frame."""

    tooth: ToothNumber


class Implant(Table):
    """The planned implant."""

    entry: Point
    apex: Point
    diameter_mm: Positive


class Target(Table):
    """What is to be made; which of it is needed depends on the family."""

    surface: AssetName | None = Field(default=None, description="the ideal finished piece")
    outline: Outline | None = Field(default=None, description="planned margin or outline, closed")
    line: Path3 | None = Field(default=None, description="the path to follow")
    depth_mm: Positive | None = None
    width_mm: Positive | None = None
    implant: Implant | None = None
    orifices: Points | None = None
    clear: str | None = Field(default=None, description="the layer that must be gone")
    axis: Direction | None = Field(
        default=None,
        description="access only: out of the tooth; from the orifices' to the outline's middle if left out",
    )


class Canal(Table):
    """A canal to be kept clear of: its middle line and its diameter."""

    points: Path3
    diameter_mm: Positive


class Structures(Table):
    """What an implant must be kept clear of."""

    canal: Canal | None = None
    roots: Annotated[tuple[AssetName, ...], BeforeValidator(_list_as_tuple)] = ()
    sinus: AssetName | None = None
    implants: Annotated[tuple[Implant, ...], BeforeValidator(_list_as_tuple)] = Field(
        default=(), description="implants that stand beside the planned one"
    )


Diameters: TypeAlias = Annotated[tuple[Positive, ...], BeforeValidator(_list_as_tuple)]


class Permitted(Table):
    """What may be used, where, and for how long."""

    instruments: Words = Field(default=(), description="ISO 6360 codes or names; an empty list means any")
    implant_diameters_mm: Diameters = Field(
        default=(), description="implants a plan may choose from; an empty list means any"
    )
    envelope: AssetName | None = Field(default=None, description="may be cut inside only")
    time_limit_s: Positive | None = None


class OwnInstrument(Table):
    """A school's own instrument, by its profile from the tip."""

    name: Text
    profile_mm: ProfileValue


class SiteEntry(Table):
    """A named place on the subject."""

    name: Text
    role: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]
    point: Point


class Source(Table):
    """How pieces of this exercise are captured."""

    kind: Literal["scan", "motion", "volume"] = "scan"
    noise_um: NonNegative = Field(default=10.0, description="standard uncertainty of a surface point, µm")
    trueness_um: NonNegative = Field(default=15.0, description="uncertainty shared by all points, µm")
    threshold: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        default=None, description="grey value above which a voxel is material"
    )


class Criterion(Table):
    """One reading with its limits."""

    reading: str
    where: str | None = None
    stat: str | None = None
    limits: Limits2Value
    weight: NonNegative = 1.0
    critical: bool = Field(default=False, description="not met = the piece fails")
    ask: str | None = Field(default=None, max_length=4000, description="put to the learner before any reading is shown")
    outcome: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        default=None, description="which of the exercise's `outcomes` it shows; of the only one when left out"
    )
    source: Annotated[str, Field(min_length=1, max_length=400)] | None = Field(
        default=None, description="where the limits come from"
    )

    @property
    def key(self) -> tuple[str, str | None, str | None]:
        """What names its reading: id, where, stat."""
        return self.reading, self.where, self.stat


class Pass(Table):
    """When a piece passes."""

    minimum_percent: Annotated[float, Field(ge=0.0, le=100.0, allow_inf_nan=False)] = 60.0
    met_at: Annotated[float, Field(gt=0.5, le=1.0)] = Field(
        default=0.95, description="probability at and above which a criterion is met"
    )
    too_close: Literal["refer", "benefit", "strict"] = "refer"


class ExerciseTables(Table):
    """The whole file, field by field."""

    format: Annotated[Literal[1], BeforeValidator(_whole)]
    id: Annotated[str, Field(pattern=r"^[a-z0-9-]+$", max_length=100)]
    title: Annotated[str, Field(min_length=1, max_length=400, pattern=NO_CONTROL_CHARACTERS)]
    family: Family
    cavity_class: Annotated[int, Field(ge=1, le=5)] | None = Field(default=None, description="cavity only")
    tooth: ToothNumber | None = Field(default=None, description="FDI number; left out for line and block")
    instruction: Annotated[str, Field(max_length=4000)] = ""
    outcomes: Words = ()
    subject: Subject
    frame: Frame
    target: Target = Target()
    structures: Structures = Structures()
    permitted: Permitted = Permitted()
    instruments: Annotated[tuple[OwnInstrument, ...], BeforeValidator(_list_as_tuple)] = ()
    abutments: Annotated[tuple[Abutment, ...], BeforeValidator(_list_as_tuple)] = Field(
        default=(), description="crown only: the further abutments of a bridge"
    )
    sites: Annotated[tuple[SiteEntry, ...], BeforeValidator(_list_as_tuple)] = ()
    source: Source = Source()
    criteria: Annotated[tuple[Criterion, ...], BeforeValidator(_list_as_tuple), Field(min_length=1)]
    pass_: Pass = Field(default=Pass(), alias="pass")
