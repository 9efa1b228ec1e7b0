"""A tooth written to a folder: its surfaces, its named parts in one file, its sites and lines, its volume."""

from __future__ import annotations

import json
from pathlib import Path

from kerfmark.anatomy.notation import tooth_name
from kerfmark.anatomy.notation import write_tooth as written
from kerfmark.anatomy.tooth import Tooth
from kerfmark.anatomy.voxels import LABELS, label_grid, layer_grids, write_nrrd
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.geometry.mesh_files import write_surface
from kerfmark.version import __version__

__all__ = ["tooth_description", "write_tooth"]


def write_tooth(folder: str | Path, made: Tooth, *, spacing_mm: float | None = None) -> tuple[Path, ...]:
    """Write a tooth with its layers and sites.

    Parameters
    ----------
    folder : path
        Made if it is not there.
    made : Tooth
    spacing_mm : float, mm, optional
        Also write the labels, and the signed distance of the outer surface, on a grid this fine.

    Returns
    -------
    files : tuple of Path
        `tooth.stl` and one `.stl` a layer, `tooth.3mf` (the layers as named parts), `tooth.glb` and `tooth.ply` (the outer
        surface), `tooth.json` (sites, lines, orifices, volumes); with a spacing `labels.nrrd` and `distance.nrrd`.
    """
    # Refuse before the first file is written.
    surfaces = {"tooth": made.outer, **made.layers}
    grids = None if spacing_mm is None else layer_grids(surfaces, spacing_mm=spacing_mm)
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    files = [place / f"{name}.stl" for name in surfaces]
    for file, surface in zip(files, surfaces.values(), strict=True):
        write_surface(file, surface)
    for name in ("tooth.ply", "tooth.glb"):
        write_surface(place / name, made.outer)
    write_surface(place / "tooth.3mf", made.outer, parts=dict(made.layers))
    text = json.dumps(tooth_description(made), indent=1, ensure_ascii=False)
    (place / "tooth.json").write_text(text + "\n", encoding="utf-8")
    files += [place / name for name in ("tooth.ply", "tooth.glb", "tooth.3mf", "tooth.json")]
    if grids is not None:
        whole = grids.pop("tooth")
        labels, frame = label_grid(grids)
        write_nrrd(place / "labels.nrrd", labels, origin_mm=frame.origin_mm, spacing_mm=frame.spacing_mm)
        write_nrrd(place / "distance.nrrd", whole.values, origin_mm=whole.origin_mm, spacing_mm=whole.spacing_mm)
        files += [place / "labels.nrrd", place / "distance.nrrd"]
    return tuple(files)


def tooth_description(made: Tooth) -> dict[str, object]:
    """What a tooth is and where its named places lie, ready for JSON: millimetres in its tooth frame."""
    return {
        "kerfmark": __version__,
        "tooth": {
            "fdi": made.fdi,
            "universal": written(made.fdi, notation="universal"),
            "bracket": written(made.fdi, notation="bracket"),
            "name": tooth_name(made.fdi),
            "seed": made.seed,
        },
        "frame": {"x": "mesial" if made.mesial_sign > 0 else "distal", "y": "facial", "z": "occlusal", "unit": "mm"},
        "volumes_mm3": {name: volume_mm3(s) for name, s in {"tooth": made.outer, **made.layers}.items()},
        "labels": {name: LABELS[name] for name in made.layers},
        "sites": {name: {"role": s.role, "point_mm": s.point_mm.tolist()} for name, s in made.sites.items()},
        "orifices": {name: at.tolist() for name, at in made.orifices.items()},
        "lines": {name: line.tolist() for name, line in made.lines.items()},
    }
