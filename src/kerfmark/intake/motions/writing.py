"""A motion written as Parquet or CSV, in the exercise's files' frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.exercise.definition import Exercise, tooth_frame
from kerfmark.geometry.frames import rigid_inverse, transform_directions, transform_points
from kerfmark.intake.motions.columns import GROUPS, INSTRUMENT, RECORDING, SIMULATED
from kerfmark.intake.motions.turning import product, quaternion_of
from kerfmark.records import FloatArray, Motion

__all__ = ["write_motion"]

FORWARDS_RPM = 200_000.0


def write_motion(path: Path, motion: Motion, exercise: Exercise, *, simulated: bool = False) -> None:
    """Write a motion so that `read_motion` gives it back.

    Parameters
    ----------
    path : path
        `.parquet` or `.csv`.
    motion : Motion
        Where nothing cuts anywhere or everything does is written as a spindle of 0 or 200,000 turns a minute.
    exercise : Exercise
        Whose files' frame it is written in.
    simulated : bool
        Say in a column of its own that nobody made this motion.

    Raises
    ------
    InputError
        If the suffix is another, or the file cannot be written.
    """
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    from kerfmark.intake.motions.surviving import write_surviving

    suffix = path.suffix.lower()
    if suffix not in (".parquet", ".csv"):
        raise InputError(
            f"{printable(path.name)}: ends in '{printable(suffix)}', expected .parquet or .csv. Name it so."
        )
    table = pa.table(_columns(motion, rigid_inverse(tooth_frame(exercise.frame))))
    if simulated:
        table = table.append_column(SIMULATED, pa.array(np.ones(len(motion.time_s), dtype=np.int8)))
    try:
        if suffix == ".parquet":
            write_surviving(table, path)
        else:
            arrow_csv.write_csv(table, path, arrow_csv.WriteOptions(quoting_style="needed"))
    except OSError as error:
        raise InputError(
            f"{printable(path)}: cannot be written ({printable(error.strerror or error, limit=80)}), expected a place to write to. "
            "Name another."
        ) from error


def _columns(motion: Motion, matrix: FloatArray) -> dict[str, object]:
    poses = np.concatenate([motion.tip_mm, motion.orientation], axis=1)
    import pyarrow as pa

    columns: dict[str, object] = {"time_s": motion.time_s}
    columns |= dict(zip(RECORDING[1:], _carried(poses, matrix).T, strict=True))
    columns["spindle_rpm"] = np.where(motion.cutting, FORWARDS_RPM, 0.0)
    if motion.force_n is not None:
        columns |= dict(zip(GROUPS["force"], transform_directions(matrix, motion.force_n).T, strict=True))
    names = np.asarray(motion.instruments, dtype=object)
    columns[INSTRUMENT] = pa.DictionaryArray.from_arrays(pa.array(motion.instrument, pa.int32()), pa.array(list(names)))
    for group, followed in (("mirror", motion.mirror), ("head", motion.head)):
        if followed is not None:
            columns |= dict(zip(GROUPS[group], _carried(followed, matrix).T, strict=True))
    return columns


def _carried(poses: FloatArray, matrix: FloatArray) -> FloatArray:
    turn = quaternion_of(matrix[:3, :3])
    return np.concatenate([transform_points(matrix, poses[:, :3]), product(turn, poses[:, 3:])], axis=1)
