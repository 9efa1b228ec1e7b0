"""The opening in the tooth's surface, seen along the access axis: how it covers the plan, its area, how well it is centred."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from kerfmark.measurement.access.opened import NO_PULP, Along, Opened
from kerfmark.measurement.budget import alignment_u_mm, measured, unmeasured
from kerfmark.measurement.carried import carried_witness
from kerfmark.measurement.surface.margin import FIT_LENGTH_MM, Margin, corners_u_mm2
from kerfmark.measurement.surface.overlap import inside_outline, opened, overlap_reading, rim_of_margin
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["centring", "outline_area", "outline_overlap", "polygon_area_mm2", "polygon_middle"]

CHORD_MM = 0.1
"""Step of the margin: a closed curve of such chords lacks Σ s³ κ / 12 = s² 2π / 12 of the area inside it."""
NOTHING = "nothing is cut open near the planned outline"


def outline_overlap(case: Opened) -> tuple[Reading, ...]:
    """Dice of the opening and the planned outline."""
    name, along = "access.outline_overlap", case.along
    if along.opening is None:
        return (unmeasured(name, NOTHING, unit="1"),)
    inside = inside_outline(along.lattice, [along.opening])
    rim = rim_of_margin(along, case.margins[0], case.margins[0].length_mm)
    reading = overlap_reading(name, along, (opened(along.outline),), np.asarray(inside, bool), rim_mm=rim)
    curves = (case.outline, case.margins[0].points_mm)
    witness = carried_witness(reading.witness, case.back)
    assert witness is not None
    return (replace(reading, witness=Witness("curve", curves_mm=curves)),)


def outline_area(case: Opened) -> tuple[Reading, ...]:
    """Area inside the opening's margin."""
    name, along = "access.outline_area_mm2", case.along
    if along.opening is None:
        return (unmeasured(name, NOTHING, unit="mm2"),)
    area = abs(polygon_area_mm2(along.opening))
    witness = Witness("curve", curves_mm=(case.margins[0].points_mm,))
    return (measured(name, area, unit="mm2", budget=_edge_budget(along, case.margins[0]), witness=witness),)


def _edge_budget(along: Along, margin: Margin) -> tuple[Component, ...]:
    """What errors of the margin's place do to an area inside it: noise along it, and what grows or shrinks it as a whole."""
    length, noise = margin.length_mm, margin.noise_mm(1e-3 * along.piece.noise_um)
    shared = 1e-3 * along.piece.trueness_um
    return (
        Component("surface noise", noise * math.sqrt(length * FIT_LENGTH_MM)),
        Component("trueness", shared * length / math.sqrt(max(length / 4.0, 1.0))),
        Component("chords of the margin", CHORD_MM**2 / 12.0 * 2.0 * math.pi),
        Component("corners rounded by wide triangles", corners_u_mm2(along)),
    )


def centring(case: Opened) -> tuple[Reading, ...]:
    """From the chamber's middle to the opening's, at right angles to the access axis."""
    name, along = "access.centring_mm", case.along
    if case.pulp is None:
        return (unmeasured(name, NO_PULP, unit="mm"),)
    if along.opening is None:
        return (unmeasured(name, NOTHING, unit="mm"),)
    chamber = along.lattice.feet[along.chamber]
    if not len(chamber):
        return (unmeasured(name, "the pulp has no chamber above the orifices", unit="mm"),)
    ends = np.array([chamber.mean(axis=0), polygon_middle(along.opening)])
    off = float(np.linalg.norm(ends[1] - ends[0]))
    level = float(along.opening[:, 2].mean())
    points = np.column_stack([ends, [level, level]])
    alignment, ways = _sideways_u(along, ends, level)
    # Of a round margin a stretch s that lies n farther out moves the middle by n s cos / (π r): all of them by n √(2 s / length).
    stretch = math.sqrt(2.0 * FIT_LENGTH_MM / case.margins[0].length_mm)
    noise = case.margins[0].noise_mm(1e-3 * along.piece.noise_um) * stretch
    budget = (
        Component("surface noise", math.sqrt(ways) * noise),
        Component("trueness", math.sqrt(ways) * 0.5 * 1e-3 * along.piece.trueness_um),
        Component("alignment", alignment),
        Component("columns of the chamber", along.lattice.spacing_mm / math.sqrt(float(len(chamber)))),
    )
    segment = (np.asarray(points) - case.into[:3, 3]) @ case.into[:3, :3]
    witness = Witness("length", segments_mm=segment[None])
    return (measured(name, off, unit="mm", budget=budget, witness=witness),)


def _sideways_u(along: Along, ends: FloatArray, level_mm: float) -> tuple[float, int]:
    """What the alignment does to the opening's middle along the way from the chamber's, or any way where they are one; how many ways."""
    run = ends[1] - ends[0]
    away = float(np.linalg.norm(run))
    point = np.append(ends[1], level_mm)
    both = [alignment_u_mm(along.piece.alignment, point, way) for way in (np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))]
    if away < 3.0 * math.hypot(*both):  # no way of its own: an error across either axis makes the distance longer
        return math.hypot(*both), 2
    return alignment_u_mm(along.piece.alignment, point, np.append(run / away, 0.0)), 1


def polygon_area_mm2(loop: FloatArray) -> float:
    """Area inside a closed curve seen along z, + counter-clockwise (shoelace formula).

    Examples
    --------
    >>> polygon_area_mm2(np.array([[0.0, 0, 0], [2, 0, 5], [2, 1, 1], [0, 1, 2]]))
    2.0
    """
    (x, y), (u, v) = loop[:, :2].T, np.roll(loop, -1, axis=0)[:, :2].T
    return 0.5 * float((x * v - u * y).sum())


def polygon_middle(loop: FloatArray) -> FloatArray:
    """(2,) centroid of the area inside a closed curve seen along z."""
    (x, y), (u, v) = loop[:, :2].T, np.roll(loop, -1, axis=0)[:, :2].T
    turn = x * v - u * y
    return np.asarray(np.array([((x + u) * turn).sum(), ((y + v) * turn).sum()]) / (3.0 * turn.sum()))
