"""Volumes left and removed, with their budgets."""

from __future__ import annotations

import math

import numpy as np

from kerfmark.measurement.budget import effective_count, folded_u_mm, measured, shared_u_mm, unmeasured
from kerfmark.measurement.surface.bench import Bench
from kerfmark.records import Component, FloatArray, Reading, Witness

__all__ = ["MOST_UNSEEN", "all_gone", "expected_beyond", "places", "removed_mm3", "volume_budget", "volume_reading"]

LEFT, REMOVED, PLANNED_LEFT, PLANNED_REMOVED = range(4)
MOST_UNSEEN = 0.2
"""Where more than this part of the cut was not scanned, its volume is not measured."""
FOLDED_PART = 0.25
"""Of how far folded triangles draw a surface, what a volume shows: noise makes their area larger, and both sides fold."""
HALF_NORMAL = 0.4
"""Mean of the positive half of a standard normal variable, 1 / sqrt(2 π): what an error adds on the far side of an edge."""
COLUMN_NOISE = 0.7
"""Noise of a point inside a triangle over that of its corners: root of the mean of a² + b² + c² over a triangle, 1/√2."""
COLUMNS_ASTRAY = 3.0
REGION_POINTS, MOST_FACES = 300, 150


def removed_mm3(bench: Bench) -> tuple[Reading, ...]:
    """`surface.removed_mm3`: what is gone, in all, per layer and of what no layer claims."""
    return tuple(
        volume_reading(bench, "surface.removed_mm3", where, chosen, kinds=(REMOVED, PLANNED_REMOVED))
        for where, chosen in places(bench)
    )


def places(bench: Bench) -> list[tuple[str, list[int]]]:
    """Words for `where` with the layers each of them sums: `all`, every layer, `other`."""
    names = list(enumerate(bench.layer_names, start=1))
    return [("all", list(range(len(names) + 1))), *((name, [n]) for n, name in names), ("other", [0])]


def volume_reading(
    bench: Bench,
    reading: str,
    where: str,
    layers: list[int],
    *,
    kinds: tuple[int, ...],
    face_share: FloatArray | None = None,
    sure: FloatArray | None = None,
) -> Reading:
    """The volume of some layers, left or removed, inside or outside the plan.

    Parameters
    ----------
    bench : Bench
    reading, where : str
    layers : list of int
        Along the first axis of the columns' lengths.
    kinds : tuple of int
        Along their second axis.
    face_share : (faces,) float array, optional
        How far each cut face bounds such a volume, 0 to 1, beside lying in these layers.
    sure : (columns,) float array, optional
        The length in columns that the scan never met but that are known all the same; NaN in all others.
    """
    if bench.lattice is None:
        return measured(reading, 0.0, unit="mm3", where=where, budget=(), witness=Witness("region"))
    removal = bench.removal
    if removal.share > MOST_UNSEEN:
        reason = f"{removal.share:.0%} of the cut was not scanned"
        return unmeasured(reading, reason, unit="mm3", where=where)
    along = sum((removal.length_mm[n, k] for n in layers for k in kinds), np.zeros(bench.lattice.columns))
    guessed = removal.filled
    if sure is not None:
        along, guessed = np.where(np.isfinite(sure), sure, along), guessed & ~np.isfinite(sure)
    lost = float(along[guessed].sum()) * bench.lattice.cell_mm2
    share = np.minimum(bench.layer_shares[:, layers].sum(axis=1), 1.0 if face_share is None else face_share)
    beyond = face_share is not None
    added = expected_beyond(bench, share) if beyond else 0.0
    return measured(
        reading,
        max(float(along.sum()) * bench.lattice.cell_mm2 - added, 0.0),
        unit="mm3",
        where=where,
        budget=(
            *volume_budget(bench, share, beyond=beyond),
            Component("column spacing", _column_u(bench, along)),
            Component("holes of the scan", 0.3 * lost),
        ),
        witness=Witness("region", points_mm=_points(bench, along)),
        reason=f"{removal.share * guessed.sum() / max(removal.filled.sum(), 1):.1%} of the cut lies in holes of the scan, filled in from beside them"
        if lost
        else None,
    )


def volume_budget(bench: Bench, share: FloatArray, *, beyond: bool = False) -> tuple[Component, ...]:
    """How a volume bounded by cut faces, each by its `share`, answers to errors of the surface and of the alignment.

    Notes
    -----
    A surface that moves by δ along its normals changes the volume it bounds by ∫ δ dA. Where it lies on an edge of the
    volume only half of what it moves counts, the other half adding whichever way it moves: of a volume `beyond` an edge
    (left, or cut too much) the mean of that is taken off its value, and its scatter stays.
    """
    faces, piece = bench.cut, bench.piece
    weights = share * faces.areas
    area = float(weights.sum())
    if area == 0.0:
        return ()
    count = effective_count(edge_mm=bench.edge_mm, area_mm2=area)
    motion = faces.motion
    sensitivity = weights @ motion
    noise = 1e-3 * piece.noise_um
    edge_area, across, shake = across_edge(bench, share)
    scatter = 0.3 * shake / math.sqrt(2.0) if beyond else HALF_NORMAL * across
    return (
        Component("surface noise", noise * area / math.sqrt(count)),
        Component("trueness", _shared_mm3(bench, weights)),
        Component("alignment", math.sqrt(max(0.0, float(sensitivity @ piece.alignment.covariance @ sensitivity)))),
        Component("errors across an edge of the volume", math.hypot(scatter, 0.1 * across) * edge_area),
        Component("triangles folded by noise", FOLDED_PART * folded_u_mm(noise, edge_mm=bench.edge_mm) * area),
    )


def expected_beyond(bench: Bench, share: FloatArray) -> float:
    """What errors on average add (mm³) to a volume beyond an edge that cut faces lie on."""
    area, across, _ = across_edge(bench, share)
    return HALF_NORMAL * across * area


def across_edge(bench: Bench, share: FloatArray) -> tuple[float, float, float]:
    """Area (mm²) of the cut faces that lie on an edge of a volume, and how far (mm) errors and alignment take them across.

    On such a face the mean of what errors σ add on the far side is 0.4 σ; its half is what moves the volume either way.
    """
    faces, covariance = bench.cut, bench.piece.alignment.covariance
    on_edge = 4.0 * share * (1.0 - share) * faces.areas / bench.cut_larger
    area = float(on_edge.sum())
    if area == 0.0:
        return 0.0, 0.0, 0.0
    moments = (faces.motion * on_edge[:, None]).T @ faces.motion
    shake = math.sqrt(max(0.0, float((moments * covariance).sum()) / area))
    return area, math.hypot(COLUMN_NOISE * 1e-3 * bench.piece.noise_um, shake), shake


def _shared_mm3(bench: Bench, weights: FloatArray) -> float:
    """A source's smooth error over some of the cut faces, those that count."""
    if bench.piece.trueness_um == 0.0:
        return 0.0
    some = np.flatnonzero(weights)
    some = some[:: max(1, len(some) // MOST_FACES)]
    share = weights[some] * float(weights.sum()) / float(weights[some].sum())
    return shared_u_mm(1e-3 * bench.piece.trueness_um, bench.cut.middles[some], share)


def _column_u(bench: Bench, along: FloatArray) -> float:
    """Along its walls a volume has a few columns too many or too few; each holds the volume's usual height."""
    assert bench.lattice is not None
    some = along[along > bench.least_mm]
    return COLUMNS_ASTRAY * bench.lattice.cell_mm2 * float(some.mean()) if len(some) else 0.0


def all_gone(bench: Bench, layers: list[int]) -> tuple[float, float]:
    """Volumes (mm³) of some layers: what is removed, and what there was."""
    assert bench.lattice is not None
    lengths = bench.removal.length_mm[layers].sum(axis=(0, 2), dtype=float) * bench.lattice.cell_mm2
    return float(lengths[REMOVED] + lengths[PLANNED_REMOVED]), float(lengths.sum())


def _points(bench: Bench, along: FloatArray) -> FloatArray:
    """Points spread over the volume, each in the middle of its column's share."""
    assert bench.lattice is not None
    some = np.flatnonzero(along > bench.least_mm)
    some = some[:: max(1, len(some) // REGION_POINTS)]
    return np.column_stack([bench.lattice.feet[some], bench.subject_columns.top[some] - 0.5 * along[some]])
