"""Tables of a motion and files of them, for the tests beside this file."""

from __future__ import annotations

from pathlib import Path

import numpy as np

COLUMNS = ("time_s", "x_mm", "y_mm", "z_mm", "qw", "qx", "qy", "qz")


def rows(count: int = 50, *, rate_hz: float = 1000.0) -> np.ndarray:
    """A tool that stands upright and moves along x at 10 mm/s."""
    time = np.arange(count) / rate_hz
    table = np.zeros((count, 8))
    table[:, 0], table[:, 1], table[:, 4] = time, 1.0 + 10.0 * time, 1.0
    return table


def as_csv(table: np.ndarray, *, columns=COLUMNS, separator: str = ",", point: str = ".") -> str:
    lines = [separator.join(columns)]
    lines += [separator.join(repr(float(v)).replace("nan", "").replace(".", point) for v in row) for row in table]
    return "\n".join(lines) + "\n"


def saved(folder: Path, text: str | bytes, name: str = "motion.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path
