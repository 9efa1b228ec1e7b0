"""An implant planned in a real CT: the upper jaw of open data, in the gap before a molar, under the maxillary sinus.

Nobody here made this CT; it is a medical one and coarse (0.96 × 0.96 × 1.5 mm), so this shows reading, resampling, sinus distance and density, not accuracy. The
script crops it about the gap, takes the sinus to be the air above it, writes an exercise with the CT and a learner's plan, and assesses the plan through the public
interface. Which side is left is not sure in these data; the numbering (25) supposes that it is. Training only, not for treatment.

    python examples/real_ct_plan.py [--data FOLDER] [--out FOLDER]

Data: head CT example of InVesalius, © 2008-2021 Centro de Tecnologia da Informação Renato Archer, GPL-2; read from ../shared/data beside
the checkout, never copied into the project. What this script writes is derived from it and stands under the same licence.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from math import inf
from pathlib import Path

import numpy as np
from scipy import ndimage

import kerfmark
from kerfmark.anatomy.voxels import write_nrrd
from kerfmark.exercise.definition import Exercise
from kerfmark.exercise.folder import save_exercise
from kerfmark.geometry.edges import components
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.geometry.mesh_files.ply import ply_bytes
from kerfmark.geometry.volume_files import read_volume_file
from kerfmark.geometry.volumes import level_surface, sample_volume
from kerfmark.records import Assessment, FloatArray, Surface, Volume
from kerfmark.settings import Limits

HERE = Path(__file__).resolve().parent
INSIDE, NAME = "ct-maxilla-gpl2", "maxilla_crop.nii.gz"
ENTRY_MM = np.array([87.1, -87.1, 7.2])
"""On the ridge in the gap, LPS; the crown will stand below it, the sinus lies above."""
LENGTH_MM, DIAMETER_MM = 10.0, 4.1
AROUND_MM = np.array([[-13.0, -13.0, -7.0], [13.0, 13.0, 29.0]])
GRID_MM = 0.5
BONE, AIR, CLOSED_MM = 150.0, -500.0, 2.0
LEARNER = {"entry": [87.6, -86.6, 7.2], "apex": [86.4, -87.4, 18.4]}


def main() -> None:
    """Read, crop, write, assess, print."""
    options = _options()
    file = next((f for f in (options.data / NAME, options.data / INSIDE / NAME) if f.is_file()), None)
    if file is None:
        sys.exit(
            f"{options.data} does not hold the CT, expected {NAME} in it or in its folder {INSIDE}. Give one of the two with --data."
        )
    ct = read_volume_file(file, name=file.name, limits=Limits()).volume
    crop = cropped(ct)
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.out or Path(temporary)
        write_exercise(folder / "exercise", crop)
        plan = folder / "plan.toml"
        lines = ["format = 1", 'kind = "implant plan"', 'exercise = "real-ct-25"', "[implant]"]
        lines += [f"{key} = {value}" for key, value in LEARNER.items()]
        plan.write_text("\n".join([*lines, f"diameter_mm = {DIAMETER_MM}"]) + "\n", encoding="utf-8")
        assessment = kerfmark.assess(folder / "exercise", plan)
    print_readings(assessment)


def cropped(ct: Volume) -> Volume:
    """The CT about the gap, read between its voxels on even ones of 0.5 mm."""
    low, high = ENTRY_MM + AROUND_MM
    shape = tuple(int(n) for n in np.floor((high - low) / GRID_MM) + 1)
    points = low + GRID_MM * np.indices(shape).reshape(3, -1).T
    greys = sample_volume(ct, points, outside=-1000.0).reshape(shape)
    matrix = np.diag([GRID_MM, GRID_MM, GRID_MM, 1.0])
    matrix[:3, 3] = low
    return Volume(np.rint(greys).astype(np.int16), matrix)


def sinus_of(crop: Volume) -> Surface:
    """The largest body of air that lies over the plan's apex."""
    air = level_surface(Volume(-crop.values, crop.matrix), -AIR, closed=True)
    above = [part for part in components(air) if part.vertices_mm[:, 2].mean() > ENTRY_MM[2] + LENGTH_MM]
    return max(above, key=volume_mm3)


def bone_of(crop: Volume) -> Surface:
    """The bone above 150 grey values, its gaps under 2 mm closed and its marrow filled slice by slice."""
    reach = round(CLOSED_MM / GRID_MM)
    mask = ndimage.binary_closing(np.pad(crop.values > BONE, reach), iterations=reach)[(slice(reach, -reach),) * 3]
    for k in range(mask.shape[2]):
        mask[:, :, k] = ndimage.binary_fill_holes(mask[:, :, k])
    label, _count = ndimage.label(mask)
    largest = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    even = ndimage.gaussian_filter(largest.astype(np.float32), 1.0)
    whole = level_surface(Volume(even, crop.matrix), 0.5, closed=True)
    return components(whole)[0]


def write_exercise(folder: Path, crop: Volume) -> None:
    """The exercise: the bone of the CT is the subject, the CT gives the greys."""
    folder.mkdir(parents=True, exist_ok=True)
    write_nrrd(folder / "ct.nrrd", crop.values, origin_mm=crop.matrix[:3, 3], spacing_mm=GRID_MM)
    limits: dict[tuple[str, str | None], list[float]] = {
        ("implant.sinus_clearance_mm", None): [1.0, inf],
        ("implant.plate_thickness_mm", "buccal"): [1.0, inf],
        ("implant.plate_thickness_mm", "lingual"): [1.0, inf],
        ("implant.entry_deviation_mm", None): [0.0, 1.5],
        ("implant.angle_deg", None): [0.0, 8.0],
    }
    keys = {
        "format": 1, "id": "real-ct-25", "title": "Implant plan in a real CT, upper left second premolar", "family": "implant", "tooth": 25,
        "instruction": "Plan the implant in the gap, clear of the sinus. Training only, not for treatment.",
        "subject": {"surface": "bone.ply", "volume": "ct.nrrd", "hounsfield": True, "arch": arch_points()},
        "frame": {"origin": ENTRY_MM.tolist(), "occlusal": [0.0, 0.0, -1.0], "facial": [0.95, -0.3, 0.0], "mesial": "-x"},
        "target": {"implant": {"entry": ENTRY_MM.tolist(), "apex": (ENTRY_MM + np.array([0.0, 0.0, LENGTH_MM])).tolist(), "diameter_mm": DIAMETER_MM}},
        "structures": {"sinus": "sinus.ply"},
        "source": {"kind": "volume", "threshold": BONE, "noise_um": 100.0, "trueness_um": 300.0},
        "criteria": [{"reading": name, "limits": span} | ({} if where is None else {"where": where}) for (name, where), span in limits.items()],
    }  # fmt: skip
    assets = {
        "ct.nrrd": (folder / "ct.nrrd").read_bytes(),
        "sinus.ply": ply_bytes(sinus_of(crop)),
        "bone.ply": ply_bytes(bone_of(crop)),
    }
    save_exercise(folder, Exercise.model_validate(keys), assets)


def arch_points() -> list[list[float]]:
    """Drawn on the CT from the molar forwards, through the gap."""
    offsets: FloatArray = np.array(
        [[3.0, 10.0, 5.0], [1.5, 5.0, 5.0], [0.0, 0.0, 5.0], [-2.0, -6.0, 5.0], [-4.5, -11.0, 5.0]]
    )
    return (ENTRY_MM + offsets).tolist()


def print_readings(assessment: Assessment) -> None:
    """What was read of the learner's plan."""
    print(f"{assessment.exercise_id}: {assessment.mark.outcome}, {assessment.mark.percent:.0f} %")
    for r in assessment.readings:
        if r.id.startswith("implant.") and r.value is not None:
            print(f"{r.id:<32} {r.where or '':<10} {r.value:8.2f} ± {2 * (r.u or 0.0):.2f}  {r.reason or ''}")


def _options() -> argparse.Namespace:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument(
        "--data",
        type=Path,
        default=HERE.parent.parent / "shared" / "data",
        help="where the open data lie, or the CT's own folder",
    )
    ask.add_argument("--out", type=Path, help="keep exercise and plan here")
    return ask.parse_args()


if __name__ == "__main__":
    main()
