"""A rig: the transform from what it records to the exercise's files, how sure that is, and where the tip sits."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from kerfmark.errors import InputError, printable
from kerfmark.records import FloatArray
from kerfmark.settings import Limits

__all__ = ["Rig", "read_rig"]

KEYS = ("matrix", "u_position_um", "u_angle_deg", "tip_mm", "axis")
NEEDED = ("matrix", "u_position_um", "u_angle_deg")
RIGID = 1e-3
LARGEST = 1e6


@dataclass(frozen=True, slots=True, eq=False)
class Rig:
    """A rig's record.

    Attributes
    ----------
    matrix : (4, 4) float array
        Rigid; carries recorded coordinates (mm) into those of the exercise's files.
    u_position_um, u_angle_deg : float
        Its standard uncertainties.
    tip_mm : (3,) float array
        The tip in the frame of the recorded body; zero where the tip itself is recorded.
    axis : (3,) float array
        Unit direction from the tip to the handle in that frame.
    """

    matrix: FloatArray
    u_position_um: float
    u_angle_deg: float
    tip_mm: FloatArray
    axis: FloatArray


def read_rig(path: Path, *, limits: Limits) -> Rig:
    """Read `rig.toml`.

    Raises
    ------
    InputError
        If it cannot be read, has an unknown key or lacks one, or the matrix is not rigid with determinant +1.
    """
    name = printable(path.name, limit=120)
    values = _toml(path, name=name, limits=limits)
    unknown = [key for key in values if key not in KEYS]
    if unknown:
        raise InputError(
            f"{name}: key '{printable(unknown[0], limit=40)}' is not known, expected {', '.join(KEYS)}. Correct it."
        )
    lacking = [key for key in NEEDED if key not in values]
    if lacking:
        raise InputError(f"{name}: has no {lacking[0]}, expected {', '.join(NEEDED)}. Add it.")
    axis = _numbers(values.get("axis", [0.0, 0.0, 1.0]), (3,), "axis", name=name)
    if np.linalg.norm(axis) < 1e-9:
        raise InputError(f"{name}: axis has no length, expected the direction from the tip to the handle. Correct it.")
    return Rig(
        matrix=_rigid(_numbers(values["matrix"], (4, 4), "matrix", name=name), name=name),
        u_position_um=_spread(values["u_position_um"], "u_position_um", name=name),
        u_angle_deg=_spread(values["u_angle_deg"], "u_angle_deg", name=name),
        tip_mm=_numbers(values.get("tip_mm", [0.0, 0.0, 0.0]), (3,), "tip_mm", name=name),
        axis=axis / np.linalg.norm(axis),
    )


def _toml(path: Path, *, name: str, limits: Limits) -> dict[str, Any]:
    try:
        with path.open("rb") as stream:
            data = stream.read(limits.toml_mib * 2**20 + 1)
        if len(data) > limits.toml_mib * 2**20:
            raise InputError(
                f"{name}: is larger than limits.toml_mib = {limits.toml_mib} MiB, expected a rig's record."
            )
        return tomllib.loads(data.decode("utf-8-sig"))
    except OSError as error:
        raise InputError(
            f"{name}: cannot be read ({printable(error.strerror or error, limit=80)}), expected a rig's record. Check its path."
        ) from error
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise InputError(
            f"{name}: is not TOML ({printable(str(error).splitlines()[0] if str(error) else error, limit=80)}), expected matrix, "
            "u_position_um and u_angle_deg. Correct it."
        ) from error


def _numbers(value: object, shape: tuple[int, ...], key: str, *, name: str) -> FloatArray:
    """An array of finite numbers of the right shape."""
    try:
        array = np.array(value, dtype=object)
        plain = all(isinstance(v, int | float) and not isinstance(v, bool) for v in array.ravel())
        numbers = array.astype(float) if plain and array.shape == shape else None
    except (ValueError, OverflowError, TypeError):
        numbers = None
    if numbers is None or not np.isfinite(numbers).all() or np.abs(numbers).max() > LARGEST:
        size = " × ".join(str(n) for n in shape)
        raise InputError(
            f"{name}: {key} is {printable(value, limit=60)}, expected {size} finite numbers (mm). Correct it."
        )
    return numbers


def _rigid(matrix: FloatArray, *, name: str) -> FloatArray:
    """The matrix with its rotation made exact; refused where it is none."""
    turn = matrix[:3, :3]
    if not np.allclose(matrix[3], [0.0, 0.0, 0.0, 1.0], atol=1e-9):
        raise InputError(
            f"{name}: the last row of matrix is {matrix[3].tolist()}, expected [0, 0, 0, 1]: rows first, acting on columns."
        )
    if not np.allclose(turn @ turn.T, np.eye(3), atol=RIGID):
        raise InputError(
            f"{name}: matrix stretches or shears by up to {np.abs(turn @ turn.T - np.eye(3)).max():.3g}, expected a rigid transform in mm. "
            "Give rotation and translation only."
        )
    left, _, right = np.linalg.svd(turn)
    if np.linalg.det(turn) < 0.0:
        raise InputError(f"{name}: matrix has determinant −1 (a mirror image), expected +1. Check its axes.")
    exact = matrix.copy()
    exact[:3, :3] = left @ right
    return exact


def _spread(value: object, key: str, *, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= LARGEST:
        raise InputError(
            f"{name}: {key} is {printable(value, limit=40)}, expected a number that is 0 or more. Correct it."
        )
    return float(value)
