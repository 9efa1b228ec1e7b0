"""What is known in one frame said in another: an alignment's covariance, a reading's witness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kerfmark.geometry.frames import rigid_inverse, transform_directions, transform_points
from kerfmark.records import Alignment, FloatArray, SectionPlane, Witness

__all__ = ["carried_alignment", "carried_witness"]


def carried_alignment(alignment: Alignment, into: FloatArray) -> Alignment:
    """The alignment with its covariance about another frame's origin and axes; `into` (4, 4) carries points there."""
    turn, origin = into[:3, :3], rigid_inverse(into)[:3, 3]
    across = np.array([[0.0, origin[2], -origin[1]], [-origin[2], 0.0, origin[0]], [origin[1], -origin[0], 0.0]])
    change = np.block([[turn, np.zeros((3, 3))], [turn @ across, turn]])
    return replace(alignment, covariance=change @ alignment.covariance @ change.T)


def carried_witness(witness: Witness | None, into: FloatArray, *, plane_name: str | None = None) -> Witness | None:
    """A witness carried by a rigid 4 × 4 matrix, its plane renamed where a name is given."""
    if witness is None:
        return None
    plane = witness.plane
    if plane is not None:
        across, up = transform_directions(into, np.array([plane.across, plane.up]))
        plane = SectionPlane(plane_name or plane.name, transform_points(into, plane.origin_mm[None])[0], across, up)
    segments = np.asarray(witness.segments_mm, float)
    return Witness(
        witness.kind,
        transform_points(into, np.asarray(witness.points_mm, float).reshape(-1, 3)),
        transform_points(into, segments.reshape(-1, 3)).reshape(segments.shape),
        tuple(transform_points(into, curve) for curve in witness.curves_mm),
        plane,
    )
