"""The records everything else passes along: frozen, plain arrays and values, no behaviour beyond reading them.

Millimetres, degrees, seconds. Unless a field says otherwise, points are in the tooth frame of the exercise
(`docs/conventions.md`): +z occlusal or incisal, +y facial, x = y × z. Signed distance is negative inside material.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Alignment",
    "Assessment",
    "Component",
    "CutField",
    "CutSurface",
    "Event",
    "FloatArray",
    "Grid",
    "ImplantPlan",
    "IntArray",
    "Limits2",
    "Mark",
    "Motion",
    "Piece",
    "PieceKind",
    "Reading",
    "Remark",
    "Removal",
    "Ruling",
    "RulingWord",
    "SectionPlane",
    "ShankContact",
    "Site",
    "Status",
    "Surface",
    "Volume",
    "Witness",
]

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int32]
Limits2: TypeAlias = tuple[float, float]
PieceKind: TypeAlias = Literal["scan", "motion", "volume", "plan"]
Status: TypeAlias = Literal["measured", "not_measurable", "not_applicable"]
RulingWord: TypeAlias = Literal["met", "not met", "too close to call", "not measurable", "not applicable"]


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A triangle mesh: `vertices_mm` (n, 3) float64, `faces` (m, 3) int32, counter-clockwise seen from outside."""

    vertices_mm: FloatArray
    faces: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Values at voxel centres: voxel (i, j, k) is the point `origin_mm + spacing_mm * (i, j, k)`, axes x, y, z.

    A signed-distance grid holds float32 millimetres, negative inside, cut off at ± its band.
    """

    origin_mm: FloatArray
    spacing_mm: float
    values: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Volume:
    """A CT or a label volume: `values` (nx, ny, nz), and `matrix` (4, 4), which carries voxel indices (i, j, k) to mm.

    Coordinates are left-posterior-superior as read. The axes may stand askew (a tilted gantry) and run either way round.
    """

    values: NDArray[Any]
    matrix: FloatArray


@dataclass(frozen=True, slots=True)
class Remark:
    """Something worth saying that changes no exit status: a mended mesh, an assumed unit. JSON calls these warnings."""

    code: str
    where: str
    message: str


@dataclass(frozen=True, slots=True)
class Component:
    """One line of an uncertainty budget (JCGM 100): its source and its standard uncertainty in the reading's unit."""

    source: str
    u: float


@dataclass(frozen=True, slots=True, eq=False)
class SectionPlane:
    """A cutting plane: `origin_mm` on it, unit `across` (drawn to the right) and `up` (drawn upwards), in the tooth frame."""

    name: str
    origin_mm: FloatArray
    across: FloatArray
    up: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Witness:
    """The geometry a number came from, in the tooth frame.

    `kind` says how it is drawn: `angle` (segments[0] and segments[1] are the two fitted lengths), `length`
    (segments[0] is the measured extent, further segments are its extension lines), `points`, `curve`, `patch`
    (points of the area), `region` (points inside the volume), `direction` (segments[0]).
    """

    kind: Literal["angle", "length", "points", "curve", "patch", "region", "direction"]
    points_mm: FloatArray = field(default_factory=lambda: np.empty((0, 3)))
    segments_mm: FloatArray = field(default_factory=lambda: np.empty((0, 2, 3)))
    curves_mm: tuple[FloatArray, ...] = ()
    plane: SectionPlane | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """One number: value, unit, standard uncertainty, status, and where it came from.

    `id`, `where` and `stat` together name it. `value` and `u` are None unless `status` is `measured`, and `reason`
    is then the cause in words.
    """

    id: str
    where: str | None
    stat: str | None
    value: float | None
    unit: str
    u: float | None
    status: Status = "measured"
    reason: str | None = None
    budget: tuple[Component, ...] = ()
    witness: Witness | None = None

    @property
    def key(self) -> tuple[str, str | None, str | None]:
        """What names it: id, where, stat."""
        return self.id, self.where, self.stat


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """How a piece file was laid over the exercise.

    Attributes
    ----------
    matrix : (4, 4) float array
        Carries piece-file coordinates (mm, after any unit change) into exercise-file coordinates.
    rms_um : float
        Root mean square residual over the points used, µm.
    overlap : float
        Fraction of the reference points (what is not cut) that found the piece.
    covariance : (6, 6) float array
        Of a small motion about the tooth-frame origin, in the tooth frame: three rotations (radians, about x, y, z), then
        three translations (mm), scaled by the residual.
    points_used : int
    """

    matrix: FloatArray
    rms_um: float
    overlap: float
    covariance: FloatArray
    points_used: int


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """What a learner cut, aligned and in the tooth frame, whatever it was captured with.

    `surface` is the worked tooth or block alone. `neighbours` holds neighbours' surfaces as scanned with the piece, by
    side. `noise_um` and `trueness_um` are standard uncertainties of a surface point, random and shared. A piece that was
    recorded has its `motion`, the `cut` it made in the subject, and the cuts in neighbours by side (`neighbour_cuts`). A
    learner's own `plan` of an implant is a piece too: its surface is what the plan would leave.
    """

    kind: PieceKind
    sha256: str
    surface: Surface
    alignment: Alignment
    noise_um: float
    trueness_um: float
    neighbours: Mapping[str, Surface] = field(default_factory=dict)
    remarks: tuple[Remark, ...] = ()
    motion: Motion | None = None
    cut: CutField | None = None
    neighbour_cuts: Mapping[str, CutField] = field(default_factory=dict)
    plan: ImplantPlan | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ImplantPlan:
    """Where an implant is to stand: the middle of its platform, the end of its axis (3,), tooth frame, and its diameter."""

    entry_mm: FloatArray
    apex_mm: FloatArray
    diameter_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """A recorded tool: n samples in time order, in the tooth frame, already checked.

    Attributes
    ----------
    time_s : (n,) float array
        Strictly rising.
    tip_mm : (n, 3) float array
        The instrument's tip.
    orientation : (n, 4) float array
        Unit quaternions w, x, y, z; the instrument's axis runs from the tip along its own +z towards the handle.
    joined : (n,) bool array
        The stretch from the sample before to this one may be swept: False for the first sample, after a gap that is not
        cut through, after a jump.
    cutting : (n,) bool array
        The spindle turns forwards (all True where no spindle was recorded). A stretch cuts if it does at both its ends.
    instrument : (n,) int32 array
        Which of `instruments` is held.
    instruments : tuple of str
        ISO 6360 codes or names, as the exercise resolves them.
    force_n : (n, 3) float array or None
        Newtons, tooth frame; NaN where not recorded.
    mirror, head : (n, 7) float array or None
        Position (mm) and quaternion (w, x, y, z) of mirror and head, tooth frame; NaN where not seen.
    unseen_s : (k, 2) float array
        Start and end of each stretch without a usable sample, s.
    u_position_um, u_angle_deg : float
        Standard uncertainties of the recording's transform.
    sha256 : str
        Of the file it came from.
    """

    time_s: FloatArray
    tip_mm: FloatArray
    orientation: FloatArray
    joined: NDArray[np.bool_]
    cutting: NDArray[np.bool_]
    instrument: IntArray
    instruments: tuple[str, ...]
    force_n: FloatArray | None = None
    mirror: FloatArray | None = None
    head: FloatArray | None = None
    unseen_s: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    u_position_um: float = 0.0
    u_angle_deg: float = 0.0
    sha256: str = ""
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ShankContact:
    """A stretch of time in which the shank, which does not cut, stood in material that was there at the time.

    `point_mm` (tooth frame) is where it stood deepest, `depth_mm` how far below the subject's surface that is.
    """

    start_s: float
    end_s: float
    point_mm: FloatArray
    depth_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class CutField:
    """A cut as a field of times: per voxel how near the tool came, and when it was first cut. Tooth frame.

    Blocks are sparse: only those the tool came near to are held. Voxel (i, j, k) of block b stands at
    `origin_mm + spacing_mm * (edge * blocks[b] + (i, j, k))` with `edge` = `distance_mm.shape[1]`. Voxels of no block
    were never nearer than `band_mm`.

    Attributes
    ----------
    origin_mm : (3,) float array
    spacing_mm : float
    shape : (3,) tuple of int
        Voxels of the whole box along x, y, z.
    band_mm : float
        Distances are exact within ± this and cut off beyond it.
    blocks : (n, 3) int32 array
        Which blocks, in lexicographic order.
    distance_mm : (n, edge, edge, edge) float32 array
        Least signed distance to the cutting head over the whole motion, negative where it was cut. The remaining material
        is where the subject's own signed distance and minus this one are both negative.
    time_s : (n, edge, edge, edge) float32 array
        Seconds after `start_s`. Where the voxel was cut (`distance_mm` <= 0): the first time the head reached its centre.
        Where the head only came near: the time of its closest pass. Infinite where it never came within the band.
    start_s : float
        The motion's first time.
    poses : int
        Poses swept: samples in which the tool cut, and those put between them.
    samples : int
        Samples of the motion.
    contacts : tuple of ShankContact
    """

    origin_mm: FloatArray
    spacing_mm: float
    shape: tuple[int, int, int]
    band_mm: float
    blocks: IntArray
    distance_mm: NDArray[np.float32]
    time_s: NDArray[np.float32]
    start_s: float
    poses: int
    samples: int
    contacts: tuple[ShankContact, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CutSurface:
    """What is left of the subject, closed, with the time (s after the motion's first) at which each vertex was laid bare.

    `time_s` (n,) is the closest pass of the head, NaN on the subject's own surface.
    """

    surface: Surface
    time_s: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Removal:
    """What was removed, by tissue and over time.

    Attributes
    ----------
    names : tuple of str
        The layers in the exercise's order, then `other` for what no layer claims.
    time_s : (m,) float array
        Ends of even time bins, s after the motion's first.
    by_time_mm3 : (len(names), m) float array
        Removed within each bin.
    first_cut_s, last_cut_s : (len(names),) float array
        When material of it was first and last removed, NaN where none was.
    """

    names: tuple[str, ...]
    time_s: FloatArray
    by_time_mm3: FloatArray
    first_cut_s: FloatArray
    last_cut_s: FloatArray

    @property
    def removed_mm3(self) -> Mapping[str, float]:
        """Volume by name, and `all` of it."""
        totals = self.by_time_mm3.sum(axis=1).tolist()
        return {"all": sum(totals), **dict(zip(self.names, totals, strict=True))}


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """Something that happened while a piece was cut: when (s after the motion's first), where (tooth frame), how deep.

    `kind` is `outside` (a cut outside the permitted envelope), `neighbour` (a cut into a neighbour, `side` says which) or
    `pulp` (the pulp opened). `depth_mm` is the greatest depth beyond that border, `point_mm` where it was reached.
    """

    kind: Literal["outside", "neighbour", "pulp"]
    start_s: float
    end_s: float
    point_mm: FloatArray
    depth_mm: float
    side: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """A named place on the subject: its role, its point, the subject points within 0.5 mm and their inward normals."""

    name: str
    role: str
    point_mm: FloatArray
    points_mm: FloatArray
    inward: FloatArray


@dataclass(frozen=True, slots=True)
class Ruling:
    """A criterion decided (JCGM 106): probability that the true value lies inside the limits, and the word for it."""

    reading: str
    where: str | None
    stat: str | None
    limits: Limits2
    probability_inside: float | None
    ruling: RulingWord
    weight: float
    critical: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """The whole piece: percent of the weight earned, the outcome, and the critical criteria that were not met."""

    percent: float | None
    outcome: Literal["pass", "fail", "refer"]
    critical_not_met: tuple[str, ...] = ()
    referred: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """Everything `assess` found, with what is needed to make it again bit for bit."""

    kerfmark: str
    exercise_id: str
    exercise_version: str
    piece: Piece
    readings: tuple[Reading, ...]
    rulings: tuple[Ruling, ...]
    mark: Mark
    remarks: tuple[Remark, ...]
    settings: Mapping[str, object] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
