"""Real layered teeth beside the project, turned into about their tooth frame: OpenMandible, A. M. Vukicevic et al. 2021, GPL-3.0.

They are never shipped; where they are missing, what needs them is left out.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

from kerfmark.records import Surface

REAL = Path(__file__).parents[2] / "shared/data/layered-jaw-gpl3"


def real_tooth(folder: str, stem: str) -> list[Surface]:
    """A real tooth's enamel, dentine, pulp turned so that +z is square to the plane of its cervical line."""
    read = [trimesh.load(REAL / folder / f"{stem}_{part}.stl") for part in ("enamel", "dentin", "pulp")]
    enamel, dentine = (np.asarray(mesh.vertices) for mesh in read[:2])
    up = enamel.mean(axis=0) - dentine.mean(axis=0)
    for _ in range(3):
        up = up / np.linalg.norm(up)
        across = np.cross(up, [1.0, 0.0, 0.0])
        across /= np.linalg.norm(across)
        away = enamel - enamel.mean(axis=0)
        sector = (np.degrees(np.arctan2(away @ across, away @ np.cross(up, across))) // 10).astype(int)
        rim = np.array([enamel[sector == s][np.argmin((away @ up)[sector == s])] for s in np.unique(sector)])
        normal = np.linalg.svd(rim - rim.mean(axis=0))[2][2]
        up = normal * np.sign(normal @ up)
    side = across - (across @ up) * up
    side /= np.linalg.norm(side)
    turn = np.stack([side, np.cross(up, side), up])
    return [
        Surface((np.asarray(k.vertices) - enamel.mean(axis=0)) @ turn.T, np.asarray(k.faces, np.int32)) for k in read
    ]
