"""The built-in implant exercises: a bed to drill and a plan to make, in a generated jaw with canal, roots and neighbours.

The jaw, its CT and everything in them are simulated. Training only, not for treatment.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from pathlib import Path

import numpy as np

from kerfmark.anatomy.arch import Arch, Placed, arch
from kerfmark.anatomy.greys import simulated_ct
from kerfmark.anatomy.jaw import CANAL_RADIUS_MM, JawBone, jaw_bone
from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.exercise.builtin.criteria import PASS_PERCENT, Rule
from kerfmark.geometry.frames import transform_points
from kerfmark.geometry.grids import sample, surface_of
from kerfmark.geometry.mesh import transformed
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference, intersection
from kerfmark.instruments import instrument
from kerfmark.records import FloatArray, Grid, Surface

__all__ = ["DRILLS", "IMPLANTS", "ImplantSpec", "bed_rules", "bed_solid", "implant_parts", "plan_rules"]

DRILLS = ("twist drill 2.0", "twist drill 2.8", "twist drill 3.5")
LOW_MM, HIGH_MM = np.array([-17.0, -11.0, -22.0]), np.array([13.2, 11.0, 9.0])
"""The segment of the jaw, in the frame of the missing tooth: from behind its distal neighbour to its mesial one's far side."""
GRID_MM, CT_MM, CT_BLUR_MM, CT_NOISE = 0.25, 0.4, 0.25, 40.0
LENGTH_MM, DIAMETER_MM = 11.0, 4.1
DIAMETERS_MM = [3.5, 4.1, 4.8]
ROOM_MM, ROOM_BELOW_MM = 1.6, 2.6
ABOVE_MM = 12.0
CT_SEED = 36


@dataclass(frozen=True, slots=True)
class ImplantSpec:
    """A built-in implant exercise: `makes` says whether a bed is drilled or a plan is made."""

    name: str
    title: str
    instruction: str
    fdi: int
    makes: str


IMPLANTS = (
    ImplantSpec(
        "implant-36",
        "Implant bed, lower left first molar",
        "Drill the planned bed through the sequence: pilot 2.0, then 2.8, then 3.5, to the planned depth. Training only, not for treatment.",
        36,
        "bed",
    ),
    ImplantSpec(
        "implant-plan-36",
        "Implant plan, lower left first molar",
        "Plan the implant in the CT: entry, apex and diameter, clear of canal and roots. Training only, not for treatment.",
        36,
        "plan",
    ),
)


@lru_cache(maxsize=1)
def _jaw(fdi: int) -> tuple[Arch, JawBone]:
    """The jaw with its tooth missing: about ten seconds."""
    teeth = arch("lower", missing=(fdi,))
    return teeth, jaw_bone(teeth)


def implant_parts(spec: ImplantSpec, *, cache_dir: Path | None) -> tuple[dict[str, object], dict[str, Surface | bytes]]:
    """The exercise's keys and surfaces, and its CT as bytes under its own file name; all in the jaw's coordinates."""
    teeth, bone = _jaw(spec.fdi)
    site = teeth.empty[0]
    beside = _beside(teeth, site)
    own = _segment(bone, list(beside.values()), site)
    entry = _entry(own)
    apex = entry - [0.0, 0.0, LENGTH_MM]
    surfaces: dict[str, Surface | bytes] = {
        "subject": transformed(own, site.matrix),
        "target": transformed(_drilled(own, entry, apex), site.matrix),
        "envelope": transformed(_room(entry, apex), site.matrix),
        **{f"root-{placed.fdi}": placed.surface(edge_mm=0.3) for placed in beside.values()},
        "ct.nrrd": _ct(teeth, bone, site, cache_dir=cache_dir),
    }
    plan = transform_points(site.matrix, np.array([entry, apex]))
    return _keys(spec, teeth, bone, site, list(beside.values()), plan), surfaces


def bed_solid(entry_mm: FloatArray, apex_mm: FloatArray, *, width_mm: float | None = None) -> Solid:
    """What a drill takes away whose full diameter ends at the apex: the last drill's, or one of its shape of another width."""
    profile = instrument(DRILLS[-1]).profile_mm
    scale = 1.0 if width_mm is None else 0.5 * width_mm / float(profile[:, 1].max())
    point, radius = float(profile[1, 0]) * scale, float(profile[:, 1].max()) * scale
    length = float(np.linalg.norm(apex_mm - entry_mm)) + ABOVE_MM
    shape = np.array([[0.0, -point], [radius, 0.0], [radius, length], [0.0, length]])
    up = (entry_mm - apex_mm) / np.linalg.norm(entry_mm - apex_mm)
    helper = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    first = np.cross(helper, up)
    first /= np.linalg.norm(first)
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([first, np.cross(up, first), up])
    matrix[:3, 3] = apex_mm
    return Solid.revolved(shape, segments=180).transformed(matrix)


def _beside(teeth: Arch, site: Placed) -> dict[str, Placed]:
    """The neighbours by side: next in the row."""
    row = sorted((*teeth.teeth, site), key=lambda p: (p.fdi // 10 != site.fdi // 10, p.fdi))
    quadrant = [p for p in row if p.fdi // 10 == site.fdi // 10]
    place = quadrant.index(site)
    return {"mesial": quadrant[place - 1], "distal": quadrant[place + 1]}


def _segment(bone: JawBone, beside: list[Placed], site: Placed) -> Surface:
    """Bone and neighbouring teeth as one closed body, in the frame of the missing tooth."""
    low, high = LOW_MM - 1.0, HIGH_MM + 1.0
    shape = tuple(int(n) for n in np.ceil((high - low) / GRID_MM) + 1)
    own = low + GRID_MM * np.indices(shape).reshape(3, -1).T
    points = transform_points(site.matrix, own)
    field = sample(bone.ridge_grid, points)
    for placed in beside:
        field = np.minimum(field, placed.field(points))
    grid = Grid(low, GRID_MM, np.pad(field.reshape(shape)[1:-1, 1:-1, 1:-1], 1, constant_values=1.0).astype(np.float32))
    body = intersection(Solid.from_surface(surface_of(grid)), Solid.box(LOW_MM, HIGH_MM))
    return body.parts()[0].surface()


def _entry(own: Surface) -> FloatArray:
    """On the ridge over the tooth's axis."""
    distance, face = RayCaster(own).first_hit([[0.0, 0.0, 30.0]], [0.0, 0.0, -1.0])
    assert face[0] >= 0
    return np.array([0.0, 0.0, 30.0 - float(distance[0])])


def _drilled(own: Surface, entry: FloatArray, apex: FloatArray) -> Surface:
    return difference(Solid.from_surface(own), bed_solid(entry, apex)).surface()


def _room(entry: FloatArray, apex: FloatArray) -> Surface:
    """Where cutting is allowed: round the bed, and above it."""
    wide = float(instrument(DRILLS[-1]).profile_mm[:, 1].max()) + ROOM_MM
    height = float(entry[2] - apex[2]) + ROOM_BELOW_MM + ABOVE_MM
    return Solid.cylinder(wide, height).moved(apex - [0.0, 0.0, ROOM_BELOW_MM]).surface()


def _ct(teeth: Arch, bone: JawBone, site: Placed, *, cache_dir: Path | None) -> bytes:
    """A CT of the segment and a little more, as NRRD."""
    corners = np.array(np.meshgrid(*np.array([LOW_MM, HIGH_MM]).T)).reshape(3, -1).T
    box = transform_points(site.matrix, corners)
    window = np.array([box.min(axis=0) - 1.0, box.max(axis=0) + 1.0])
    greys, frame = simulated_ct(
        teeth, bone, rng=np.random.default_rng(CT_SEED), spacing_mm=CT_MM, blur_mm=CT_BLUR_MM, noise=CT_NOISE,
        window_mm=window, cache_dir=cache_dir,
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ct.nrrd"
        write_nrrd(file, greys, origin_mm=frame.origin_mm, spacing_mm=CT_MM)
        return file.read_bytes()


def _keys(
    spec: ImplantSpec, teeth: Arch, bone: JawBone, site: Placed, beside: list[Placed], plan: FloatArray
) -> dict[str, object]:
    canal = bone.canals_mm["left" if site.matrix[0, 3] < 0 else "right"][::6]
    near = np.linalg.norm(canal - plan[1], axis=1) < 26.0
    rules = bed_rules() if spec.makes == "bed" else plan_rules()
    return {
        "format": 1,
        "id": spec.name,
        "title": spec.title,
        "family": "implant",
        "tooth": spec.fdi,
        "instruction": spec.instruction,
        "subject": {"surface": "subject.ply", "volume": "ct.nrrd", "arch": _arch_curve(teeth, site)},
        "frame": {
            "origin": site.matrix[:3, 3].round(6).tolist(),
            "occlusal": site.matrix[:3, 2].round(9).tolist(),
            "facial": site.matrix[:3, 1].round(9).tolist(),
            "mesial": "+x" if spec.fdi // 10 % 2 else "-x",
        },
        "target": {
            "surface": "target.ply",
            "implant": {
                "entry": plan[0].round(4).tolist(),
                "apex": plan[1].round(4).tolist(),
                "diameter_mm": DIAMETER_MM,
            },
        },
        "structures": {
            "canal": {"points": canal[near].round(4).tolist(), "diameter_mm": 2.0 * CANAL_RADIUS_MM},
            "roots": [f"root-{placed.fdi}.ply" for placed in beside],
        },
        "permitted": {
            "instruments": list(DRILLS),
            "implant_diameters_mm": DIAMETERS_MM,
            "envelope": "envelope.ply",
            "time_limit_s": 900.0,
        },
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules],
        "pass": {"minimum_percent": PASS_PERCENT, "met_at": 0.95, "too_close": "refer"},
    }


def _arch_curve(teeth: Arch, site: Placed) -> list[list[float]]:
    """Through the necks of the row's teeth from second molar to first premolar, 7 mm below them: as one would draw it on the CT."""
    row = sorted(
        (p for p in (*teeth.teeth, *teeth.empty) if p.fdi // 10 == site.fdi // 10 and 4 <= p.fdi % 10 <= 7),
        key=lambda p: -p.fdi,
    )
    return [(p.matrix[:3, 3] - [0.0, 0.0, 7.0]).round(3).tolist() for p in row]


CANAL = "to the canal at least 2 mm, reviews of the safety zone, Niger J Clin Pract and J Dent Oral Disord [seen]"
ROOT = "to a neighbouring tooth at least 1.5 mm, course notes [seen, weak]"
PLATE = "buccal and lingual bone at least 1 mm [memory]"
NEWCOMERS = "newcomers, free hand: neck 1.01 to 1.14, apex 1.02 to 1.35 mm, 4.65 to 7.79°, doi 10.1186/s40729-020-0205-3 [seen]; limit [practice]"
ROOMY = "weighs little, as nearly any bed in this roomy site keeps it [practice]"
SEQUENCE = (
    "the sequence is what the exercise asks for, in steps of 0.5 to 0.8 mm [practice]; one wide drill at once heats the bone, which 47 °C "
    "for a minute harm, Eriksson & Albrektsson 1983 [memory]; critical [practice]"
)


def bed_rules() -> list[Rule]:
    """Criteria of a drilled bed, in the order a teacher looks. Apex and angle decide alone: an implant stands where they put it."""
    name = "implant."
    return [
        Rule(f"{name}entry_deviation_mm", None, None, (-inf, 1.2), 3.0, "Does the bed begin where it was planned?", NEWCOMERS),
        Rule(f"{name}apex_deviation_mm", None, None, (-inf, 1.5), 4.0, "Does the bed end where it was planned?", NEWCOMERS),
        Rule(f"{name}depth_deviation_mm", None, None, (-0.8, 0.5), 2.0, "Is the bed as deep as planned?", "planning margin of guided full arches 1 mm, IJOMI [seen]; limits [practice]"),
        Rule(f"{name}angle_deg", None, None, (-inf, 6.0), 4.0, "Does the bed stand at the planned angle?", NEWCOMERS),
        Rule(f"{name}oversize_mm", None, None, (-inf, 0.25), 1.0, "Is the bed no wider than the last drill makes it?", "[practice]"),
        Rule(f"{name}canal_clearance_mm", "bed", None, (2.0, inf), 0.0, "Is the canal kept clear of by 2 mm?", CANAL, critical=True),
        Rule(f"{name}root_clearance_mm", "bed/mesial", None, (1.5, inf), 0.25, "Is the mesial root kept clear of?", f"{ROOT}; {ROOMY}"),
        Rule(f"{name}root_clearance_mm", "bed/distal", None, (1.5, inf), 0.25, "Is the distal root kept clear of?", f"{ROOT}; {ROOMY}"),
        Rule(f"{name}plate_thickness_mm", "bed/buccal", None, (1.0, inf), 0.25, "Is 1 mm of bone left on the cheek side?", f"{PLATE}; {ROOMY}"),
        Rule(f"{name}plate_thickness_mm", "bed/lingual", None, (1.0, inf), 0.25, "Is 1 mm of bone left on the tongue side?", f"{PLATE}; {ROOMY}"),
        Rule(f"{name}breach", "canal", None, (-inf, 0.5), 0.0, "Is the canal unopened?", "[practice]", critical=True),
        Rule(f"{name}breach", "plate", None, (-inf, 0.5), 0.0, "Are the outer plates unopened?", "[practice]", critical=True),
        Rule(f"{name}drill_order", None, None, (0.5, inf), 2.0, "Was each drill used, in order?", SEQUENCE, critical=True),
    ]  # fmt: skip


def plan_rules() -> list[Rule]:
    """Criteria of a learner's own plan: where it stands, at which axis, how deep, and what it keeps clear of.

    Where it stands and its axis are two thirds of the weight and each alone decides: in a roomy site nearly any plan keeps clear. The
    teacher's axis is the crown's, so that one criterion asks for it, not two.
    """
    name = "implant."
    return [
        Rule(f"{name}entry_deviation_mm", None, None, (-inf, 1.0), 4.0, "Is the entry near the teacher's?",
             "nearer than a bed has to come to its plan (1.2 mm), as the two errors add and a plan is made at leisure [practice]"),
        Rule(f"{name}prosthetic_axis_deg", None, None, (-inf, 6.0), 4.0, "Will the crown stand over the implant?",
             "6° over the 9 mm from platform to chewing surface is 1 mm [computed], the middle of the surface [practice]; the teacher's axis too"),
        Rule(f"{name}depth_deviation_mm", None, None, (-1.5, 1.0), 2.0, "Does it end about as deep as the teacher's?",
             "an implant one length shorter or longer is another choice, two are a fault [practice]"),
        Rule(f"{name}canal_clearance_mm", None, None, (2.0, inf), 0.0, "Is the canal kept clear of by 2 mm?", CANAL, critical=True),
        Rule(f"{name}root_clearance_mm", "mesial", None, (1.5, inf), 0.5, "Is the mesial root kept clear of by 1.5 mm?", f"{ROOT}; {ROOMY}"),
        Rule(f"{name}root_clearance_mm", "distal", None, (1.5, inf), 0.5, "Is the distal root kept clear of by 1.5 mm?", f"{ROOT}; {ROOMY}"),
        Rule(f"{name}plate_thickness_mm", "buccal", None, (1.0, inf), 0.5, "Is 1 mm of bone left on the cheek side?", f"{PLATE}; {ROOMY}"),
        Rule(f"{name}plate_thickness_mm", "lingual", None, (1.0, inf), 0.5, "Is 1 mm of bone left on the tongue side?", f"{PLATE}; {ROOMY}"),
    ]  # fmt: skip
