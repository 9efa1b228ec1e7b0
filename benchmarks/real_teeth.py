"""Real layered teeth beside the project, turned into about their tooth frame: OpenMandible, A. M. Vukicevic et al. 2021, GPL-3.0.

They are never shipped; where they are missing, what needs them is left out.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

from kerfmark.anatomy.layered import LayeredTooth, cervical_line_of, layered_tooth
from kerfmark.anatomy.notation import mesial_sign
from kerfmark.records import FloatArray, Surface

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


WHOLE = {
    34: ("tooth_L4/L4_{}.stl", "L3", "L5"),
    35: ("tooth_L5_ascii/Tooth_L5_{}.stl", "L4", "L6"),
    36: ("tooth_L6/L6_{}.stl", "L5", "L7"),
}
"""The real teeth that have all layers, and the neighbours of which there is the enamel."""


def real_layered(fdi: int) -> LayeredTooth:
    """A real lower left tooth in its tooth frame: cervical line level, mesial towards its neighbour, contacts, fossae, orifices found."""
    pattern, mesial, distal = WHOLE[fdi]
    enamel, dentine, pulp = (_read(_named(pattern, part)) for part in ("enamel", "dentin", "pulp"))
    before, behind = (_read(f"lower_arch_enamel/{name}_enamel.stl") for name in (mesial, distal))
    ahead = before.vertices_mm.mean(axis=0) - behind.vertices_mm.mean(axis=0)
    origin, up = enamel.vertices_mm.mean(axis=0), enamel.vertices_mm.mean(axis=0) - dentine.vertices_mm.mean(axis=0)
    for _ in range(4):
        turn = _axes(up, mesial_sign(fdi) * ahead)
        rim = cervical_line_of(_turned(enamel, turn, origin))
        normal = np.linalg.svd(rim - rim.mean(axis=0))[2][2]
        origin, up = origin + turn.T @ rim.mean(axis=0), turn.T @ (normal * np.sign(normal[2]))
    turn = _axes(up, mesial_sign(fdi) * ahead)
    layers = (_turned(s, turn, origin) for s in (enamel, dentine, pulp))
    beside = {side: _turned(s, turn, origin) for side, s in (("mesial", before), ("distal", behind))}
    return layered_tooth(fdi, *layers, beside=beside)


def _named(pattern: str, part: str) -> str:
    return pattern.format(part.capitalize() if "Tooth_" in pattern else part)


def _read(name: str) -> Surface:
    mesh = trimesh.load(REAL / name)
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))


def _axes(up: FloatArray, along: FloatArray) -> FloatArray:
    """Rows x, y, z: z up, x as nearly along as can be."""
    z = up / np.linalg.norm(up)
    x = along - (along @ z) * z
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def _turned(surface: Surface, turn: FloatArray, origin: FloatArray) -> Surface:
    return Surface((surface.vertices_mm - origin) @ turn.T, surface.faces)
