"""From an assessed piece to the bytes of its scene. `docs/view.md` says what every field means."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from kerfmark.records import Assessment, FloatArray, SectionPlane, Surface
from kerfmark.reports.contents import CriterionLine
from kerfmark.reports.drawn import PieceScene, piece_scene
from kerfmark.reports.history import EVENT_WORDS, history_svg
from kerfmark.reports.scene.container import Container, Part, written
from kerfmark.reports.scene.field import DeviationField, deviation_field
from kerfmark.reports.scene.stored import assessment_facts
from kerfmark.reports.scene.surfaces import (
    coarser,
    curves_part,
    first_touched_s,
    laid_bare_s,
    packed_normals,
    surface_part,
    tissues,
)
from kerfmark.reports.sections.needed import starting_planes
from kerfmark.reports.sections.planes import end_words, plain_planes, way_words
from kerfmark.reports.tokens import painted
from kerfmark.reports.view.camera import VIEW_NAMES, direction_words
from kerfmark.reports.view.deviation import STEPS_MM, legend_svg, patch_words
from kerfmark.reports.view.pins import witness_points

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise
    from kerfmark.exercise.prepared import Prepared

__all__ = ["SCENE_FORMAT", "scene_bytes"]

SCENE_FORMAT: Final = 1
"""Raised whenever a field changes its meaning; added fields do not raise it."""

GHOST_CELL_MM: Final = 0.25
TOUCHED_CELL_MM: Final = 0.12
"""Of the tooth before cutting where its times are shown."""

NEIGHBOUR_CELL_MM: Final = 0.15
BELOW_FLOOR_MM: Final = 0.6
SITE_REACH_MM: Final = 0.2
MOST_SPOTS: Final = 24


def scene_bytes(
    assessment: Assessment,
    prepared: Prepared,
    loaded: LoadedExercise,
    *,
    labels: Mapping[str, str] | None = None,
    scene: PieceScene | None = None,
) -> bytes:
    """A piece with everything that was found on it, as one GLB. It shows readings: see `plain_scene` for before own views are in.

    Parameters
    ----------
    assessment : Assessment
    prepared : Prepared
    loaded : LoadedExercise
        The exercise it was assessed against.
    labels : mapping, optional
        As in `contents_of`.
    scene : PieceScene, optional
        From `piece_scene`, where other drawings are made of the same piece.

    Returns
    -------
    glb : bytes
        The same for the same input.
    """
    scene = scene or piece_scene(assessment, prepared, loaded, labels=labels)
    field = deviation_field(assessment.piece.surface, scene.view.shaded.values[:, 3], limit_mm=scene.limit_mm)
    parts = (_piece_part(scene, field), *_lines_of(scene, field), *_around(scene))
    kept, loose = assessment_facts(assessment)
    facts = {
        **_common(scene),
        "plain": False,
        "limit_mm": scene.limit_mm,
        "steps_mm": list(STEPS_MM),
        "has_map": scene.view.has_map,
        "legend": painted(legend_svg(limit_mm=scene.limit_mm), for_page=True) if scene.view.has_map else "",
        "tissues": list(prepared.layer_grids),
        "criteria": [_criterion(line) for line in scene.contents.lines],
        "patches": [
            {
                "words": patch_words(p.value_mm),
                "points_mm": [_mm(q) for q in p.points_mm],
                "area_mm2": round(p.area_mm2, 2),
            }
            for p in field.patches
        ],
        "planes": _planes(scene, plain=False),
        "plain_planes": _planes(scene, plain=True),
        "sites": _sites(scene),
        "questions": _questions(scene),
        "history": _history(scene),
        "assessment": kept,
    }
    return written(Container(parts, facts, loose))


def _common(scene: PieceScene) -> dict[str, Any]:
    tooth, sign = scene.contents.has_tooth, scene.prepared.mesial_sign
    return {
        "kerfmark_scene": SCENE_FORMAT,
        "kind": scene.assessment.piece.kind,
        "tooth": tooth,
        "mesial_sign": sign,
        "floor_mm": scene.view.floor_mm,
        "views": {letter: list(direction_words(letter, mesial_sign=sign, tooth=tooth)) for letter in VIEW_NAMES},
    }


def _piece_part(scene: PieceScene, field: DeviationField) -> Part:
    piece, prepared = scene.assessment.piece, scene.prepared
    more: dict[str, Any] = {"_SOFT_NORMAL": packed_normals(scene.view.shaded.values[:, :3].astype(float))}
    if scene.view.has_map:
        more["_DEVIATION_MM"] = field.values_mm
    tissue, time = tissues(piece, prepared), laid_bare_s(piece, prepared)
    more |= {} if tissue is None else {"_TISSUE": tissue}
    more |= {} if time is None else {"_TIME_S": time}
    return surface_part("piece", piece.surface, more=more)


def _lines_of(scene: PieceScene, field: DeviationField) -> list[Part]:
    """Margin and isolines."""
    lines = [curves_part("margin", scene.view.margin)]
    if scene.view.has_map:
        lines += [curves_part(f"isoline {level:+.2f}", c, level_mm=level) for level, c in field.isolines.items()]
    return lines


def _around(scene: PieceScene) -> list[Part]:
    """The tooth before cutting, the target, the neighbours."""
    prepared, piece = scene.prepared, scene.assessment.piece
    parts = []
    if prepared.subject is not None:
        cell = GHOST_CELL_MM if piece.cut is None else TOUCHED_CELL_MM
        before = coarser(_above(prepared.subject, scene.view.floor_mm), cell_mm=cell)
        more = {} if piece.cut is None else {"_TIME_S": first_touched_s(before.vertices_mm, piece.cut)}
        parts.append(surface_part("before", before, more=more))
    if prepared.target is not None:
        target = coarser(_above(prepared.target, scene.view.floor_mm), cell_mm=GHOST_CELL_MM / 2)
        parts.append(surface_part("target", target))
    known = {**prepared.neighbours, **piece.neighbours}
    for side, surface in known.items():
        shown = coarser(_above(surface, scene.view.floor_mm), cell_mm=NEIGHBOUR_CELL_MM)
        parts.append(surface_part(f"neighbour {side}", shown, side=side, scanned=side in piece.neighbours))
    return parts


def _above(surface: Surface, floor_mm: float) -> Surface:
    """Without what lies well below the floor, where nothing is drawn."""
    kept = surface.vertices_mm[surface.faces, 2].max(axis=1) > floor_mm - BELOW_FLOOR_MM
    used, faces = np.unique(surface.faces[kept], return_inverse=True)
    return Surface(surface.vertices_mm[used], faces.reshape(-1, 3).astype(np.int32))


def _criterion(line: CriterionLine) -> dict[str, Any]:
    """A criterion as balloon, dimension and row of the spoken table."""
    witness = line.reading.witness
    shown = (
        {"kind": "", "plane": None}
        if witness is None
        else {"kind": witness.kind, "plane": witness.plane and witness.plane.name}
    )
    return {
        "number": line.number,
        "name": line.full_name,
        "state": line.state,
        "side": line.failed_side,
        "value": f"{line.value_text}{'°' if line.reading.unit == 'deg' else ''}",
        "expanded": line.expanded_text,
        "limits": line.limits_text,
        "ruling": line.ruling.ruling,
        "reason": line.reading.reason,
        "aloud": line.aloud,
        "spots_mm": [_mm(spot) for spot in witness_points(witness)[:MOST_SPOTS]],
        "witness": shown,
        "reading": [line.reading.id, line.reading.where, line.reading.stat],
    }


def _planes(scene: PieceScene, *, plain: bool) -> list[dict[str, Any]]:
    sign, tooth = scene.prepared.mesial_sign, scene.contents.has_tooth
    readings, lines = scene.assessment.readings, scene.contents.lines
    known = (
        plain_planes(readings, mesial_sign=sign, tooth=tooth)
        if plain
        else starting_planes(lines, readings, mesial_sign=sign, tooth=tooth)
    )
    return [_plane(p, mesial_sign=sign, tooth=tooth) for p in known]


def _plane(plane: SectionPlane, *, mesial_sign: int, tooth: bool) -> dict[str, Any]:
    ahead = way_words(np.cross(plane.across, plane.up), mesial_sign=mesial_sign, tooth=tooth)
    return {
        "name": plane.name,
        "origin_mm": _mm(plane.origin_mm),
        "across": [round(float(x), 9) for x in plane.across],
        "up": [round(float(x), 9) for x in plane.up],
        "ends": list(end_words(plane, mesial_sign=mesial_sign, tooth=tooth)),
        "towards": ahead,
    }


def _sites(scene: PieceScene) -> dict[str, list[float]]:
    """Where each named place of the exercise lies on the piece: the first point of it along the site's inward normal."""
    points = scene.assessment.piece.surface.vertices_mm
    found = {}
    for site in scene.prepared.sites:
        inward = site.inward.mean(axis=0) / max(float(np.linalg.norm(site.inward.mean(axis=0))), 1e-9)
        from_site = points - site.point_mm
        along = from_site @ inward
        near = np.linalg.norm(from_site - along[:, None] * inward, axis=1) < SITE_REACH_MM
        near &= along > -0.5
        if near.any():
            found[site.name] = _mm(points[near][np.argmin(along[near])])
    return found


def _questions(scene: PieceScene) -> dict[str, dict[str, str]]:
    """Where the eye belongs for each criterion, by number: a named site, or the letter of a side. Nothing measured."""
    sites = {site.name for site in scene.prepared.sites}
    found = {}
    for number, ruling in enumerate(scene.assessment.rulings, 1):
        where = ruling.where or ""
        side = next((letter for letter, word in VIEW_NAMES.items() if word in re.split(r"\W", where)), None)
        if where in sites:
            found[str(number)] = {"site": where}
        elif side is not None:
            found[str(number)] = {"side": side}
    return found


def _history(scene: PieceScene) -> dict[str, Any] | None:
    motion = scene.assessment.piece.motion
    if motion is None or scene.assessment.piece.cut is None:
        return None
    return {
        "lasted_s": float(motion.time_s[-1] - motion.time_s[0]),
        "drawing": painted(history_svg(scene.assessment, scene.removal, width=760.0, height=150.0), for_page=True),
        "plot_share": [44.0 / 760.0, 690.0 / 760.0],
        "events": [
            {
                "words": EVENT_WORDS[event.kind] + (f", {event.side}" if event.side else ""),
                "start_s": event.start_s,
                "point_mm": _mm(event.point_mm),
                "depth_mm": event.depth_mm,
            }
            for event in scene.assessment.events
        ],
    }


def _mm(point: FloatArray) -> list[float]:
    return [round(float(x), 5) for x in np.asarray(point).reshape(-1)]
