"""A crown preparation on a real tooth: the layered lower left first molar (36) of open data, with its real neighbours' enamel.

Nobody here made this tooth. The script makes an exercise from it, cuts a crown preparation into it as a boolean of solids, scans
that with noise in a random pose (simulated), and assesses it through the public interface, printing what was cut beside what was read.

    python examples/real_molar.py [--data FOLDER] [--out FOLDER]

Data: mandible and tooth geometry from OpenMandible (A. M. Vukicevic et al., 2021), GPL-3.0; read from ../shared/data beside the
checkout, never copied into the project. What this script writes is derived from it and stands under the same licence.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import kerfmark
from kerfmark.anatomy.preparations import CrownPlan, CutCrown, cut_crown
from kerfmark.exercise.builtin.criteria import CERAMIC, crown_rules
from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.folder import save_exercise
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.mesh import components, transformed, volume_mm3
from kerfmark.geometry.mesh_files import read_mesh_file, write_surface
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.solids import Solid, union
from kerfmark.records import FloatArray, Surface
from kerfmark.settings import Limits

HERE = Path(__file__).resolve().parent
FUNCTIONAL = ("mesiobuccal cusp", "distobuccal cusp")
TABLE_RADIUS_MM = 2.6
MARGIN_MM = 1.5
OTHER = ("mesiolingual cusp", "distolingual cusp", "central groove")


@dataclass(frozen=True)
class RealTooth:
    """The tooth in its own frame, and the way there from the files' coordinates."""

    frame: FloatArray
    outer: Surface
    layers: dict[str, Surface]
    neighbours: dict[str, Surface]
    cervical_mm: FloatArray
    sites: dict[str, FloatArray]


def main() -> None:
    """Read, cut, scan, assess, print."""
    options = _options()
    if not (options.data / "tooth_L6" / "L6_enamel.stl").is_file():
        sys.exit(
            f"{options.data} does not hold the layered jaw, expected tooth_L6/L6_enamel.stl in it. Give its folder with --data."
        )
    real = read_real_tooth(options.data)
    cut = cut_real(real)
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.out or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        exercise = write_exercise(folder / "exercise", real, cut)
        piece = write_scan(folder / "piece.stl", cut)
        assessment = kerfmark.assess(exercise, piece)
    print_comparison(cut, assessment)


def read_real_tooth(data: Path) -> RealTooth:
    """The molar, its neighbours' enamel, and its frame from its own shape and theirs."""
    tooth, arch = data / "tooth_L6", data / "lower_arch_enamel"
    layers = {
        name: _read(tooth / f"L6_{file}.stl")
        for name, file in {"enamel": "enamel", "dentine": "dentin", "pulp": "pulp"}.items()
    }
    neighbours = {"mesial": _read(arch / "L5_enamel.stl"), "distal": _read(arch / "L7_enamel.stl")}
    outer = _outer(layers)
    frame, cervical = _frame(layers, neighbours)
    moved = {name: transformed(surface, frame) for name, surface in layers.items()}
    standing = transformed(outer, frame)
    return RealTooth(
        frame=frame,
        outer=standing,
        layers=moved,
        neighbours={side: transformed(surface, frame) for side, surface in neighbours.items()},
        cervical_mm=cervical,
        sites=_sites(standing),
    )


def cut_real(real: RealTooth) -> CutCrown:
    """The preparation. Its margin lies 1.5 mm above the cervical line: this crown is bulbous, and a lower one would leave no cusp over the stump."""
    plan = CrownPlan(
        margin_mm=dict.fromkeys(("buccal", "mesial", "lingual", "distal"), MARGIN_MM),
        reduction_mm={**dict.fromkeys(FUNCTIONAL, 1.75), **dict.fromkeys(OTHER, 1.5)},
    )
    return cut_crown(real.outer, sites=real.sites, cervical_line_mm=real.cervical_mm, mesial_sign=1, plan=plan)


def write_exercise(folder: Path, real: RealTooth, cut: CutCrown) -> Path:
    """The exercise as a school would write it, its files in the data's own coordinates."""
    back = rigid_inverse(real.frame)
    surfaces = {"subject": real.outer, "target": cut.surface}
    surfaces |= {f"layer-{name}": surface for name, surface in real.layers.items()}
    surfaces |= {f"neighbour-{side}": surface for side, surface in real.neighbours.items()}
    rules = crown_rules(CERAMIC, functional=list(FUNCTIONAL), nonfunctional=list(OTHER), front=False)
    keys = {
        "format": 1,
        "id": "real-molar-36",
        "title": "Full ceramic crown on a real lower left first molar",
        "family": "crown",
        "tooth": 36,
        "subject": {
            "surface": "subject.ply",
            "layers": {name: f"layer-{name}.ply" for name in real.layers},
            "neighbours": {side: f"neighbour-{side}.ply" for side in real.neighbours},
        },
        "frame": {"origin": back[:3, 3].tolist(), "occlusal": back[:3, 2].tolist(), "facial": back[:3, 1].tolist(), "mesial": "+x"},
        "target": {"surface": "target.ply", "outline": transform_points(back, cut.margin_mm[::2]).tolist()},
        "sites": [
            {"name": name, "role": "functional_cusp" if name in FUNCTIONAL else "central_groove" if "groove" in name else "nonfunctional_cusp", "point": transform_points(back, real.sites[name][None])[0].tolist()}
            for name in (*FUNCTIONAL, *OTHER)
        ],
        "source": {"kind": "scan", "noise_um": 10.0, "trueness_um": 15.0},
        "criteria": [rule.as_toml() for rule in rules if rule.reading != "crown.margin_to_gingiva_mm"],
    }  # fmt: skip
    assets = {f"{name}.ply": ply_bytes(transformed(surface, back)) for name, surface in surfaces.items()}
    folder.mkdir(exist_ok=True)
    save_exercise(folder, Exercise.model_validate(keys), assets)
    return folder


def write_scan(path: Path, cut: CutCrown) -> Path:
    """A simulated scan of the cut tooth: 10 µm noise, 0.1 mm triangles, any pose."""
    rng = np.random.default_rng(36)
    write_surface(path, scanned(cut.surface, noise_um=10.0, edge_mm=0.1, rng=rng, pose=random_pose(rng)))
    return path


def print_comparison(cut: CutCrown, assessment: kerfmark.records.Assessment) -> None:
    """What was cut beside what was read, and the mark."""
    readings = {r.key: r for r in assessment.readings}
    truth = {
        ("crown.total_occlusal_convergence_deg", p, None): cut.convergence_deg(a)
        for p, a in {"BL": 0, "MD": 90, "MF-DL": 45, "ML-DF": 135}.items()
    }
    truth |= {("crown.finish_line_width_mm", wall, "median"): width for wall, width in cut.plan.width_mm.items()}
    truth |= {("crown.occlusal_reduction_mm", site, "median"): depth for site, depth in cut.reduction_mm.items()}
    print(
        "Simulated preparation in a real tooth (OpenMandible, A. M. Vukicevic et al., 2021, GPL-3.0). Exercises only."
    )
    print(
        f"aligned to {assessment.piece.alignment.rms_um:.1f} µm rms, overlap {assessment.piece.alignment.overlap:.2f}"
    )
    print(f"{'reading':<62} {'cut':>7} {'read':>7} {'± U':>6}")
    for key, true in truth.items():
        reading = readings.get(key)
        name = " ".join(part for part in key if part)
        if reading is None or reading.value is None or reading.u is None:
            print(f"{name:<62} {true:7.2f} {'–':>7}  {'' if reading is None else reading.reason}")
        else:
            print(f"{name:<62} {true:7.2f} {reading.value:7.2f} {2 * reading.u:6.2f}")
    print(f"mark {assessment.mark.percent:.1f} of 100, {assessment.mark.outcome}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    default = HERE.parent.parent / "shared" / "data" / "layered-jaw-gpl3"
    parser.add_argument("--data", type=Path, default=default, help="folder of the layered jaw")
    parser.add_argument("--out", type=Path, help="keep the exercise and the piece in this folder")
    return parser.parse_args()


def _read(path: Path) -> Surface:
    return read_mesh_file(path, name=path.name, limits=Limits()).surface


def _outer(layers: dict[str, Surface]) -> Surface:
    """The union of the layers without the small voids between them (their shells enclose negative volume)."""
    whole = union(*(Solid.from_surface(surface) for surface in layers.values())).surface()
    return max(components(whole), key=volume_mm3)


def _frame(layers: dict[str, Surface], neighbours: dict[str, Surface]) -> tuple[FloatArray, FloatArray]:
    """Files' coordinates → tooth frame, and the cervical line in it.

    Occlusal runs from the root's middle to the crown's; mesial from the distal neighbour to the mesial one; the origin is then
    put at the centroid of the enamel's lower rim, found by azimuth.
    """
    crown, root = layers["enamel"].vertices_mm.mean(axis=0), _lower_half(layers["dentine"], layers["enamel"])
    occlusal = crown - root
    occlusal /= np.linalg.norm(occlusal)
    mesial = neighbours["mesial"].vertices_mm.mean(axis=0) - neighbours["distal"].vertices_mm.mean(axis=0)
    mesial -= (mesial @ occlusal) * occlusal
    mesial /= np.linalg.norm(mesial)
    frame = np.eye(4)
    frame[:3, :3] = np.stack([mesial, np.cross(occlusal, mesial), occlusal])
    frame[:3, 3] = -frame[:3, :3] @ crown
    rim = _rim(transform_points(frame, layers["enamel"].vertices_mm))
    frame[:3, 3] -= rim.mean(axis=0)
    return frame, rim - rim.mean(axis=0)


def _lower_half(dentine: Surface, enamel: Surface) -> FloatArray:
    """Middle of the dentine that lies farther from the enamel than most."""
    away = np.linalg.norm(dentine.vertices_mm - enamel.vertices_mm.mean(axis=0), axis=1)
    return np.asarray(dentine.vertices_mm[away > np.median(away)].mean(axis=0))


def _rim(points: FloatArray) -> FloatArray:
    """The lowest point of the enamel in every 6° of azimuth."""
    azimuth = np.degrees(np.arctan2(points[:, 0], points[:, 1])) % 360.0
    sector = (azimuth // 6.0).astype(int)
    return np.array([points[sector == k][np.argmin(points[sector == k, 2])] for k in range(60) if (sector == k).any()])


def _sites(outer: Surface) -> dict[str, FloatArray]:
    """Cusps: the highest point of each quarter that lies over the stump; central groove: the lowest point of the top near the middle."""
    points = outer.vertices_mm
    table = points[(points[:, 2] > 0.0) & (np.hypot(points[:, 0], points[:, 1]) < TABLE_RADIUS_MM)]
    quarters = {
        "mesiobuccal cusp": (1, 1),
        "distobuccal cusp": (-1, 1),
        "mesiolingual cusp": (1, -1),
        "distolingual cusp": (-1, -1),
    }
    sites = {name: _highest(table[(table[:, 0] * x > 0) & (table[:, 1] * y > 0)]) for name, (x, y) in quarters.items()}
    top = table[(np.hypot(table[:, 0], table[:, 1]) < 1.5) & (table[:, 2] > 2.0)]
    sites["central groove"] = top[np.argmin(top[:, 2])]
    return sites


def _highest(points: FloatArray) -> FloatArray:
    return np.asarray(points[np.argmax(points[:, 2])])


if __name__ == "__main__":
    main()
