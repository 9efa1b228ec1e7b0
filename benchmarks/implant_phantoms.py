"""Beds drilled into a plain bone by booleans, their every deviation known; made by a route the measuring code does not share."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from block_phantoms import Blank, Key

from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import LoadedExercise, version_of
from kerfmark.exercise.prepared import prepare
from kerfmark.geometry.evening import evened
from kerfmark.geometry.frames import rotation_about
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.mesh import submesh
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.phantoms import refined
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import FloatArray, ImplantPlan, Surface
from kerfmark.settings import Limits

LENGTH_MM, DIAMETER_MM, POINT_DEG = 10.0, 4.1, 118.0
DRILLS = ("pilot", "middle", "last")
WIDTHS_MM = (2.0, 3.0, 4.1)

TABLE: dict[str, Any] = {
    "format": 1,
    "id": "phantom-bed",
    "title": "A bed in a plain bone",
    "family": "implant",
    "tooth": 36,
    "subject": {"surface": "bone.ply"},
    "frame": {"origin": [0.0, 0.0, 0.0], "occlusal": [0.0, 0.0, 1.0], "facial": [0.0, 1.0, 0.0], "mesial": "+x"},
    "target": {"implant": {"entry": [0.0, 0.0, 0.0], "apex": [0.0, 0.0, -LENGTH_MM], "diameter_mm": DIAMETER_MM}},
    "structures": {
        "canal": {"points": [[-12.0, 0.5, -15.0], [12.0, 0.5, -15.0]], "diameter_mm": 2.5},
        "roots": ["mesial.ply", "distal.ply"],
    },
    "permitted": {"instruments": list(DRILLS)},
    "criteria": [{"reading": "implant.apex_deviation_mm", "limits": [0.0, 1.0]}],
}


def drill_profile(width_mm: float) -> list[list[float]]:
    """A twist drill's profile from its point, 16 mm long."""
    point = 0.5 * width_mm / np.tan(np.radians(0.5 * POINT_DEG))
    return [[0.0, 0.0], [float(point), 0.5 * width_mm], [16.0, 0.5 * width_mm], [16.0, 0.0]]


LOW_SIDES_MM = [[-14.0, -8.0, -22.0], [13.0, -6.5, -22.0], [12.0, 7.0, -22.0], [-11.0, 9.0, -22.0]]
HIGH_SIDES_MM = [[-11.0, -5.5, 0.0], [12.5, -5.0, 0.0], [9.0, 5.0, 0.0], [-12.0, 6.5, 0.0]]
SIDES = Solid.loft(np.array([LOW_SIDES_MM, HIGH_SIDES_MM]))


def bone() -> Solid:
    """A ridge 22 mm high with a level top at z = 0, no two of its sides alike, and two knobs."""
    knobs = [Solid.sphere(1.8).moved(at) for at in ([-9.5, 3.0, 0.0], [9.0, -3.0, 0.0])]
    return union(SIDES, *knobs)


def root(x_mm: float) -> Solid:
    """A root beside the plan: a round rod of radius 2 mm, 14 mm deep."""
    return Solid.cylinder(2.0, 14.0, segments=96).moved([x_mm, 0.0, -14.0])


def exercise(**changed: Any) -> LoadedExercise:
    """The phantom exercise; keys of its tables may be changed."""
    own = [{"name": n, "profile_mm": drill_profile(w)} for n, w in zip(DRILLS, WIDTHS_MM, strict=True)]
    assets = {
        "bone.ply": ply_bytes(refined(bone().surface(), edge_mm=0.5)),
        "mesial.ply": ply_bytes(refined(root(6.5).surface(), edge_mm=0.5)),
        "distal.ply": ply_bytes(refined(root(-7.5).surface(), edge_mm=0.5)),
    }
    made = as_exercise(TABLE | {"instruments": own} | changed)
    return LoadedExercise(made, version_of(made, assets), assets, ())


CANAL_MM = np.array([[-12.0, 0.5, -15.0], [12.0, 0.5, -15.0]])
ARCH_MM = [[-10.0, 0.8, -6.0], [-3.0, 0.0, -6.0], [4.0, 0.2, -6.0], [10.0, 1.0, -6.0]]
PLANNED_RULES = [
    {"reading": "implant.canal_clearance_mm", "limits": [2.0, np.inf], "ask": "Is the canal kept clear of by 2 mm?"},
    {
        "reading": "implant.root_clearance_mm",
        "where": "mesial",
        "limits": [1.5, np.inf],
        "ask": "Is the mesial root kept clear of?",
    },
    {"reading": "implant.entry_deviation_mm", "limits": [0.0, 1.5], "ask": "Is the entry near the teacher's?"},
]


def planned_exercise(*, voxel_mm: float = 0.5, seed: int = 1) -> LoadedExercise:
    """The phantom exercise with a CT of its own and an arch, to be planned in; everything in it is simulated.

    Bone 900, roots 1700, air and canal near 0, with noise of 30.
    """
    rng = np.random.default_rng(seed)
    low, high = np.array([-15.0, -10.0, -23.0]), np.array([14.0, 10.0, 4.0])
    shape = tuple(int(n) for n in np.ceil((high - low) / voxel_mm))
    points = (low + voxel_mm * np.indices(shape).reshape(3, -1).T).astype(float)
    greys = np.zeros(len(points))
    for solid, grey in ((bone(), 900.0), (root(6.5), 1700.0), (root(-7.5), 1700.0)):
        grid = distance_grid(solid.surface(), spacing_mm=voxel_mm, band_mm=1.5, bounds_mm=np.array([low, high]))
        part = np.clip(0.5 - sample(grid, points) / voxel_mm, 0.0, 1.0)  # the share of each voxel that is filled
        greys = greys * (1.0 - part) + grey * part
    off = np.hypot(points[:, 1] - CANAL_MM[0, 1], points[:, 2] - CANAL_MM[0, 2])
    greys *= np.clip(0.5 + (off - 1.25) / voxel_mm, 0.0, 1.0)
    values = np.rint(greys + rng.normal(0.0, 30.0, len(points))).astype(np.int16).reshape(shape)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ct.nrrd"
        write_nrrd(file, values, origin_mm=low, spacing_mm=voxel_mm, simulated=True)
        ct = file.read_bytes()
    plain = exercise()
    table = TABLE | {
        "id": "phantom-plan",
        "title": "A plan in a plain bone",
        "subject": {"surface": "bone.ply", "volume": "ct.nrrd", "arch": ARCH_MM},
        "permitted": {"implant_diameters_mm": [3.5, 4.1, 4.8]},
        "criteria": PLANNED_RULES,
    }
    made = as_exercise(table)
    assets = {**plain.assets, "ct.nrrd": ct}
    return LoadedExercise(made, version_of(made, assets), assets, ())


@dataclass(frozen=True)
class BedSpec:
    """What was truly drilled: entry on the bone's top, tilt from the plan, its azimuth, length along the axis, diameter."""

    entry_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    length_mm: float = LENGTH_MM
    diameter_mm: float = DIAMETER_MM
    point_deg: float = POINT_DEG
    seed: int = field(default=0, compare=False)

    @property
    def way(self) -> FloatArray:
        """Unit direction of the axis, downwards."""
        lean, turn = np.radians(self.tilt_deg), np.radians(self.azimuth_deg)
        return np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), -np.cos(lean)])

    @property
    def q0(self) -> FloatArray:
        """Where the axis enters the bone."""
        return np.array([*self.entry_mm, 0.0])

    @property
    def q1(self) -> FloatArray:
        """Where the full diameter ends."""
        return np.asarray(self.q0 + self.length_mm * self.way)

    def truth(self) -> dict[str, float]:
        """Readings by their definitions, from the numbers alone."""
        u, p1 = np.array([0.0, 0.0, -1.0]), np.array([0.0, 0.0, -LENGTH_MM])
        return {
            "implant.entry_deviation_mm": float(np.linalg.norm(self.q0)),
            "implant.apex_deviation_mm": float(np.linalg.norm(self.q1 - p1)),
            "implant.depth_deviation_mm": float((self.q1 - p1) @ u),
            "implant.lateral_deviation_mm": float(np.hypot(*self.entry_mm)),
            "implant.angle_deg": self.tilt_deg,
            "implant.oversize_mm": self.diameter_mm - WIDTHS_MM[-1],
        }


def drilled(spec: BedSpec, *, segments: int = 180) -> Surface:
    """The bone with the bed, by a boolean."""
    return difference(bone(), tool(spec, segments=segments)).surface()


def tool(spec: BedSpec, *, segments: int = 180) -> Solid:
    """What the bed takes away: a cylinder with a conical end, standing out above the bone."""
    radius = 0.5 * spec.diameter_mm
    point = radius / np.tan(np.radians(0.5 * spec.point_deg))
    # Polygons inscribed in a circle are too small; of the same area they have the circle's radius on the mean.
    radius /= np.sqrt(np.sin(2.0 * np.pi / segments) / (2.0 * np.pi / segments))
    profile = [[0.0, -point], [radius, 0.0], [radius, spec.length_mm + 6.0], [0.0, spec.length_mm + 6.0]]
    rod = Solid.revolved(np.array(profile), segments=segments)  # z upwards, the end of the full diameter at z = 0
    axis = np.cross([0.0, 0.0, 1.0], -spec.way)
    size = float(np.linalg.norm(axis))
    matrix = np.eye(4)
    if size > 1e-12:
        matrix = rotation_about(axis / size, float(np.degrees(np.arcsin(min(size, 1.0)))))
    placed = np.eye(4)
    placed[:3, :3] = matrix[:3, :3]
    placed[:3, 3] = spec.q1
    return rod.transformed(placed)


def clearances(spec: BedSpec) -> dict[str, float]:
    """Least distances of points all over the bed (5 in a mm) from the canal's and the roots' middle lines, less their radii."""
    first = np.cross(spec.way, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(spec.way, first)
    radius, turn = 0.5 * spec.diameter_mm, np.radians(np.arange(0.0, 360.0, 0.5))
    round_it = np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second
    point = radius / np.tan(np.radians(0.5 * spec.point_deg))
    depth = np.concatenate([np.linspace(0.0, spec.length_mm, 120), spec.length_mm + np.linspace(0.0, point, 60)])
    wide = np.concatenate([np.full(120, radius), np.linspace(radius, 0.0, 60)])
    bed = (spec.q0 + depth[:, None] * spec.way)[:, None] + wide[:, None, None] * round_it
    canal = np.hypot(bed[..., 1] - 0.5, bed[..., 2] + 15.0) - 1.25
    sides = {"mesial": np.hypot(bed[..., 0] - 6.5, bed[..., 1]), "distal": np.hypot(bed[..., 0] + 7.5, bed[..., 1])}
    below = bed[..., 2] > -14.0
    beside = {
        f"implant {side}": float(np.hypot(bed[..., 0] - x, bed[..., 1] - y).min()) - 0.5 * BESIDE_WIDE_MM
        for side, (x, y) in BESIDE.items()
    }
    return {"canal": float(canal.min())} | {side: float(d[below].min()) - 2.0 for side, d in sides.items()} | beside


SINUS_LEAN_DEG, SINUS_TOP_MM = 12.0, -13.5
BESIDE = {"mesial": (8.5, -2.0), "distal": (-9.0, 2.5)}
BESIDE_WIDE_MM, BESIDE_ENDS_MM = 3.5, (4.0, -18.0)


def sinus() -> Surface:
    """A broad body under the bone whose level top leans, so that nothing but that top comes near a bed."""
    lean = rotation_about(np.array([0.0, 1.0, 0.0]), SINUS_LEAN_DEG)
    lean[:3, 3] = [0.0, 0.0, SINUS_TOP_MM]
    return Solid.box([-25.0, -25.0, -8.0], [25.0, 25.0, 0.0]).transformed(lean).surface()


def implants_beside() -> tuple[ImplantPlan, ...]:
    """An upright implant on each side, longer than any bed at both ends."""
    top, bottom = BESIDE_ENDS_MM
    return tuple(
        ImplantPlan(np.array([x, y, top]), np.array([x, y, bottom]), BESIDE_WIDE_MM) for x, y in BESIDE.values()
    )


def sinus_clearance(spec: BedSpec) -> float:
    """Of the lowest point of both ends and of the drill's point over a plane, by the formula of a disc over a plane."""
    lean, radius = np.radians(SINUS_LEAN_DEG), 0.5 * spec.diameter_mm
    normal = np.array([np.sin(lean), 0.0, np.cos(lean)])
    tip = spec.q1 + radius / np.tan(np.radians(0.5 * spec.point_deg)) * spec.way
    rim = radius * np.sqrt(1.0 - float(normal @ spec.way) ** 2)
    top = np.array([0.0, 0.0, SINUS_TOP_MM])
    return float(min((spec.q0 - top) @ normal - rim, (spec.q1 - top) @ normal - rim, (tip - top) @ normal))


def plates(spec: BedSpec) -> dict[str, float]:
    """Least way square to the axis through the ridge's own side, within 45° of it, from 1 mm below the entry; steps of 0.5° and 0.05 mm."""
    ridge = SIDES.surface()
    corners = ridge.vertices_mm[ridge.faces]
    depth = np.arange(1.0, spec.length_mm + 1e-9, 0.05)
    turn = np.radians(np.arange(-45.0, 45.01, 0.5))
    found = {}
    for wall, sign in (("buccal", 1.0), ("lingual", -1.0)):
        out = np.array([0.0, sign, 0.0]) - sign * spec.way[1] * spec.way
        out /= np.linalg.norm(out)
        ways = np.cos(turn)[:, None] * out + np.sin(turn)[:, None] * np.cross(spec.way, out)
        starts = spec.q0 + depth[:, None] * spec.way
        least = min(float(_to_plane(starts[:, None], ways[None], face).min()) for face in corners)
        found[wall] = least - 0.5 * spec.diameter_mm
    return found


def _to_plane(starts: FloatArray, ways: FloatArray, face: FloatArray) -> FloatArray:
    """How far rays go to a triangle; infinitely far where they miss it (Möller and Trumbore 1997)."""
    one, two = face[1] - face[0], face[2] - face[0]
    cross = np.cross(ways, two)
    scale = cross @ one
    with np.errstate(divide="ignore", invalid="ignore"):
        away = starts - face[0]
        u = (away * cross).sum(axis=-1) / scale
        across = np.cross(away, one)
        v = (across * ways).sum(axis=-1) / scale
        far = (across @ two) / scale
        met = (np.abs(scale) > 1e-12) & (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1.0 + 1e-9) & (far > 0.0)
    return np.asarray(np.where(met, far, np.inf))


BEDS = {
    "as planned": BedSpec(),
    "beside": BedSpec(entry_mm=(0.6, -0.4)),
    "tilted about its entry": BedSpec(tilt_deg=3.5, azimuth_deg=25.0),
    "tilted, deep and wide": BedSpec(
        entry_mm=(-0.5, 0.3), tilt_deg=6.0, azimuth_deg=200.0, length_mm=11.2, diameter_mm=4.3
    ),
    "shallow": BedSpec(entry_mm=(0.2, 0.9), tilt_deg=2.0, azimuth_deg=290.0, length_mm=8.8),
    "flat point": BedSpec(entry_mm=(-0.8, -0.5), tilt_deg=8.0, azimuth_deg=110.0, length_mm=10.3, point_deg=170.0),
}


LOW_MM, HIGH_MM = np.array([-5.5, -4.6, -13.5]), np.array([5.5, 4.6, 3.0])
"""What a scan of a bed covers: the bed, and some bone about its mouth."""


class Patch(Blank):
    """A bed as it is scanned: without the bone's far sides, which nothing here is read from and which take a minute to mesh."""

    @cached_property
    def fine(self) -> Surface:
        part = intersection(self.solid, Solid.box(LOW_MM, HIGH_MM)).surface()
        corners = part.vertices_mm[part.faces]
        ends = [(axis, end[axis]) for axis in range(3) for end in (LOW_MM, HIGH_MM)]
        cut_off = np.any([(np.abs(corners[..., axis] - at) < 1e-6).all(axis=1) for axis, at in ends], axis=0)
        return evened(submesh(part, ~cut_off), self.edge_mm)


def truth_of(spec: BedSpec, *, plan_too: bool = False) -> dict[Key, float]:
    """Everything that is known of a bed before it is measured, by reading; with what is read of the plan alone, which is exact."""
    far, plate = clearances(spec), plates(spec)
    of_bed = {(name, None, None): value for name, value in spec.truth().items()} | {
        ("implant.canal_clearance_mm", "bed", None): far["canal"],
        ("implant.root_clearance_mm", "bed/mesial", None): far["mesial"],
        ("implant.root_clearance_mm", "bed/distal", None): far["distal"],
        ("implant.implant_clearance_mm", "bed/mesial", None): far["implant mesial"],
        ("implant.implant_clearance_mm", "bed/distal", None): far["implant distal"],
        ("implant.sinus_clearance_mm", "bed", None): sinus_clearance(spec),
        ("implant.plate_thickness_mm", "bed/buccal", None): plate["buccal"],
        ("implant.plate_thickness_mm", "bed/lingual", None): plate["lingual"],
    }
    of_plan = {
        ("implant.canal_clearance_mm", None, None): 15.0 - LENGTH_MM - 1.25,
        ("implant.root_clearance_mm", "mesial", None): 6.5 - 2.0 - 0.5 * DIAMETER_MM,
        ("implant.root_clearance_mm", "distal", None): 7.5 - 2.0 - 0.5 * DIAMETER_MM,
        ("implant.prosthetic_axis_deg", None, None): 0.0,
    }
    return of_bed | (of_plan if plan_too else {})


def blanks(
    edge_mm: float = 0.15,
    *,
    names: tuple[str, ...] = tuple(BEDS),
    cache_dir: Path | None = None,
    plan_too: bool = False,
) -> dict[str, Blank]:
    """Every bed as the accuracy table takes it."""
    plain = prepare(exercise(), cache_dir=cache_dir or Path(tempfile.mkdtemp()), limits=Limits())
    prepared = replace(plain, sinus=sinus(), implants=implants_beside())
    made = {name: difference(bone(), tool(BEDS[name])) for name in names}
    return {name: Patch(prepared, made[name], truth_of(BEDS[name], plan_too=plan_too), edge_mm) for name in names}  # type: ignore[arg-type]
