"""From a learner's parts in any pose to the piece in the tooth frame, or a reason in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from kerfmark.errors import AlignmentError
from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.frames import rigid_inverse
from kerfmark.geometry.grids import sample
from kerfmark.geometry.mesh import area_mm2, joined, transformed
from kerfmark.records import Alignment, Grid, Remark, Surface
from kerfmark.registration.placement import Placement, place, shown_fraction, tolerance_mm
from kerfmark.registration.samples import Samples
from kerfmark.registration.scene import Scene, scene_of
from kerfmark.registration.search import mirrored, placements_of, sampled
from kerfmark.registration.verdict import holds, is_excellent, mirror_fits_better, refusal

__all__ = ["Registered", "register"]

MOST_PARTS = 8
"""Parts looked at, largest first; smaller ones are named and left."""
LEAST_EXTENT_MM = 2.0
TOGETHER = 60_000
"""Samples of all parts together."""
AS_LIKELY = 0.02
NEAR_TARGET_MM = 0.02
ON_NEIGHBOUR_MM, LEAST_OF_NEIGHBOUR = 0.25, 0.1
"""A part is a neighbour's scan where most of it lies within so much of it, and it shows so much of its area."""
HELD_BY_UNCUT = (
    "what the exercise says stays does not hold the piece firmly, so it was aligned on surface that seems not to have been cut; "
    "readings against the old surface are the less sure. Scan more of what is not cut, or let the exercise say what that is"
)


@dataclass(frozen=True, slots=True, eq=False)
class Registered:
    """A piece laid over the exercise.

    Attributes
    ----------
    alignment : Alignment
    surface : Surface
        The part that fits, in the tooth frame.
    neighbours : side → Surface
        Other parts of the file that lie on the exercise's neighbours, in the tooth frame.
    others : tuple of Surface
        The other parts, carried by the same motion into the tooth frame.
    remarks : tuple of Remark
    """

    alignment: Alignment
    surface: Surface
    neighbours: Mapping[str, Surface] = field(default_factory=dict)
    others: tuple[Surface, ...] = ()
    remarks: tuple[Remark, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """A part, by its number in the file from 0, with what was found of it."""

    number: int
    samples: Samples
    placements: list[Placement]

    @property
    def best(self) -> Placement | None:
        return self.placements[0] if self.placements else None


def register(parts: Sequence[Surface], prepared: Prepared, *, noise_um: float) -> Registered:
    """Lay the piece among `parts` over the exercise.

    Trust the result to about the square root of `alignment.covariance`; a scanner's shared error (trueness) is not in it.

    Parameters
    ----------
    parts : sequence of Surface
        The separate parts of one file, mm, in any common pose; open or closed.
    prepared : Prepared
    noise_um : float
        Standard uncertainty of a surface point of this source.

    Returns
    -------
    registered : Registered

    Raises
    ------
    AlignmentError
        If no part fits: a mirror image, another tooth, a fragment, nothing in common; or if two parts fit.

    Notes
    -----
    Choices and measured figures: `docs/decisions/0002-registration.md`.
    """
    scene, noise_mm = scene_of(prepared), noise_um / 1000.0
    looked_at = [n for n, part in enumerate(parts[:MOST_PARTS]) if _is_large(part)] or [0]
    if prepared.abutments:
        return _several(parts, looked_at, prepared, scene, noise_mm=noise_mm)
    candidates = _candidates(parts, looked_at, scene, noise_mm=noise_mm)
    piece = _the_piece(candidates, scene, noise_mm=noise_mm)
    chosen, remarks = _likeliest(piece, prepared)
    matrix = chosen.fit.matrix
    carried = {n: transformed(part, matrix) for n, part in enumerate(parts) if n != piece.number}
    beside = _beside(carried, prepared)
    others = tuple(part for n, part in carried.items() if n not in beside.values())
    if carried:
        remarks = (_what_else(piece.number, len(parts), beside), *remarks)
    if chosen.held_by == "uncut":
        remarks = (*remarks, Remark("held-by-what-seems-uncut", "piece", HELD_BY_UNCUT))
    return Registered(
        _alignment(chosen, prepared),
        transformed(parts[piece.number], matrix),
        {side: carried[n] for side, n in beside.items()},
        others,
        remarks,
    )


def _several(
    parts: Sequence[Surface], looked_at: list[int], prepared: Prepared, scene: Scene, *, noise_mm: float
) -> Registered:
    """A subject of several teeth: all parts are placed as one, and those that then lie on it are the piece together."""
    whole = joined([parts[n] for n in looked_at])
    samples = sampled(whole)
    piece = _the_piece(
        [_Candidate(0, samples, placements_of(samples, scene, noise_mm=noise_mm))], scene, noise_mm=noise_mm
    )
    chosen, remarks = _likeliest(piece, prepared)
    own = [n for n in looked_at if _lies_on(sampled(parts[n]), chosen, scene.bodies[0])] or looked_at
    carried = {n: transformed(part, chosen.fit.matrix) for n, part in enumerate(parts)}
    others = {n: part for n, part in carried.items() if n not in own}
    beside = _beside(others, prepared)
    left = len(others) - len(beside)
    if left:
        message = f"{left} of {len(parts)} parts lie neither on the abutments nor on a neighbour and were not measured"
        remarks = (*remarks, Remark("part-not-measured", "piece", message))
    return Registered(
        _alignment(chosen, prepared),
        joined([carried[n] for n in own]),
        {side: others[n] for side, n in beside.items()},
        tuple(part for n, part in others.items() if n not in beside.values()),
        remarks,
    )


def _is_large(part: Surface) -> bool:
    return len(part.faces) > 0 and float(np.ptp(part.vertices_mm, axis=0).max()) >= LEAST_EXTENT_MM


def _candidates(parts: Sequence[Surface], looked_at: list[int], scene: Scene, *, noise_mm: float) -> list[_Candidate]:
    """What is found of each part: all of them placed together first, then those by themselves that this leaves unexplained."""
    samples = {number: sampled(parts[number]) for number in looked_at}
    together = _together(list(samples.values()), scene, noise_mm=noise_mm) if len(samples) > 1 else None
    found: list[_Candidate] = []
    for number, each in samples.items():
        placements: list[Placement] = []
        if together is not None and _lies_on(each, together, scene.bodies[0]):
            placed = place(each, together.fit.matrix, scene, noise_mm=noise_mm)
            placements = [] if placed is None else [placed]
        if not placements and not (together is not None and _lies_on(each, together, scene.everything)):
            placements = placements_of(each, scene, noise_mm=noise_mm)
        found.append(_Candidate(number, each, placements))
    return found


def _together(samples: list[Samples], scene: Scene, *, noise_mm: float) -> Placement | None:
    """All parts placed as one scan, if that holds: neighbours in their own parts help to find the piece."""
    if len(scene.boxes_mm) == 1:
        return None
    area = sum(s.area_each_mm2 * len(s.points_mm) for s in samples)
    share = [s.thinned(int(np.ceil(TOGETHER * s.area_each_mm2 * len(s.points_mm) / area))) for s in samples]
    points, normals = np.concatenate([s.points_mm for s in share]), np.concatenate([s.normals for s in share])
    found = placements_of(Samples(points, normals, area / len(points)), scene, noise_mm=noise_mm)
    return found[0] if found and holds(found[0], scene, noise_mm=noise_mm) else None


def _lies_on(samples: Samples, placed: Placement, grid: Grid) -> bool:
    """Whether most of a part lies on a surface, or within what the surface encloses beside it, once all are placed."""
    moved = samples.thinned(2000).moved(placed.fit.matrix)
    distance = sample(grid, moved.points_mm)
    touched = np.mean(np.abs(distance) < 0.3)
    return bool(touched > 0.1 and np.mean(distance < 0.3) > 0.7)


def _the_piece(candidates: list[_Candidate], scene: Scene, *, noise_mm: float) -> _Candidate:
    """The one part that fits on the subject."""
    fitting = [c for c in candidates if _fits(c, scene, noise_mm=noise_mm)]
    if len(fitting) > 1:
        names = " and ".join(str(c.number + 1) for c in fitting)
        raise AlignmentError(
            f"parts {names} of the piece both fit the subject, expected one piece in a file. "
            "Leave one piece in the file and hand it in again."
        )
    if fitting:
        return fitting[0]
    likeliest = max(candidates, key=lambda c: c.best.score if c.best else -np.inf)
    images = placements_of(mirrored(likeliest.samples), scene, noise_mm=noise_mm)
    name = "the piece" if len(candidates) == 1 else f"part {likeliest.number + 1} of the piece, which comes nearest,"
    raise refusal(likeliest.best, images[0] if images else None, scene, noise_mm=noise_mm, name=name)


def _fits(candidate: _Candidate, scene: Scene, *, noise_mm: float) -> bool:
    best = candidate.best
    if best is None or not holds(best, scene, noise_mm=noise_mm):
        return False
    if is_excellent(best, noise_mm=noise_mm):
        return True
    images = placements_of(mirrored(candidate.samples), scene, noise_mm=noise_mm)
    return not (images and mirror_fits_better(best, images[0], scene, noise_mm=noise_mm))


def _likeliest(piece: _Candidate, prepared: Prepared) -> tuple[Placement, tuple[Remark, ...]]:
    """The placement to keep; among equals the one whose cut lies nearest the target, with a remark where that does not decide."""
    best = piece.placements[0]
    equals = [p for p in piece.placements if p.score > best.score - AS_LIKELY and p.fit.rms_mm < 1.3 * best.fit.rms_mm]
    if len(equals) == 1:
        return best, ()
    if prepared.target_grid is not None:
        off = [_off_target(piece.samples, p, prepared.subject_grid, prepared.target_grid) for p in equals]
        order = np.argsort(off, kind="stable")
        if off[order[1]] - off[order[0]] > NEAR_TARGET_MM:
            return equals[int(order[0])], ()
    message = (
        f"the piece fits in {len(equals)} ways that its cut does not tell apart; the first was kept. "
        "Mark one side of the subject where it is not cut, or compare with the pose in the report."
    )
    return best, (Remark("pose-ambiguous", "piece", message),)


def _off_target(samples: Samples, placement: Placement, subject: Grid, target: Grid) -> float:
    """Mean distance, mm, of what was cut from the target."""
    points = samples.thinned(4000).moved(placement.fit.matrix).points_mm
    cut = points[sample(subject, points) < -tolerance_mm(0.0)]
    return float(np.abs(sample(target, cut)).mean()) if len(cut) else 0.0


def _beside(carried: Mapping[int, Surface], prepared: Prepared) -> dict[str, int]:
    """Which other part is which neighbour's scan: the one that shows most of it, if most of the part lies on it."""
    found: dict[str, int] = {}
    for side, grid in prepared.neighbour_grids.items():
        shown = {
            n: area_mm2(part)
            for n, part in carried.items()
            if shown_fraction(part.vertices_mm, grid, within_mm=ON_NEIGHBOUR_MM) > 0.5
        }
        if shown:
            largest = max(shown, key=lambda n: shown[n])
            if shown[largest] > LEAST_OF_NEIGHBOUR * area_mm2(prepared.neighbours[side]):
                found[side] = largest
    return found


def _what_else(number: int, count: int, beside: Mapping[str, int]) -> Remark:
    """What else is in the file."""
    lie = [f"part {n + 1} is its {side} neighbour" for side, n in beside.items()]
    left = count - 1 - len(beside)
    rest = (
        []
        if not left
        else ["the other part was not measured" if left == 1 else f"{left} other parts were not measured"]
    )
    return Remark(
        "part-not-measured" if left else "neighbours-found",
        "piece",
        f"part {number + 1} of {count} is the piece; {'; '.join([*lie, *rest])}",
    )


def _alignment(placement: Placement, prepared: Prepared) -> Alignment:
    fit = placement.fit
    return Alignment(
        matrix=rigid_inverse(prepared.frame) @ fit.matrix,
        rms_um=1000.0 * fit.rms_mm,
        overlap=placement.overlap,
        covariance=fit.covariance,
        points_used=fit.points_used,
    )
