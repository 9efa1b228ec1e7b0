"""How arrays reach the kernels: contiguous, of one type and read-only, so that each kernel is compiled once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

__all__ = ["read_only"]


def read_only(array: Any, dtype: DTypeLike) -> NDArray[Any]:
    """`array` as a plain, contiguous, read-only view (a copy only where type or layout ask for one).

    Memory-mapped arrays are read-only and ordinary ones are not; the compiler would build every kernel twice.
    """
    view = np.ascontiguousarray(array, dtype=dtype).view(np.ndarray)[...]
    view.flags.writeable = False
    return view
