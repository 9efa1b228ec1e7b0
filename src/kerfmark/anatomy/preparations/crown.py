"""A crown preparation cut into a tooth as an exact boolean of solids."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.anatomy.preparations.occlusal import HeightField, Lowering
from kerfmark.anatomy.preparations.plan import CrownPlan, by_azimuth
from kerfmark.anatomy.preparations.profile import Profile, profile
from kerfmark.errors import InputError
from kerfmark.geometry.frames import azimuth_direction, rigid_inverse, rotation_about, transform_points
from kerfmark.geometry.mesh import bounds_mm, face_normals, transformed, vertex_normals
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.solids import Solid, intersection
from kerfmark.records import FloatArray, Surface

__all__ = ["CutCrown", "cut_crown"]

AZIMUTHS = np.arange(0.0, 360.0, 2.0)
ROUNDS = 5
RADII = np.arange(0.0, 9.01, 0.05)
CLEAR_MM = 0.4


@dataclass(frozen=True, slots=True, eq=False)
class CutCrown:
    """The cut tooth, with what is true of it by construction.

    Attributes
    ----------
    surface : Surface
        The cut tooth in the tooth frame, closed.
    margin_mm : (180, 3) float array
        The outer margin, one point every 2° of azimuth, tooth frame.
    axis_mm : (3,) float array
        A point on the line along the path through the margin's centroid.
    path : (3,) float array
        The preparation's own path, tooth frame.
    foot_mm : (180, 2) float array
        Radius and height of each wall's foot about that line, in the path's frame.
    top_height_mm : (180,) float array
        Height at which each wall meets the top, rounding ignored, in the path's frame.
    over_axis : (180,) bool array
        Which walls lean in as far as the line through the margin's centroid: how they go on from there the plan does not say.
    reduction_mm : site name → mm
        Median removal reached at each site of the plan.
    plan : CrownPlan
    """

    surface: Surface
    margin_mm: FloatArray
    axis_mm: FloatArray
    path: FloatArray
    foot_mm: FloatArray
    top_height_mm: FloatArray
    over_axis: NDArray[np.bool_]
    reduction_mm: Mapping[str, float]
    plan: CrownPlan

    def convergence_deg(self, azimuth_deg: float) -> float:
        """Sum of the two opposing tapers in the plane that holds this azimuth."""
        return float(by_azimuth(self.plan.taper_deg, [azimuth_deg, azimuth_deg + 180.0]).sum())

    def width_mm(self, azimuth_deg: ArrayLike) -> FloatArray:
        """Finish line width at each azimuth (n,), the ledge included."""
        return _widths(self.plan, np.asarray(azimuth_deg, dtype=float))


def cut_crown(
    subject: Surface,
    *,
    sites: Mapping[str, FloatArray],
    cervical_line_mm: FloatArray,
    mesial_sign: int,
    plan: CrownPlan,
) -> CutCrown:
    """Cut a crown preparation into a tooth.

    Parameters
    ----------
    subject : Surface
        The whole tooth, closed, tooth frame.
    sites : name → (3,) point on the subject
    cervical_line_mm : (k, 3) float array
        Closed curve round the tooth.
    mesial_sign : int
        +1 where mesial lies on +x.
    plan : CrownPlan

    Returns
    -------
    cut : CutCrown

    Raises
    ------
    InputError
        If the plan leaves no wall somewhere, or names a site the tooth lacks.

    Notes
    -----
    Sections are laid round the line along the path through the margin's centroid, where the readings' sections lie too, so
    that taper and width hold there exactly. The keep-solid is swept from those sections; the cut is its intersection
    with the tooth.
    """
    unknown = sorted(set(plan.reduction_mm) - set(sites))
    if unknown:
        raise InputError(
            f"crown plan: site '{unknown[0]}' is not on this tooth, expected one of {sorted(sites)}. Correct its name."
        )
    lean = _lean(plan, mesial_sign)
    back = rigid_inverse(lean)
    leaning = transformed(subject, back)
    moved = {name: transform_points(back, np.atleast_2d(sites[name]))[0] for name in plan.reduction_mm}
    axis, margin = _margin(leaning, transform_points(back, cervical_line_mm), mesial_sign, plan)
    shaped = _shaped(leaning, moved, axis, margin, mesial_sign, plan)
    profiles, reached = shaped.profiles, shaped.reached_mm
    keep = Solid.from_surface(shaped.keep)
    cut = intersection(Solid.from_surface(leaning), keep)
    directions = azimuth_direction(AZIMUTHS, mesial_sign=mesial_sign)
    curve = np.append(axis, 0.0) + margin[:, :1] * directions + margin[:, 1:] * np.array([0.0, 0.0, 1.0])
    return CutCrown(
        surface=transformed(cut.surface(), lean),
        margin_mm=transform_points(lean, curve),
        axis_mm=transform_points(lean, np.append(axis, 0.0)[None])[0],
        path=lean[:3, 2],
        foot_mm=np.array([[p.finish.foot_radius_mm, p.finish.foot_height_mm] for p in profiles]),
        top_height_mm=np.array([p.top_height_mm for p in profiles]),
        over_axis=np.array([p.at_axis is not None for p in profiles]),
        reduction_mm=reached,
        plan=plan,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Shaped:
    """The sections, the surface of the keep-solid, and the median reductions it leaves."""

    profiles: list[Profile]
    keep: Surface
    reached_mm: dict[str, float]


def _shaped(
    subject: Surface,
    sites: Mapping[str, FloatArray],
    axis: FloatArray,
    margin: FloatArray,
    mesial_sign: int,
    plan: CrownPlan,
) -> _Shaped:
    """Sections whose top is lowered until the sites lose what the plan says (or the rounds are over)."""
    lowering, normals = Lowering(subject, sites=sites), vertex_normals(subject)
    patches = {name: _patch(subject, normals, point) for name, point in sites.items()}
    floor = float(bounds_mm(subject)[0, 2]) - 2.0
    depth = dict(plan.reduction_mm)
    for _ in range(ROUNDS):
        profiles = _profiles(margin, axis, lowering.top(depth, flat_mm=plan.flat_reduction_mm), mesial_sign, plan)
        shaped = _Shaped(
            profiles, keep := _keep_surface(profiles, axis, mesial_sign, floor_mm=floor), _reductions(keep, patches)
        )
        off = {name: shaped.reached_mm[name] / plan.reduction_mm[name] for name in sites}
        if all(abs(ratio - 1.0) < 0.004 for ratio in off.values()):
            break
        depth = {
            name: float(np.clip(depth[name] / np.clip(off[name], 0.6, 1.6), 0.3 * wanted, 3.5 * wanted))
            for name, wanted in plan.reduction_mm.items()
        }
    return shaped


def _patch(subject: Surface, normals: FloatArray, point: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Subject vertices within 0.5 mm of a site, and their inward normals."""
    near = np.linalg.norm(subject.vertices_mm - point, axis=1) <= 0.5
    return subject.vertices_mm[near], -normals[near]


def _reductions(keep: Surface, patches: Mapping[str, tuple[FloatArray, FloatArray]]) -> dict[str, float]:
    """Median way along the inward normals to the keep-solid, by site; a site it leaves whole has lost nothing."""
    caster, outward = RayCaster(keep), face_normals(keep)
    reached = {}
    for name, (points, inward) in patches.items():
        distance, face = caster.first_hit(points, inward, max_mm=6.0)
        leaving = (face >= 0) & (np.einsum("ij,ij->i", outward[face], inward) > 0.0)
        depth = np.where(leaving, 0.0, distance)
        reached[name] = float(np.nanmedian(depth)) if np.isfinite(depth).any() else 0.0
    return reached


def _lean(plan: CrownPlan, mesial_sign: int) -> FloatArray:
    """The rotation that carries +z onto the preparation's path."""
    towards = azimuth_direction(plan.tilt_azimuth_deg, mesial_sign=mesial_sign)
    return rotation_about(np.cross([0.0, 0.0, 1.0], towards), plan.tilt_deg)


def _widths(plan: CrownPlan, azimuth_deg: FloatArray) -> FloatArray:
    away = np.abs((azimuth_deg - plan.ledge_azimuth_deg + 180.0) % 360.0 - 180.0)
    return by_azimuth(plan.width_mm, azimuth_deg) + plan.ledge_mm * np.where(
        away < 20.0, np.cos(np.radians(4.5 * away)) ** 2, 0.0
    )


def _margin(
    subject: Surface, cervical_mm: FloatArray, mesial_sign: int, plan: CrownPlan
) -> tuple[FloatArray, FloatArray]:
    """The axis (x, y) and the margin's radius and height (180, 2) about it; the axis is moved until it is the centroid's."""
    caster = RayCaster(subject)
    directions = azimuth_direction(AZIMUTHS, mesial_sign=mesial_sign)
    axis = cervical_mm[:, :2].mean(axis=0)
    lift = by_azimuth(plan.margin_mm, AZIMUTHS) + plan.ripple_mm * np.sin(np.radians(plan.ripple_waves * AZIMUTHS))
    margin = np.zeros((len(AZIMUTHS), 2))
    for _ in range(4):
        heights = _cervical_heights(cervical_mm, axis, mesial_sign, scallop=plan.scallop) + lift
        far = np.column_stack([axis + 30.0 * directions[:, :2], heights])
        distance, _face = caster.first_hit(far, -directions, max_mm=30.0)
        if not np.isfinite(distance).all():
            raise InputError(
                "crown plan: the margin runs off the tooth, expected it to lie on the crown all round. Lower margin_mm."
            )
        margin = np.column_stack([30.0 - distance, heights])
        axis = axis + _centroid(margin[:, :1] * directions[:, :2])
    return axis, margin


def _centroid(loop: FloatArray) -> FloatArray:
    """Centroid of a closed plane curve by length."""
    following = np.roll(loop, -1, axis=0)
    length = np.linalg.norm(following - loop, axis=1, keepdims=True)
    return np.asarray((0.5 * (loop + following) * length).sum(axis=0) / length.sum())


def _cervical_heights(cervical_mm: FloatArray, axis: FloatArray, mesial_sign: int, *, scallop: float) -> FloatArray:
    """Height of the cervical line at each azimuth, its finest waves (beyond the fifth harmonic) left out."""
    away = cervical_mm[:, :2] - axis
    azimuth = np.degrees(np.arctan2(mesial_sign * away[:, 0], away[:, 1])) % 360.0
    order = np.argsort(azimuth)
    heights = np.interp(AZIMUTHS, azimuth[order], cervical_mm[order, 2], period=360.0)
    spectrum = np.fft.rfft(heights)
    spectrum[6:] = 0.0
    spectrum[1:] *= scallop
    return np.fft.irfft(spectrum, len(AZIMUTHS))


def _profiles(
    margin: FloatArray, axis: FloatArray, top: HeightField, mesial_sign: int, plan: CrownPlan
) -> list[Profile]:
    """The sections, and where walls reach the axis below the top the top cut down to the first of them."""
    directions = azimuth_direction(AZIMUTHS, mesial_sign=mesial_sign)[:, :2]
    spokes = RADII[:, None] * directions[:, None, :]
    heights = top(*(axis + spokes).reshape(-1, 2).T).reshape(spokes.shape[:2])
    found = _sections(margin, heights, plan)
    reaching = [i for i, p in enumerate(found) if p.at_axis is not None]
    if not reaching:
        return found
    first = min(reaching, key=lambda i: found[i].at_axis or ())
    cut_on = np.minimum(heights, _past_the_axis(spokes @ directions[first], found[first]))
    return [replace(p, at_axis=q.at_axis) for p, q in zip(_sections(margin, cut_on, plan), found, strict=True)]


def _past_the_axis(towards_mm: FloatArray, wall: Profile) -> FloatArray:
    """Height, at so far towards a wall's side, of the plane as which it goes on past the axis.

    On its own side the plane is raised by `CLEAR_MM`, or it would cut the very wall it carries on.
    """
    assert wall.at_axis is not None
    height, inwards = wall.at_axis
    rise = -towards_mm / inwards
    return np.asarray(height + np.where(rise > 0.0, rise, np.minimum(rise + CLEAR_MM, 0.0)))


def _sections(margin: FloatArray, heights_mm: FloatArray, plan: CrownPlan) -> list[Profile]:
    """One section for each azimuth under the top's heights (azimuths, radii)."""
    taper = by_azimuth(plan.taper_deg, AZIMUTHS)
    facial = by_azimuth({"buccal": 1.0, "mesial": 0.0, "lingual": 0.0, "distal": 0.0}, AZIMUTHS)
    second = taper + plan.second_plane_deg * np.minimum(2.0 * facial, 1.0)
    width = _widths(plan, AZIMUTHS)
    profiles = []
    for i, spoke in enumerate(heights_mm):

        def along(radii: FloatArray, spoke: FloatArray = spoke) -> FloatArray:
            return np.interp(radii, RADII, spoke)

        profiles.append(
            profile(
                (float(margin[i, 0]), float(margin[i, 1])),
                width_mm=float(width[i]),
                radius_mm=plan.internal_radius_mm,
                taper_deg=float(taper[i]),
                second_taper_deg=float(second[i]),
                second_plane_at=plan.second_plane_at,
                edge_radius_mm=plan.edge_radius_mm,
                top=along,
            )
        )
    return profiles


def _keep_surface(profiles: list[Profile], axis: FloatArray, mesial_sign: int, *, floor_mm: float) -> Surface:
    """The surface of the closed solid under all sections, carried down to `floor_mm` outside the tooth."""
    directions = azimuth_direction(AZIMUTHS, mesial_sign=mesial_sign)[:, :2]
    rings = [p.points_mm for p in profiles]
    body = np.stack(
        [np.column_stack([axis + r[:-1, :1] * d, r[:-1, 1]]) for r, d in zip(rings, directions, strict=True)]
    )
    foot = np.stack([np.append(axis + rings[i][0, 0] * d, floor_mm) for i, d in enumerate(directions)])
    pole_top = np.array([[*axis, np.mean([r[-1, 1] for r in rings])]])
    pole_bottom = np.array([[*axis, floor_mm]])
    columns = np.concatenate([foot[:, None, :], body], axis=1)
    return _swept(columns, pole_top, pole_bottom, turned=mesial_sign < 0)


def _swept(columns: FloatArray, pole_top: FloatArray, pole_bottom: FloatArray, *, turned: bool) -> Surface:
    """Closed mesh from (azimuth, along, 3) points and two poles; azimuth runs clockwise from above when mesial is on +x."""
    count, along, _ = columns.shape
    vertices = np.vstack([columns.reshape(-1, 3), pole_top, pole_bottom])
    top, bottom = len(vertices) - 2, len(vertices) - 1
    i, j = np.meshgrid(np.arange(count), np.arange(along - 1), indexing="ij")
    a, b = (i * along + j).ravel(), (((i + 1) % count) * along + j).ravel()
    sides = np.concatenate([np.column_stack([a, a + 1, b]), np.column_stack([b, a + 1, b + 1])])
    here = np.arange(count) * along
    following = np.roll(here, -1)
    caps = np.concatenate(
        [
            np.column_stack([here + along - 1, np.full(count, top), following + along - 1]),
            np.column_stack([here, following, np.full(count, bottom)]),
        ]
    )
    faces = np.concatenate([sides, caps]).astype(np.int32)
    return Surface(vertices, faces[:, ::-1].copy() if turned else faces)
