"""A recorded motion from a file: read, judged, carried into the tooth frame."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise, tooth_frame
from kerfmark.geometry.frames import transform_directions, transform_points
from kerfmark.intake.motions.checking import Poses, Rows, poses_of, sound_rows, spans
from kerfmark.intake.motions.columns import GROUPS, POSE, SIMULATED, Table
from kerfmark.intake.motions.content import MAGIC, bytes_of
from kerfmark.intake.motions.rig import Rig, read_rig
from kerfmark.intake.motions.stretches import stretches_of
from kerfmark.intake.motions.tools import tools_of
from kerfmark.intake.motions.turning import product, quaternion_of, shortest_turn, turned, turned_by
from kerfmark.records import FloatArray, Motion, Remark
from kerfmark.settings import Limits

__all__ = ["Sampling", "read_motion", "sampling"]

SUFFIXES = {".parquet": "Parquet", ".csv": "CSV", ".tsv": "CSV"} | dict.fromkeys(
    (".stl", ".ply", ".obj", ".3mf", ".glb"), "a surface"
)
"""What a suffix says that a file holds."""


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a motion was sampled: samples a second at the median step, and the spread of the steps.

    `jitter` is half the range from the 5th to the 95th percentile over the median, gaps (three steps and more) left out.
    """

    rate_hz: float
    jitter: float
    longest_s: float


def read_motion(
    path: Path, exercise: Exercise, rig: Path | Rig | None = None, *, limits: Limits | None = None
) -> Motion:
    """A recorded motion, checked, in the tooth frame.

    Parameters
    ----------
    path : path
        Parquet or CSV; the content decides. Coordinates in mm, in the exercise's files' frame or, with a rig, in the rig's.
    exercise : Exercise
        Its frame, and the instruments it names.
    rig : path or Rig, optional
        `rig.toml`, or one already read.
    limits : Limits, optional

    Returns
    -------
    motion : Motion
        What was mended, left off or not cut through stands in its remarks.

    Raises
    ------
    InputError
        If the file is not a motion, is damaged elsewhere than at its end, or breaks a rule of `docs/motion.md`.
    """
    path, limits = Path(path), limits or Limits()
    name = printable(path.name, limit=120)
    record = read_rig(rig, limits=limits) if isinstance(rig, Path | str) else rig
    data = bytes_of(path, name=name, limits=limits)
    is_parquet = data.startswith(MAGIC)
    table = _table(data, is_parquet=is_parquet, name=name, limits=limits)
    rows = sound_rows(table, name=name)
    poses = poses_of(rows, POSE, what="tool", name=name)
    if not poses.seen.any():
        raise InputError(
            f"{name}: none of its {len(poses.seen)} rows has a pose, expected at least one. Check the export."
        )
    motion = _motion(rows, poses, exercise, record, name=name, sha256=hashlib.sha256(data).hexdigest())
    if SIMULATED.encode("ascii") in data:
        motion = _with_remark(motion, Remark("simulated", name, "says of itself that it is simulated: nobody cut it"))
    suffix, other = path.suffix.lower(), "Parquet" if is_parquet else "CSV"
    if SUFFIXES.get(suffix, other) != other:
        differs = Remark("suffix-differs", name, f"holds {other}, not what its suffix says; read as what it holds")
        return _with_remark(motion, differs)
    return motion


def _table(data: bytes, *, is_parquet: bool, name: str, limits: Limits) -> Table:
    """The rows; the table library is loaded only when there is a motion to read."""
    if is_parquet:
        from kerfmark.intake.motions.parquet import read_parquet

        return read_parquet(data, name=name, limits=limits)
    from kerfmark.intake.motions.text import read_text

    return read_text(data, name=name, limits=limits)


def sampling(motion: Motion) -> Sampling:
    """How evenly a motion was sampled; a single sample has rate 0."""
    step = np.diff(motion.time_s)
    if not len(step):
        return Sampling(0.0, 0.0, 0.0)
    typical = float(np.median(step))
    low, high = np.percentile(step[step < 3.0 * typical], [5.0, 95.0])
    return Sampling(1.0 / typical, float(0.5 * (high - low) / typical), float(step.max()))


def _motion(rows: Rows, poses: Poses, exercise: Exercise, rig: Rig | None, *, name: str, sha256: str) -> Motion:
    tools = tools_of(rows, exercise, name=name)
    matrix = tooth_frame(exercise.frame) @ (np.eye(4) if rig is None else rig.matrix)
    kept = np.flatnonzero(poses.seen)
    time_s = rows.table.numbers["time_s"][kept]
    tip, orientation = _in_tooth_frame(poses.position_mm[kept], poses.orientation[kept], matrix, rig)
    lost_before = np.r_[kept[0] > 0, np.diff(kept) > 1]
    stretches = stretches_of(
        time_s, tip, orientation, held=tools.held[kept], tools=tools.tools, lost_before=lost_before, name=name
    )
    cutting, spindle_remarks = _cutting(rows, kept, name=name)
    mirror, head = (_followed(rows, kept, matrix, group, name=name) for group in ("mirror", "head"))
    return Motion(
        time_s=time_s,
        tip_mm=tip,
        orientation=orientation,
        joined=stretches.joined,
        cutting=cutting,
        instrument=tools.held[kept],
        instruments=tools.names,
        force_n=_force(rows, kept, matrix),
        mirror=mirror[0],
        head=head[0],
        unseen_s=stretches.unseen_s,
        u_position_um=0.0 if rig is None else rig.u_position_um,
        u_angle_deg=0.0 if rig is None else rig.u_angle_deg,
        sha256=sha256,
        remarks=(
            *rows.remarks, *poses.remarks, *_lost(rows, poses, name=name), *stretches.remarks, *spindle_remarks,
            *mirror[1], *head[1], *tools.remarks,
        ),
    )  # fmt: skip


def _in_tooth_frame(
    position: FloatArray, orientation: FloatArray, matrix: FloatArray, rig: Rig | None
) -> tuple[FloatArray, FloatArray]:
    """Tips and orientations of the instrument, from those of the recorded body."""
    if rig is not None:
        position = position + turned(orientation, np.broadcast_to(rig.tip_mm, position.shape))
        orientation = product(orientation, shortest_turn(rig.axis))
    return transform_points(matrix, position), turned_by(quaternion_of(matrix[:3, :3]), orientation)


def _lost(rows: Rows, poses: Poses, *, name: str) -> tuple[Remark, ...]:
    """Said where rows have no pose: how many, and when."""
    lost = ~poses.seen
    if not lost.any():
        return ()
    time_s = rows.table.numbers["time_s"]
    edges = np.flatnonzero(np.diff(np.r_[False, lost, False].astype(np.int8)))
    pairs = np.stack([time_s[edges[::2]], time_s[edges[1::2] - 1]], axis=1)
    count = int(lost.sum())
    words = (
        f"{count} {'row has' if count == 1 else 'rows have'} no pose (blank, NaN or a zero quaternion): {spans(pairs)}"
    )
    return (Remark("sight-lost", name, words),)


def _cutting(rows: Rows, kept: np.ndarray, *, name: str) -> tuple[np.ndarray, tuple[Remark, ...]]:
    """Where the spindle turns forwards; everywhere where it was not recorded."""
    spindle = rows.table.numbers.get("spindle_rpm")
    if spindle is None:
        return np.ones(len(kept), dtype=bool), ()
    spindle, remarks = spindle[kept], list[Remark]()
    backwards, blank = int((spindle < 0.0).sum()), int(np.isnan(spindle).sum())
    if backwards:
        words = f"the spindle turns backwards in {backwards} of {len(kept)} samples; these do not cut"
        remarks.append(Remark("spindle-backwards", name, words))
    if blank:
        words = f"spindle_rpm is blank in {blank} of {len(kept)} samples; these do not cut"
        remarks.append(Remark("spindle-blank", name, words))
    return spindle > 0.0, tuple(remarks)


def _force(rows: Rows, kept: np.ndarray, matrix: FloatArray) -> FloatArray | None:
    columns = GROUPS["force"]
    if columns[0] not in rows.table.numbers:
        return None
    force = np.stack([rows.table.numbers[c][kept] for c in columns], axis=1)
    force[~np.isfinite(force).all(axis=1)] = np.nan
    return transform_directions(matrix, force)


def _followed(
    rows: Rows, kept: np.ndarray, matrix: FloatArray, group: str, *, name: str
) -> tuple[FloatArray | None, tuple[Remark, ...]]:
    """Mirror or head in the tooth frame, NaN where not seen."""
    columns = GROUPS[group]
    if columns[0] not in rows.table.numbers:
        return None, ()
    poses = poses_of(rows, columns, what=group, name=name)
    position = transform_points(matrix, poses.position_mm[kept])
    return np.concatenate(
        [position, turned_by(quaternion_of(matrix[:3, :3]), poses.orientation[kept])], axis=1
    ), poses.remarks


def _with_remark(motion: Motion, remark: Remark) -> Motion:
    from dataclasses import replace

    return replace(motion, remarks=(remark, *motion.remarks))
