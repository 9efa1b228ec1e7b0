"""One exercise's desk for planning: its CT and structures made ready once, and what any state of a plan shows of them."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from functools import cached_property
from threading import Lock
from typing import Any, Final

import numpy as np

from kerfmark.errors import InputError
from kerfmark.exercise.prepared import Prepared
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.geometry.rays import RayCaster
from kerfmark.geometry.reformat import ArchCurve, arch_curve, curved_reformat, plane_picture
from kerfmark.geometry.sections import section_curves
from kerfmark.geometry.volumes import bounds_of, voxel_mm
from kerfmark.measurement.implant.planning import Planning
from kerfmark.records import FloatArray, ImplantPlan, Reading, SectionPlane, Surface
from kerfmark.reports.view.render import png_of
from kerfmark.web.planning.outlines import tube_surface
from kerfmark.web.planning.state import Placed, PlanState, as_spots, in_frame, placed_from

__all__ = ["APART_MM", "PLACES", "Desk", "Structure"]

UP: Final = np.array([0.0, 0.0, 1.0])
PLACES: Final = 7
APART_MM: Final = 2.0
STRIP_MM: Final = 13.0
GAP_MM: Final = 0.6
AXIS_MM: Final = 20.0
REACH_MM: Final = (-26.0, 9.0)
"""Lowest and highest that pictures reach, from the tooth frame's origin."""
MARGIN_MM: Final = 2.0
LEAST_PIXEL_MM, MOST_PIXELS = 0.15, 420
DARK_PART, LIGHT_PART = 2.0, 99.7
LOOKED_AT: Final = 400_000
KEPT: Final = 400
USUAL_LENGTH_MM, USUAL_DIAMETER_MM = 10.0, 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Structure:
    """Something to keep clear of, as a surface to be cut: `canal`, `root`, `sinus` or `implant`."""

    kind: str
    surface: Surface


class Desk:
    """An implant exercise with a CT, ready to be planned in.

    Parameters
    ----------
    prepared : Prepared

    Raises
    ------
    InputError
        If the exercise plans no implant, or has no CT of greys.
    """

    def __init__(self, prepared: Prepared) -> None:
        self.planning = Planning(prepared)
        if prepared.volume is None or prepared.exercise.subject.labels:
            raise InputError(
                f"exercise {prepared.exercise.id} has no CT to plan in, expected [subject] volume with greys. Plan it in a file, or choose another."
            )
        self.prepared, self.volume = prepared, prepared.volume
        self.mesial_sign = prepared.mesial_sign
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = Lock()

    @cached_property
    def window(self) -> FloatArray:
        """(2, 3) box of the tooth frame that pictures show: the bone with a margin, as far as the CT reaches."""
        assert self.prepared.subject is not None
        low, high = bounds_mm(self.prepared.subject)
        arch = self.prepared.arch
        if arch is not None:
            low[:2], high[:2] = np.minimum(low, arch.min(axis=0))[:2], np.maximum(high, arch.max(axis=0))[:2]
        inner = bounds_of(self.volume)
        low, high = np.maximum(low - MARGIN_MM, inner[0]), np.minimum(high + MARGIN_MM, inner[1])
        low[2], high[2] = max(low[2], REACH_MM[0]), min(high[2], REACH_MM[1])
        return np.array([low, high])

    @cached_property
    def pixel_mm(self) -> float:
        """As fine as the voxels, and no finer than a picture of the whole can be."""
        extent = float((self.window[1] - self.window[0])[:2].max())
        return max(0.5 * float(voxel_mm(self.volume).min()), LEAST_PIXEL_MM, extent / MOST_PIXELS)

    @cached_property
    def grey_window(self) -> tuple[float, float]:
        """Greys shown as darkest and lightest, the same in every picture."""
        flat = self.volume.values.reshape(-1, order="A")
        some = flat[:: max(1, flat.size // LOOKED_AT)]
        low, high = np.percentile(some, [DARK_PART, LIGHT_PART])
        return float(low), max(float(high), float(low) + 1.0)

    @cached_property
    def structures(self) -> tuple[Structure, ...]:
        """What is to be kept clear of, as surfaces."""
        p, found = self.prepared, []
        canal = p.exercise.structures.canal
        if canal is not None and p.canal is not None:
            found.append(Structure("canal", tube_surface(p.canal, 0.5 * canal.diameter_mm)))
        found += [Structure("root", root) for root in p.roots]
        found += [] if p.sinus is None else [Structure("sinus", p.sinus)]
        for other in p.implants:
            ends = np.array([other.entry_mm, other.apex_mm])
            found.append(Structure("implant", tube_surface(ends, 0.5 * other.diameter_mm)))
        return tuple(found)

    @cached_property
    def diameters_mm(self) -> tuple[float, ...]:
        """Those the exercise offers; empty where any will do."""
        return tuple(self.prepared.exercise.permitted.implant_diameters_mm)

    def first(self, *, with_plan: bool) -> PlanState:
        """How a page begins: on the exercise's own arch at its tooth; with the exercise's own plan for those who made it."""
        arch = self.prepared.arch
        low, high = self.window
        if arch is None:
            y, z = 0.5 * (low[1] + high[1]), -7.0
            arch = np.array([[low[0] + 3.0, y, z], [0.0, y, z], [high[0] - 3.0, y, z]])
        spots = as_spots(arch, self.mesial_sign)
        state = PlanState(spots, 0.0, round(float(np.clip(arch[:, 2].mean(), low[2], high[2])), 2))
        curve = self.curve(state)
        assert curve is not None
        state = replace(state, at_mm=round(curve.nearest_mm([0.0, 0.0, 0.0]) * 4.0) / 4.0)
        own, target = self.prepared.implant, self.prepared.exercise.target.implant
        if not with_plan or own is None or target is None:
            return state
        return replace(state, implant=placed_from(ImplantPlan(own[0], own[1], target.diameter_mm), self.mesial_sign))

    def placed_at(self, state: PlanState) -> Placed:
        """An implant put upright on the bone over the arch, where one looks; of the size of the one there was before."""
        curve = self.curve(state)
        if curve is None:
            raise InputError("there is no arch yet, expected at least two points of it. Draw it first.")
        before, at = state.implant, curve.points_mm[curve.at(state.at_mm)]
        top = np.array([at[0], at[1], self.window[1][2] + 20.0])
        distance, _face = self._bone.first_hit([top], -UP)
        entry = top - (float(distance[0]) if np.isfinite(distance[0]) else 20.0) * UP
        diameter = self.diameters_mm[len(self.diameters_mm) // 2] if self.diameters_mm else USUAL_DIAMETER_MM
        if before is not None:
            return replace(before, entry=as_spots(entry[None], self.mesial_sign)[0])
        return Placed(as_spots(entry[None], self.mesial_sign)[0], 0.0, 0.0, USUAL_LENGTH_MM, diameter)

    @cached_property
    def _bone(self) -> RayCaster:
        assert self.prepared.subject is not None
        return RayCaster(self.prepared.subject)

    def readings(self, state: PlanState) -> tuple[Reading, ...]:
        """What is read of the implant as it stands; empty where there is none."""
        plan = state.plan(self.mesial_sign)
        if plan is None:
            return ()
        found: tuple[Reading, ...] = self.kept(state.implant, lambda: self.planning.readings(plan))
        return found

    def kept(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """What was made under a key before, or is made now; the few hundred that were asked for last are kept."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return made

    def curve(self, state: PlanState) -> ArchCurve | None:
        """The arch; None where fewer than two points are drawn.

        Raises
        ------
        InputError
            If two neighbouring points are the same.
        """
        if len(state.arch) < 2:
            return None
        found: ArchCurve = self.kept(
            ("arch", state.arch),
            lambda: arch_curve(in_frame(list(state.arch), self.mesial_sign), up=UP, step_mm=self.pixel_mm),
        )
        return found

    def cuts(self, plane: SectionPlane) -> list[tuple[str, FloatArray]]:
        """Where a plane meets the structures: kind and curve (k, 3)."""
        return [(s.kind, curve) for s in self.structures for curve in section_curves(s.surface, plane)]

    def above_plane(self, level_mm: float) -> SectionPlane:
        """The slice seen from above: x to the right, facial upwards."""
        middle = 0.5 * (self.window[0] + self.window[1])
        return SectionPlane(
            "above", np.array([middle[0], middle[1], level_mm]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
        )

    def across_planes(self, state: PlanState) -> list[tuple[float, SectionPlane]]:
        """The strip's places along the curve and their planes, facial on the left."""
        curve = self.curve(state)
        if curve is None:
            return []
        ways = [state.at_mm + APART_MM * (k - PLACES // 2) for k in range(PLACES)]
        return [(way, self._across(curve, way)) for way in ways if -1e-6 <= way <= curve.length_mm + 1e-6]

    def _across(self, curve: ArchCurve, way: float) -> SectionPlane:
        place = curve.at(way)
        at, across = curve.points_mm[place], curve.across[place]
        return SectionPlane("across", np.array([at[0], at[1], 0.0]), across if across[1] < 0.0 else -across, curve.up)

    def axis_planes(self, state: PlanState) -> dict[str, SectionPlane]:
        """Planes through the implant's axis, across and along the arch where one looks; upright where there is no implant.

        A plane's own up is as upright as the axis lets it be, and its origin is the place on the arch, seen square to it: so it stays
        as it is while the implant is moved or tilted within it.
        """
        curve = self.curve(state)
        if curve is None:
            return {}
        place = curve.at(state.at_mm)
        at, along = curve.points_mm[place] * [1.0, 1.0, 0.0], curve.along[place]
        along = along - (along @ UP) * UP
        along /= np.linalg.norm(along)
        if along[0] * self.mesial_sign < 0.0:
            along = -along
        facially = np.cross(UP, along)
        facially = facially if facially[1] > 0.0 else -facially
        plan = state.plan(self.mesial_sign)
        return {
            "facial": _plane_through("facial", plan, at, -facially),
            "mesial": _plane_through("mesial", plan, at, along),
        }

    def plane_png(self, plane: SectionPlane, *, width_mm: float, above_mm: float, below_mm: float) -> bytes:
        """A picture in a plane."""
        picture = plane_picture(
            self.volume, plane, width_mm=width_mm, above_mm=above_mm, below_mm=below_mm, pixel_mm=self.pixel_mm
        )
        return self._png(picture.greys)

    def along_png(self, state: PlanState) -> bytes:
        """The CT unrolled along the arch; the foot and top are the window's at the curve's mean height."""
        curve = self.curve(state)
        if curve is None:
            raise InputError("there is no arch yet, expected at least two points of it. Draw it first.")
        above, below = self.along_reach(curve)
        return self._png(curved_reformat(self.volume, curve, above_mm=above, below_mm=below).greys)

    def along_reach(self, curve: ArchCurve) -> tuple[float, float]:
        """How far the unrolled picture reaches over and under the curve, mm."""
        mean = float(curve.points_mm[:, 2].mean())
        return max(1.0, float(self.window[1][2]) - mean), max(1.0, mean - float(self.window[0][2]))

    def strip_png(self, state: PlanState) -> bytes:
        """The cross-sections side by side, with a gap of `GAP_MM` between."""
        low, high = self.window[0][2], self.window[1][2]
        gap = round(GAP_MM / self.pixel_mm)
        parts: list[FloatArray] = []
        for _way, plane in self.across_planes(state):
            greys = plane_picture(
                self.volume,
                plane,
                width_mm=STRIP_MM,
                above_mm=float(high),
                below_mm=float(-low),
                pixel_mm=self.pixel_mm,
            ).greys
            parts += [greys, np.full((len(greys), gap), np.nan)]
        if not parts:
            raise InputError("there is no arch yet, expected at least two points of it. Draw it first.")
        return self._png(np.concatenate(parts[:-1], axis=1))

    def _png(self, greys: FloatArray) -> bytes:
        """Dark is empty, light is dense; nothing where the CT ends."""
        low, high = self.grey_window
        known = np.isfinite(greys)
        share = np.clip((np.where(known, greys, low) - low) * (1.0 / (high - low)), 0.0, 1.0)
        return png_of(
            np.stack([(24.0 + 221.0 * share).astype(np.uint8), np.where(known, 255, 0).astype(np.uint8)], axis=2)
        )


def _plane_through(name: str, plan: ImplantPlan | None, at: FloatArray, across: FloatArray) -> SectionPlane:
    if plan is None:
        return SectionPlane(name, at, across, UP)
    way = plan.apex_mm - plan.entry_mm
    up = -(way - (way @ across) * across)
    up /= np.linalg.norm(up)
    normal = np.cross(across, up)
    return SectionPlane(name, at - ((at - plan.entry_mm) @ normal) * normal, across, up)
