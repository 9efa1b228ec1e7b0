"""A recorded motion made into a piece: what it cut from the subject and from the neighbours, ready to be measured like a scan."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.errors import InputError, printable
from kerfmark.exercise.prepared import Prepared
from kerfmark.exercise.tables import Source
from kerfmark.geometry.edges import components
from kerfmark.geometry.mesh import submesh, volume_mm3
from kerfmark.instruments import Instrument, instrument
from kerfmark.intake.motions import Rig, read_motion, read_rig
from kerfmark.records import Alignment, CutField, Grid, Motion, Piece, Remark, Surface
from kerfmark.replay import cut_surface, replay
from kerfmark.settings import Limits

__all__ = ["GRID_UM_LIMITS", "Recorded", "check_grid_um", "piece_of", "read_recorded", "tools_held"]

GRID_UM_LIMITS = (5.0, 1000.0)
CURVED_MM = 0.5
"""A surface read off a grid of spacing s errs by s² / 8r where it is curved with radius r; half a millimetre is a small head's."""
BELOW_CUT_MM = 3.0
"""How much of a root below the cut is kept: what a scan would show, and more than any reading looks at."""
LEAST_LOOSE_MM3 = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """A motion read, and the rig it was carried into the exercise by (None: it stands in the exercise's own frame)."""

    motion: Motion
    rig: Rig | None


def read_recorded(path: Path, prepared: Prepared, *, rig: Path | None, limits: Limits) -> Recorded:
    """Read a motion of an exercise.

    Raises
    ------
    InputError
        If the motion or the rig is not valid, or the exercise has no subject to cut.
    """
    if prepared.subject is None:
        raise InputError(
            f"exercise {prepared.exercise.id} has no subject surface, expected one to cut. Add subject.surface."
        )
    record = None if rig is None else read_rig(rig, limits=limits)
    return Recorded(read_motion(path, prepared.exercise, record, limits=limits), record)


def piece_of(
    recorded: Recorded,
    prepared: Prepared,
    *,
    source: Source,
    grid_um: float = 50.0,
    threads: int = 2,
    name: str = "motion",
    cut: CutField | None = None,
    progress: Callable[[float], None] = lambda _share: None,
) -> Piece:
    """What a motion cut, in the tooth frame.

    The recording's noise does not scatter from point to point: a pose that is off moves all that the head cuts there. Noise and
    trueness together are an error of the tool's place, half of its variance common to the whole piece (a shift, in the
    alignment) and half changing over it (trueness); only the grid's own error is noise of single points.
    Its alignment is the rig's transform with its stated uncertainty; nothing is fitted. The surface is the subject's
    and the swept head's together, by marching cubes on a grid of `grid_um`.

    Parameters
    ----------
    recorded : Recorded
    prepared : Prepared
    source : Source
        Noise and trueness of a surface point.
    grid_um : float
        Between voxels, 5 to 1000 µm.
    threads : int
    name : str
        What remarks call the file.
    cut : CutField, optional
        What the motion cut from the subject, where that is known already; replayed when left out.
    progress : callable, optional
        Called with the share of the replay done.

    Returns
    -------
    piece : Piece
        With its motion, the cut it made, and every neighbour as it was left.

    Raises
    ------
    InputError
        If `grid_um` is out of bounds.
    """
    check_grid_um(grid_um)
    motion, tools = recorded.motion, tools_held(recorded.motion, prepared)

    def swept(body: Grid, report: Callable[[float], None]) -> CutField:
        return replay(motion, body, instruments=tools, spacing_mm=grid_um / 1000.0, threads=threads, progress=report)

    cut = cut or swept(prepared.subject_grid, progress)
    cuts = {side: swept(grid, lambda _share: None) for side, grid in prepared.neighbour_grids.items()}
    surface, loose = _standing(cut_surface(cut, prepared.subject_grid).surface, prepared, cut)
    left = {
        side: _as_left(field, prepared.neighbour_grids[side], prepared.neighbours[side]) for side, field in cuts.items()
    }
    half_um = math.hypot(source.noise_um, source.trueness_um) / math.sqrt(2.0)
    return Piece(
        kind="motion",
        sha256=motion.sha256,
        surface=surface,
        alignment=_alignment(recorded, common_um=half_um),
        noise_um=1e-3 * grid_um**2 / (8.0 * CURVED_MM),
        trueness_um=half_um,
        neighbours=left,
        remarks=(*_remarks(motion, cut, prepared, name=name), *_loose_remark(loose, name)),
        motion=motion,
        cut=cut,
        neighbour_cuts=cuts,
    )


def check_grid_um(grid_um: float) -> None:
    """Refuse a grid that is too fine or too coarse."""
    if not GRID_UM_LIMITS[0] <= grid_um <= GRID_UM_LIMITS[1]:
        raise InputError(
            f"grid is {grid_um:g} µm, expected {GRID_UM_LIMITS[0]:g} to {GRID_UM_LIMITS[1]:g} µm. Choose one in between."
        )


def tools_held(motion: Motion, prepared: Prepared) -> list[Instrument]:
    """The instruments of a motion, in its order, the exercise's own ones first."""
    own: Mapping[str, ArrayLike] = {entry.name: entry.profile_mm for entry in prepared.exercise.instruments}
    return [instrument(name, own=own) for name in motion.instruments]


def _as_left(field: CutField, body: Grid, surface: Surface) -> Surface:
    """A neighbour as the tool left it; its own surface where nothing was cut from it."""
    touched = field.distance_mm.size > 0 and bool((field.distance_mm < 0.0).any())
    return cut_surface(field, body).surface if touched else surface


def _standing(surface: Surface, prepared: Prepared, cut: CutField) -> tuple[Surface, float]:
    """What is left standing: the largest part, of a tooth without the root far below the cut; and mm³ that fell off.

    What the sweep parted from the body on all sides has nothing to hold it.
    """
    parts = components(surface)
    body = parts[0] if len(parts) > 1 else surface
    loose = sum(volume_mm3(part) for part in parts[1:])
    if prepared.exercise.tooth is None or not (cut.distance_mm <= 0.0).any():
        return body, loose
    edge = cut.distance_mm.shape[1]
    touched = cut.blocks[(cut.distance_mm <= 0.0).any(axis=(1, 2, 3))]
    lowest = cut.origin_mm[2] + cut.spacing_mm * edge * float(touched[:, 2].min()) - BELOW_CUT_MM
    heights = body.vertices_mm[body.faces, 2].min(axis=1)
    return submesh(body, heights > lowest), loose


def _loose_remark(loose: float, name: str) -> tuple[Remark, ...]:
    if loose < LEAST_LOOSE_MM3:
        return ()
    words = f"{loose:.2f} mm³ were cut off on all sides without being swept away; they count as removed"
    return (Remark("fell-off", printable(name, limit=120), words),)


def _alignment(recorded: Recorded, *, common_um: float) -> Alignment:
    motion = recorded.motion
    turn, shift = math.radians(motion.u_angle_deg), math.hypot(motion.u_position_um, common_um) / 1000.0
    matrix = np.eye(4) if recorded.rig is None else recorded.rig.matrix
    return Alignment(matrix, 0.0, 1.0, np.diag([turn**2] * 3 + [shift**2] * 3), 0)


def _remarks(motion: Motion, cut: CutField, prepared: Prepared, *, name: str) -> tuple[Remark, ...]:
    shown, found = printable(name, limit=120), list[Remark]()
    if not (cut.distance_mm <= 0.0).any():
        words = "the tool cut nothing of the subject; check its coordinates, its unit (mm) and the rig"
        found.append(Remark("nothing-cut", shown, words))
    for contact in cut.contacts[:3]:
        words = f"the shank stood in material from {contact.start_s:.2f} to {contact.end_s:.2f} s, up to {contact.depth_mm:.2f} mm deep; it does not cut"
        found.append(Remark("shank-contact", shown, words))
    limit, lasted = prepared.exercise.permitted.time_limit_s, float(motion.time_s[-1] - motion.time_s[0])
    if limit is not None and lasted > limit:
        found.append(Remark("over-time", shown, f"took {lasted:.0f} s, the exercise permits {limit:.0f} s"))
    return tuple(found)
