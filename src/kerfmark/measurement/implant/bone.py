"""The bone a plan stands in: its mean grey in a sleeve round the implant."""

from __future__ import annotations

import numpy as np

from kerfmark.geometry.cylinders import Cylinder
from kerfmark.geometry.frames import perpendiculars
from kerfmark.geometry.volumes import sample_volume, voxel_mm
from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.implant.case import Case
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["CLASSES", "bone_class", "bone_density"]

SLEEVE_MM = 1.0
STEP_MM = 0.2
LEAST_INSIDE = 0.9
CORRELATED_VOXELS = 8.0
"""Voxels that share their noise, in a reconstruction [practice]."""
CLASSES = ((1250.0, "D1"), (850.0, "D2"), (350.0, "D3"), (150.0, "D4"))
"""Lower bounds in Hounsfield units; below the last D5. Source: Misch [seen]; D5 from memory."""
NOT_CALIBRATED = (
    "cone-beam greys are not Hounsfield units; the volume is not stated to be calibrated, so the bone is not classed"
)


def bone_density(case: Case) -> tuple[Reading, ...]:
    """`implant.bone_density`: mean grey in a sleeve 1 mm thick round the plan; classed where the volume is calibrated."""
    reading, volume = "implant.bone_density", case.prepared.volume
    subject = case.prepared.exercise.subject
    if volume is None or subject.labels:
        return (unmeasured(reading, "the exercise has no CT with greys", unit="1", status="not_applicable"),)
    if case.outside is not None:
        return (unmeasured(reading, case.outside, unit="1"),)
    points = _sleeve(case.judged)
    greys = sample_volume(volume, points)
    inside = np.isfinite(greys)
    if inside.mean() < LEAST_INSIDE:
        return (unmeasured(reading, f"the CT covers {inside.mean():.0%} of the sleeve round the plan", unit="1"),)
    mean = float(greys[inside].mean())
    cell = float(np.prod(voxel_mm(volume)))
    room = np.pi * ((case.judged.radius_mm + SLEEVE_MM) ** 2 - case.judged.radius_mm**2) * case.judged.length_mm
    count = max(1.0, room / cell / CORRELATED_VOXELS)
    budget = (Component("spread of the greys", float(greys[inside].std()) / np.sqrt(count)),)
    said = f"class {bone_class(mean)} (Misch)" if subject.hounsfield else NOT_CALIBRATED
    witness = Witness("region", points_mm=points[:: max(1, len(points) // 400)], plane=case.plane("BL"))
    return (measured(reading, mean, unit="1", budget=budget, witness=witness, reason=said),)


def bone_class(hounsfield: float) -> str:
    """The bone class of a mean density in Hounsfield units.

    Examples
    --------
    >>> [bone_class(h) for h in (1400.0, 900.0, 500.0, 200.0, 20.0)]
    ['D1', 'D2', 'D3', 'D4', 'D5']
    """
    return next((name for least, name in CLASSES if hounsfield >= least), "D5")


def _sleeve(rod: Cylinder) -> FloatArray:
    """Points (n, 3) that each stand for as much of the sleeve as the next."""
    first, second = perpendiculars(rod.way)
    depths = np.arange(0.5 * STEP_MM, rod.length_mm, STEP_MM)
    rings = []
    for radius in rod.radius_mm + np.arange(0.5 * STEP_MM, SLEEVE_MM, STEP_MM):
        turn = np.linspace(0.0, 2.0 * np.pi, max(8, int(2.0 * np.pi * radius / STEP_MM)), endpoint=False)
        out = radius * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second)
        rings.append((rod.at(depths)[:, None] + out).reshape(-1, 3))
    return np.vstack(rings)
