"""An implant bed planned and drilled in a real mandible: the surface of open data, with the first molar (36) taken out and its socket healed.

Nobody here made this bone. The script fills its marrow and the socket on a grid, sets the real second premolar beside the site, **places a nerve canal by hand,
since the data hold none**, makes an exercise of it, drills a bed that is 0.8 mm aside and tilted by 4° as a boolean of solids, scans that with noise in a random
pose (simulated), and assesses it through the public interface. Training only, not for treatment.

    python examples/real_mandible_implant.py [--data FOLDER] [--out FOLDER]

Data: mandible and tooth geometry from OpenMandible (A. M. Vukicevic et al., 2021), GPL-3.0; read from ../shared/data beside the
checkout, never copied into the project. What this script writes is derived from it and stands under the same licence.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy import ndimage

import kerfmark
from kerfmark.exercise.builtin.implants import DRILLS, bed_rules, bed_solid
from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.folder import save_exercise
from kerfmark.geometry.frames import rigid_inverse, transform_points
from kerfmark.geometry.grids import distance_grid, surface_of
from kerfmark.geometry.mesh import transformed
from kerfmark.geometry.mesh_files import read_mesh_file, write_surface
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.phantoms import random_pose, scanned
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, difference, intersection, union
from kerfmark.records import Assessment, FloatArray, Grid, Surface
from kerfmark.settings import Limits

HERE = Path(__file__).resolve().parent
LOW_MM, HIGH_MM = np.array([-9.0, -12.0, -22.0]), np.array([16.0, 10.0, 9.0])
GRID_MM, CREST_MM, CLOSED_MM = 0.3, -2.5, 1.5
LENGTH_MM, DIAMETER_MM = 10.0, 4.1
CANAL_MM, CANAL_WIDE_MM = [[-12.0, -1.0, -18.5], [0.0, -0.5, -18.0], [8.0, 0.5, -17.5], [14.0, 2.5, -16.0]], 2.6
ASIDE_MM, TILT_DEG = 0.8, 4.0


def main() -> None:
    """Read, heal, plan, drill, scan, assess, print."""
    options = _options()
    if not (options.data / "mandible_cortical_surface.stl").is_file():
        sys.exit(
            f"{options.data} does not hold the layered jaw, expected mandible_cortical_surface.stl in it. Give its folder with --data."
        )
    frame = tooth_frame_of(options.data)
    premolar, bone = real_bone(options.data, frame)
    entry = on_ridge(bone)
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.out or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        write_exercise(folder / "exercise", bone, premolar, entry, frame)
        drilled = write_scan(folder / "piece.ply", bone, entry)
        assessment = kerfmark.assess(folder / "exercise", folder / "piece.ply")
    print_comparison(assessment, drilled, entry)


def tooth_frame_of(data: Path) -> FloatArray:
    """Files' coordinates → frame of the first molar, as the example of the real molar finds it."""
    sys.path.insert(0, str(HERE))
    from real_molar import read_real_tooth

    return read_real_tooth(data).frame


def real_bone(data: Path, frame: FloatArray) -> tuple[Surface, Surface]:
    """The second premolar, and the bone about the site with marrow and socket filled and the premolar in it; frame of the molar."""
    shape = np.ceil((HIGH_MM - LOW_MM + 2.0) / GRID_MM).astype(int) + 1
    box = np.array([LOW_MM - 1.0, LOW_MM - 1.0 + GRID_MM * (shape - 1)])

    def inside(file: str) -> np.ndarray:
        surface = transformed(_read(data / file), frame)
        return distance_grid(surface, spacing_mm=GRID_MM, band_mm=0.9, bounds_mm=box).values < 0.0

    bone = inside("mandible_cortical_surface.stl") | inside("jaw_segment/CancellousBone.stl")
    heights = box[0, 2] + GRID_MM * np.arange(bone.shape[2])
    socket = inside("tooth_L6/L6_dentin.stl") | inside("tooth_L6/L6_pdl.stl")
    bone |= socket & (heights < CREST_MM)
    bone = ndimage.binary_closing(np.pad(bone, 8), iterations=round(CLOSED_MM / GRID_MM))[8:-8, 8:-8, 8:-8] & (
        heights < CREST_MM
    )
    for k in range(bone.shape[0]):
        bone[k] = ndimage.binary_fill_holes(bone[k])
    even = ndimage.gaussian_filter(np.pad(bone, 3).astype(np.float32), 1.5)
    field = Grid(box[0] - 3 * GRID_MM, GRID_MM, (0.5 - even).astype(np.float32))
    solid = Solid.from_surface(surface_of(field)).parts()[0]
    tooth = union(
        *(
            Solid.from_surface(transformed(_read(data / f"tooth_L5_ascii/Tooth_L5_{part}.stl"), frame))
            for part in ("Dentin", "Enamel", "Pulp")
        )
    )
    premolar = tooth.parts()[0]
    whole = intersection(union(solid, premolar), Solid.box(LOW_MM, HIGH_MM)).parts()[0]
    return premolar.surface(), whole.surface()


def on_ridge(bone: Surface) -> FloatArray:
    """Where the molar's axis meets the healed ridge."""
    distance, face = RayCaster(bone).first_hit([[0.0, 0.0, 30.0]], [0.0, 0.0, -1.0])
    assert face[0] >= 0
    return np.array([0.0, 0.0, 30.0 - float(distance[0])])


def write_exercise(folder: Path, bone: Surface, premolar: Surface, entry: FloatArray, frame: FloatArray) -> None:
    """The exercise in the files' own coordinates; criteria are the built-in ones without those for a distal root."""
    back = rigid_inverse(frame)
    plan = transform_points(back, np.array([entry, entry - [0.0, 0.0, LENGTH_MM]]))
    room = Solid.cylinder(3.4, LENGTH_MM + 14.0).moved(entry - [0.0, 0.0, LENGTH_MM + 2.6]).surface()
    rules = [rule for rule in bed_rules() if rule.where != "bed/distal"]
    keys = {
        "format": 1, "id": "real-mandible-36", "title": "Implant bed in a real mandible, lower left first molar", "family": "implant",
        "tooth": 36, "instruction": "Drill the planned bed. The nerve canal was placed by hand. Training only, not for treatment.",
        "subject": {"surface": "bone.ply"},
        "frame": {"origin": back[:3, 3].tolist(), "occlusal": back[:3, 2].tolist(), "facial": back[:3, 1].tolist(), "mesial": "+x"},
        "target": {"implant": {"entry": plan[0].tolist(), "apex": plan[1].tolist(), "diameter_mm": DIAMETER_MM}},
        "structures": {
            "canal": {"points": transform_points(back, np.array(CANAL_MM)).tolist(), "diameter_mm": CANAL_WIDE_MM},
            "roots": ["premolar.ply"],
        },
        "permitted": {"instruments": list(DRILLS), "envelope": "room.ply"},
        "criteria": [rule.as_toml() for rule in rules],
    }  # fmt: skip
    assets = {
        name: ply_bytes(transformed(s, back))
        for name, s in (("bone.ply", bone), ("premolar.ply", premolar), ("room.ply", room))
    }
    save_exercise(folder, Exercise.model_validate(keys), assets)


def write_scan(path: Path, bone: Surface, entry: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Drill aside and tilted, scan with 10 µm noise in a random pose; gives back the true entry and apex."""
    rng = np.random.default_rng(36)
    above = entry + np.array([ASIDE_MM, 0.0, 20.0])
    distance, _face = RayCaster(bone).first_hit(above[None], [0.0, 0.0, -1.0])
    start = above - [0.0, 0.0, float(distance[0])]
    lean = np.radians(TILT_DEG)
    apex = start + LENGTH_MM * np.array([0.0, np.sin(lean), -np.cos(lean)])
    cut = difference(Solid.from_surface(bone), bed_solid(start, apex)).surface()
    write_surface(path, scanned(cut, noise_um=10.0, edge_mm=0.15, rng=rng, pose=random_pose(rng)))
    return start, apex


def print_comparison(assessment: Assessment, drilled: tuple[FloatArray, FloatArray], entry: FloatArray) -> None:
    """What was drilled beside what was read."""
    start, apex = drilled
    true = {
        "implant.entry_deviation_mm": float(np.linalg.norm(start - entry)),
        "implant.apex_deviation_mm": float(np.linalg.norm(apex - entry + [0.0, 0.0, LENGTH_MM])),
        "implant.angle_deg": TILT_DEG,
    }
    print(
        f"{assessment.exercise_id}: {assessment.mark.outcome}, {assessment.mark.percent:.0f} %; the canal was placed by hand"
    )
    for r in assessment.readings:
        if r.id.startswith("implant.") and r.value is not None:
            known = f"  true {true[r.id]:.3f}" if r.id in true and r.where is None else ""
            print(f"{r.id:<32} {r.where or '':<13} {r.value:8.3f} ± {2 * (r.u or 0.0):.3f}{known}")


def _read(path: Path) -> Surface:
    return read_mesh_file(path, name=path.name, limits=Limits()).surface


def _options() -> argparse.Namespace:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--data", type=Path, default=HERE.parent.parent / "shared" / "data" / "layered-jaw-gpl3")
    ask.add_argument("--out", type=Path, help="keep exercise and piece here")
    return ask.parse_args()


if __name__ == "__main__":
    main()
