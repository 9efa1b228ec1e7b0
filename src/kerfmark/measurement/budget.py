"""How sure a reading is: uncertainty budgets (JCGM 100) from what is known of the source and of the alignment."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.records import Alignment, Component, FloatArray, Piece, Reading, Status, Witness

__all__ = [
    "alignment_u_deg",
    "alignment_u_mm",
    "alike_means",
    "alike_share",
    "combined",
    "effective_count",
    "extreme_of",
    "folded_u_mm",
    "line_angle_u_deg",
    "measured",
    "rooted",
    "shared_u_mm",
    "shared_unevenness_mm",
    "surface_u_mm",
    "unmeasured",
]

# Noise of its own at every vertex and linear over each triangle: on even triangles of side a its covariance at a
# distance s is near enough 0.5 exp(−s² / 2 (0.525 a)²), of integral 0.66 a along a line and 0.866 a² over a plane. The
# derivation is in docs/measures/index.md.
COUNT_PER_EDGE_LENGTH = 1.52
COUNT_PER_SQUARE_EDGE = 1.155
ALIKE_WITHIN = 0.525
CROSSINGS_PER_EDGE_LENGTH = 2.205
"""How many edges of even triangles a straight line crosses for each length of a side: 2 / π · 6 / √3."""
COVERAGE_FACTOR = NormalDist().inv_cdf(0.975)
"""Of a 95 % interval of a normal quantity."""
LEVEL_PART = 0.25
"""How unsure a correction for the least of many is: where all stand for the same it is right, elsewhere too large."""
MOST_PLACES, LEAST_CUBE_MM = 200, 0.2
FARTHEST_APART_MM = 120.0
"""As far as points of a jaw lie apart; errors any farther are not alike."""
WAVELENGTHS_MM = (4.5, 5.5, 6.5, 7.5, 8.5, 9.5, 10.5, 11.5)


def combined(components: Iterable[Component]) -> float:
    """The combined standard uncertainty: root of the sum of squares.

    Notes
    -----
    Source: JCGM 100:2008, 5.1.2, uncorrelated inputs whose sensitivities are already in the components.

    Examples
    --------
    >>> combined([Component("surface noise", 0.03), Component("alignment", 0.04)])
    0.05
    """
    return math.sqrt(math.fsum(c.u * c.u for c in components))


def measured(
    reading: str,
    value: float,
    *,
    unit: str,
    budget: Iterable[Component],
    witness: Witness,
    where: str | None = None,
    stat: str | None = None,
    reason: str | None = None,
) -> Reading:
    """A measured reading with its budget; a `reason` here says what was left out. Lines of no size are dropped.

    Falls back to `not_measurable` where the value or its uncertainty is not finite, so that no NaN leaves the family.
    """
    lines = tuple(c for c in budget if c.u > 0.0 or math.isnan(c.u))
    u = combined(lines)
    if not (math.isfinite(value) and math.isfinite(u)):
        return unmeasured(reading, "the fit gave no finite value", unit=unit, where=where, stat=stat)
    return Reading(reading, where, stat, float(value), unit, u, "measured", reason, lines, witness)


def unmeasured(
    reading: str,
    reason: str,
    *,
    unit: str,
    where: str | None = None,
    stat: str | None = None,
    status: Status = "not_measurable",
) -> Reading:
    """A reading that has no number, and why."""
    return Reading(reading, where, stat, None, unit, None, status, reason)


def surface_u_mm(piece: Piece, *, floor_mm: float = 0.01) -> float:
    """Standard uncertainty of one surface point, mm: noise, trueness and alignment residual, at least `floor_mm`."""
    shared_um = math.hypot(piece.noise_um, piece.trueness_um)
    return max(shared_um / 1000.0, floor_mm)


def alignment_u_mm(alignment: Alignment, points_mm: ArrayLike, directions: ArrayLike) -> float:
    """Standard uncertainty that the alignment gives to the mean height of some points along their directions.

    Parameters
    ----------
    alignment : Alignment
        Its covariance is of small rotations (rad) about the tooth frame's axes, then translations (mm).
    points_mm : (n, 3) or (3,) float array, mm, tooth frame
    directions : (n, 3) or (3,) float array
        Unit directions along which each point's motion counts.

    Returns
    -------
    u_mm : float

    Notes
    -----
    A small motion moves p by ω × p + t, and so by ω · (p × n) + t · n along n: the sensitivities are (p × n, n).

    Examples
    --------
    >>> still = Alignment(np.eye(4), 0.0, 1.0, np.diag([0.0, 0, 0, 0, 0, 0.0004]), 9)
    >>> alignment_u_mm(still, [[1.0, 2.0, 3.0]], [[0.0, 0.0, 1.0]])
    0.02
    """
    points, normals = np.atleast_2d(np.asarray(points_mm, float)), np.atleast_2d(np.asarray(directions, float))
    sensitivity = np.concatenate([np.cross(points, normals), np.broadcast_to(normals, points.shape)], axis=1).mean(
        axis=0
    )
    return _root(sensitivity @ alignment.covariance @ sensitivity)


def alignment_u_deg(alignment: Alignment, axis: ArrayLike) -> float:
    """Standard uncertainty of the alignment's rotation about a unit axis of the tooth frame, degrees."""
    axis = np.asarray(axis, float)
    return math.degrees(_root(axis @ alignment.covariance[:3, :3] @ axis))


def effective_count(*, edge_mm: float, length_mm: float | None = None, area_mm2: float | None = None) -> float:
    """How many vertices with noise of their own a section of some length, or a patch of some area, averages over.

    At least 1. A section of a mesh meets fewer points of its own than it has corners: neighbouring corners share
    vertices, so that the noise along it is correlated over about an edge.
    """
    if length_mm is not None:
        return max(1.0, COUNT_PER_EDGE_LENGTH * length_mm / edge_mm)
    return max(1.0, COUNT_PER_SQUARE_EDGE * (area_mm2 or 0.0) / edge_mm**2)


def alike_share(places_mm: ArrayLike, *, edge_mm: float) -> float:
    """Noise variance of the mean of parallel sections at some places across a mesh, over that of one section.

    1 for one section or for sections much closer than an edge, and 1 / n for n sections several edges apart.

    Examples
    --------
    >>> round(alike_share([0.0, 1.0], edge_mm=0.1), 6)
    0.5
    """
    places = np.asarray(places_mm, float).ravel()
    apart = (places[:, None] - places[None]) / (ALIKE_WITHIN * edge_mm)
    return float(np.exp(-0.5 * apart**2).mean())


def shared_u_mm(shared_mm: float, points_mm: ArrayLike, weights: ArrayLike) -> float:
    """Standard uncertainty that a source's smooth error gives to a weighted sum of surface heights.

    Parameters
    ----------
    shared_mm : float
        Standard uncertainty of the smooth part at any one point (trueness).
    points_mm : (n, 3) float array, mm
        Where the surface enters the reading.
    weights : (n,) float array
        How much the reading moves for each millimetre the surface moves outwards there.

    Returns
    -------
    u_mm : float

    Notes
    -----
    Nobody states how far a scanner's error stays the same. Assumed: waves of 4 to 12 mm in every direction, all lengths
    alike, so that errors d apart correlate as the mean of sin(k d) / (k d) over k = 2π/12 to 2π/4. Points close
    together therefore share their error and a difference between them loses it. Of more than 200 points those in one
    cube of 0.2 mm, or larger until there are no more than 200, are taken together: nothing of the weights' sum is lost.
    """
    points, weights = np.asarray(points_mm, float).reshape(-1, 3), np.asarray(weights, float).ravel()
    if shared_mm == 0.0 or not weights.any():
        return 0.0
    points, weights = _gathered(points[weights != 0.0], weights[weights != 0.0])
    return shared_mm * _root(weights @ _alike(points) @ weights)


def shared_unevenness_mm(shared_mm: float, points_mm: ArrayLike) -> float:
    """Root mean square by which a source's smooth error makes a level floor (n, 3), looked at along z, depart from its best plane."""
    points = np.asarray(points_mm, float).reshape(-1, 3)
    points = points[:: max(1, len(points) // MOST_PLACES)]
    if shared_mm == 0.0 or len(points) < 4:
        return 0.0
    plane = np.column_stack([np.ones(len(points)), points[:, :2] - points[:, :2].mean(axis=0)])
    off = np.eye(len(points)) - plane @ np.linalg.pinv(plane)
    return shared_mm * _root(float(np.trace(off @ _alike(points))) / len(points))


def _alike(points: FloatArray) -> FloatArray:
    """(n, n) how a source's smooth error at some points correlates."""
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    return np.asarray(np.interp(apart, *_alike_by_distance()))


def _gathered(points: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (k, 3) and weights (k,) that stand for those of many points: sums over cubes, in the middle of what counts there."""
    cube = LEAST_CUBE_MM
    while len(points) > MOST_PLACES:
        place = np.floor(points / cube).astype(np.int64)
        place -= place.min(axis=0)
        size = place.max(axis=0) + 1
        number = np.unique((place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2], return_inverse=True)[1]
        counts = np.abs(weights)
        total = np.bincount(number, counts)
        points = np.column_stack([np.bincount(number, counts * along) for along in points.T]) / total[:, None]
        weights, cube = np.bincount(number, weights).astype(float), 2.0 * cube
        points, weights = points[weights != 0.0], weights[weights != 0.0]
    return points, weights


@cache
def _alike_by_distance() -> tuple[FloatArray, FloatArray]:
    """How errors correlate by how far apart they are; between two rows 4 µm apart a straight line errs by less than 2e-6."""
    apart = np.arange(0.0, FARTHEST_APART_MM, 0.004)
    return apart, np.mean([np.sinc(2.0 * apart / wavelength) for wavelength in WAVELENGTHS_MM], axis=0)


def folded_u_mm(noise_mm: float, *, edge_mm: float) -> float:
    """How far noise draws a surface to one side once it folds triangles over: its third power over their side's square.

    Nothing at 10 µm in triangles of 0.1 mm (0.1 µm), 3 µm at 30 µm and 13 µm at 50 µm; found by sweeping noise over
    phantoms (`docs/accuracy.md`).

    Examples
    --------
    >>> round(folded_u_mm(0.03, edge_mm=0.1), 4)
    0.0027
    """
    return noise_mm**3 / edge_mm**2


def alike_means(each: float) -> float:
    """How many overlapping means of so many values each share one error, as far as the least of them goes.

    Notes
    -----
    Means over circles about every point of a jittered hexagonal grid were simulated: the least of those over 1 to 16 mm² is as
    that of 1 in 1.3 to 1.5 of them by itself where each is over 7 values, and of 1 in 1.8 to 2.6 where it is over 34. Not 1 in
    7 or 34: a circle moved by one point is already another mean.

    Examples
    --------
    >>> round(alike_means(7.0), 1), round(alike_means(34.0), 1)
    (1.5, 2.0)
    """
    return float(max(each, 1.0) ** 0.2)


def extreme_of(values: ArrayLike, u: float, *, alike: float) -> tuple[float, Component]:
    """How far the least of some values lies below what it stands for, because they scatter, and what that leaves unsure.

    For the greatest of some values pass them with the other sign.

    Parameters
    ----------
    values : (n,) float array
    u : float
        Standard uncertainty of each by itself.
    alike : float
        How many of them, neighbours, share their errors.

    Returns
    -------
    beyond : float
        To be added to the least value (taken off the greatest). Not below 0.
    component : Component
        `least of many`: the scatter of the least takes the place of one value's own, `u`, and is no larger.

    Notes
    -----
    Only values within 3 u of the least are surely of those that can have been it: of n that can, apart by noise alone, the least
    lies on average m = u Φ⁻¹((n − 0.375) / (n + 0.25)) below their mean, and a part Φ(3 − m / u) of them within 3 u of it.
    Source: Blom 1958, *Statistical Estimates and Transformed Beta-Variables*, from memory. Its standard deviation is near u / √(1 + 0.9 ln n): 0.83, 0.67, 0.59, 0.43 u of 2, 5, 10, 100.
    What is added holds where all stand for the same; where they fall away from the least one less would do, nobody knows
    how much: a quarter of it is unsure.

    Examples
    --------
    >>> beyond, _ = extreme_of([1.0, 1.001, 1.002, 1.5], 0.01, alike=1.0)
    >>> round(beyond, 4)
    0.0088
    """
    found = np.asarray(values, float).ravel()
    found = found[np.isfinite(found)]
    if u <= 0.0 or not len(found):
        return 0.0, Component("least of many", 0.0)
    count = max(1.0, float((found < found.min() + 3.0 * u).sum()) / max(alike, 1.0))
    within, beyond = count, 0.0
    for _ in range(4 if within > 1.0 else 0):
        beyond = u * NormalDist().inv_cdf((count - 0.375) / (count + 0.25))
        count = max(1.0, within / NormalDist().cdf(3.0 - beyond / u))
    scatter = u / math.sqrt(1.0 + 0.9 * math.log(count))
    return max(beyond, 0.0), Component("least of many", math.hypot(scatter, LEVEL_PART * max(beyond, 0.0)))


def rooted(square: float, components: Iterable[Component]) -> tuple[float, tuple[Component, ...]]:
    """The root of a square known to some uncertainty, as a spread is with the noise's variance taken off; and its budget.

    Parameters
    ----------
    square : float
        May be negative: noise takes off more than there was. The root is then 0.
    components : iterable of Component
        Standard uncertainties of the square, in the root's unit squared.

    Returns
    -------
    root : float
    budget : tuple of Component
        In the root's unit, in the same proportions.

    Notes
    -----
    A root answers to its square by 1 / (2 root), which says nothing near 0. So the square's own 95 % interval, cut off
    at 0, is carried through the root, and u is its wider side over 1.96 (JCGM 101:2008, 5.11.6, asks for intervals of
    this kind where the linear law fails). Far from 0 this is the linear law.

    Examples
    --------
    >>> root, (line,) = rooted(4.0, [Component("surface noise", 0.04)])
    >>> root, round(line.u, 3)
    (2.0, 0.01)
    >>> root, (line,) = rooted(-0.5, [Component("surface noise", 1.0)])
    >>> root, round(line.u, 4)
    (0.0, 0.7143)
    """
    lines = tuple(components)
    wide = COVERAGE_FACTOR * combined(lines)
    root = math.sqrt(max(square, 0.0))
    upper, lower = math.sqrt(max(square, 0.0) + wide), math.sqrt(max(square - wide, 0.0))
    scale = max(upper - root, root - lower) / wide if wide else 0.0
    return root, tuple(Component(line.source, scale * line.u) for line in lines)


def line_angle_u_deg(noise_mm: float, *, length_mm: float, edge_mm: float) -> float:
    """Standard uncertainty of the direction of a straight line fitted to an evenly sampled stretch, degrees.

    Notes
    -----
    Least squares over a length L with n independent points: u = noise · sqrt(12 / n) / L.
    """
    count = effective_count(edge_mm=edge_mm, length_mm=length_mm)
    return math.degrees(noise_mm * math.sqrt(12.0 / max(count, 2.0)) / length_mm)


def _root(variance: float | FloatArray) -> float:
    return math.sqrt(max(float(variance), 0.0))
