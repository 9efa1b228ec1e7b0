"""Flat drawings beside the view, by the report's own code: a section by a plane of the reader's choice, a still picture."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Final

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.geometry.frames import rotation_about
from kerfmark.records import SectionPlane
from kerfmark.reports.drawn import PAGE_SECTION, PieceScene
from kerfmark.reports.sections.drawing import fitting_scale, section_of
from kerfmark.reports.sections.needed import starting_planes
from kerfmark.reports.sections.outlines import outlines_of
from kerfmark.reports.sections.planes import plain_planes, planes_of
from kerfmark.reports.tokens import painted
from kerfmark.reports.view.camera import VIEW_NAMES
from kerfmark.reports.view.picture import VIEW_SIZE, view_of

__all__ = ["moved_plane", "plain_names", "section_at", "still_at"]

FARTHEST_MM: Final = 100.0


def section_at(
    scene: PieceScene,
    *,
    plane: str = "BL",
    offset_mm: float = 0.0,
    turn_deg: float = 0.0,
    plain: bool = False,
    size: tuple[int, int] = PAGE_SECTION,
) -> str:
    """The section by a plane that was moved, as SVG with the page's colours.

    Drawn like the report's sections: at the scale that fits the plane where it was, so that the drawing does not grow and shrink
    as the plane moves. A reading is dimensioned where its witness lies in the plane.

    Parameters
    ----------
    scene : PieceScene
        From `piece_scene`; make it once, this is asked often.
    plane : str
        BL, MD, MF-DL or ML-DF; of a block YZ or XZ.
    offset_mm : float
        How far the plane is moved along its normal, towards the reader.
    turn_deg : float
        How far it is turned about its own upright, before it is moved.
    plain : bool
        Outlines alone: no corridor, no departures, no dimensions, no layers (what is left of one is an answer). What may be seen
        before own views are in.
    size : pair of int, px

    Raises
    ------
    InputError
        If there is no such plane, or a number is out of bounds.
    """
    prepared, contents = scene.prepared, scene.contents
    told: dict[str, Any] = {"mesial_sign": prepared.mesial_sign, "tooth": contents.has_tooth}
    readings = scene.assessment.readings
    known = plain_planes(readings, **told) if plain else starting_planes(contents.lines, readings, **told)
    chosen = next((p for p in known if p.name == plane), None)
    if chosen is None:
        names = ", ".join(p.name for p in known)
        raise InputError(f"plane is '{printable(plane, limit=20)}', expected one of {names}. Choose one of these.")
    moved = moved_plane(chosen, offset_mm=offset_mm, turn_deg=turn_deg)
    limits = {"floor_mm": scene.view.floor_mm, "limit_mm": scene.limit_mm}
    at_rest, here = (outlines_of(p, scene.assessment.piece, prepared, **limits) for p in (chosen, moved))
    if plain:
        here = replace(here, corridor=(), target=(), departures=(), layers={})
        contents = replace(contents, families=())
        if prepared.implant is not None:
            prepared = replace(prepared, implant=None)  # the planned implant is the answer, too
    drawn = section_of(
        moved, here, scene.assessment, prepared, contents, size=size,
        px_per_mm=fitting_scale(at_rest, size), key=f"view-{plane}",
    )  # fmt: skip
    return painted(drawn.drawing, for_page=True)


def plain_names(scene: PieceScene) -> tuple[str, ...]:
    """Names of the sections that may be shown before own views are in: of those the page has, the ones no answer lies in.

    A cut through the pulp or along an orifice's way out is placed by a reading, so the two planes of the tooth stand for it.
    """
    readings, contents = scene.assessment.readings, scene.contents
    known = plain_planes(readings, mesial_sign=scene.prepared.mesial_sign, tooth=contents.has_tooth)
    page = {p.name for p in planes_of(readings, mesial_sign=scene.prepared.mesial_sign, tooth=contents.has_tooth)}
    return tuple(p.name for p in known if p.name in page) or tuple(p.name for p in known[:2])


def moved_plane(plane: SectionPlane, *, offset_mm: float, turn_deg: float) -> SectionPlane:
    """A plane turned about its own upright through its origin, then moved along its normal (across × up).

    Raises
    ------
    InputError
        If a number is not finite or the plane would leave every piece.
    """
    if not (math.isfinite(offset_mm) and abs(offset_mm) <= FARTHEST_MM):
        raise InputError(f"offset_mm is {offset_mm:g}, expected −{FARTHEST_MM:g} to {FARTHEST_MM:g}. Move it back.")
    if not (math.isfinite(turn_deg) and abs(turn_deg) <= 360.0):
        raise InputError(f"turn_deg is {turn_deg:g}, expected −360 to 360. Turn it back.")
    across = rotation_about(plane.up, turn_deg)[:3, :3] @ plane.across
    normal = np.cross(across, plane.up)
    return SectionPlane(plane.name, plane.origin_mm + offset_mm * normal, across, plane.up)


def still_at(scene: PieceScene, *, letter: str = "S", plain: bool = False, size: tuple[int, int] = VIEW_SIZE) -> str:
    """A still picture of the piece as SVG with the page's colours, for where the view cannot be drawn.

    Parameters
    ----------
    scene : PieceScene
    letter : str
        One of S, O, B, L, M, D, or Z (slanted, from behind).
    plain : bool
        No map, no margin, no balloons.
    size : pair of int, px

    Raises
    ------
    InputError
        If there is no such view.
    """
    if letter not in (*VIEW_NAMES, "Z"):
        known = ", ".join((*VIEW_NAMES, "Z"))
        raise InputError(f"view is '{printable(letter, limit=20)}', expected one of {known}. Choose one of these.")
    view, contents = scene.view, scene.contents
    if plain:
        view, contents = replace(view, has_map=False, margin=()), replace(contents, families=())
    return painted(view_of(letter, view, contents, size=size).drawing, for_page=True)
