"""A neighbouring tooth nicked while the cut was made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kerfmark.geometry.frames import as_direction
from kerfmark.geometry.mesh import face_normals
from kerfmark.geometry.solids import Solid, difference, sphere
from kerfmark.records import FloatArray, Surface

__all__ = ["Nick", "nick"]


@dataclass(frozen=True, slots=True, eq=False)
class Nick:
    """The nicked neighbour, with the depth that was wanted and the volume the boolean took, mm and mm³."""

    surface: Surface
    depth_mm: float
    volume_mm3: float
    point_mm: FloatArray


def nick(neighbour: Surface, *, towards_mm: FloatArray, depth_mm: float, radius_mm: float = 0.8) -> Nick:
    """Take a shallow ball-shaped nick out of a neighbour, where it stands nearest to a point.

    Parameters
    ----------
    neighbour : Surface
        Closed.
    towards_mm : (3,) float array
        The nick is set at the vertex nearest to this point, along its face's normal.
    depth_mm : float
        How deep the ball goes below the surface there.
    radius_mm : float
        Of the ball.

    Returns
    -------
    nicked : Nick
    """
    centres = neighbour.vertices_mm[neighbour.faces].mean(axis=1)
    face = int(np.argmin(np.linalg.norm(centres - np.asarray(towards_mm), axis=1)))
    outward = as_direction(face_normals(neighbour)[face], name="face normal")
    ball = sphere(radius_mm, segments=96).moved(centres[face] + (radius_mm - depth_mm) * outward)
    whole = Solid.from_surface(neighbour)
    cut = difference(whole, ball)
    return Nick(cut.surface(), depth_mm, whole.volume_mm3 - cut.volume_mm3, centres[face])
