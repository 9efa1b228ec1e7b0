"""Phantoms of the accuracy table, opened once for all tests of this folder."""

import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))

import access_phantoms as phantoms

from kerfmark.measurement.access import ACCESS
from kerfmark.measurement.access.opened import Opened


@lru_cache(maxsize=8)
def _prepared(target: bool, pulp: bool):
    return phantoms.prepared(target=target, pulp_known=pulp)


@lru_cache(maxsize=8)
def _blank(access: phantoms.Access) -> phantoms.Blank:
    return phantoms.Blank(access, 0.16)


@pytest.fixture(scope="session")
def take() -> Callable[..., dict]:
    """Readings by key of an opened phantom, or of a surface."""

    def taken(access, *, noise_um=0.0, seed=1, ids=None, target=True, pulp=True, change=None):
        piece = _blank(access).piece(np.random.default_rng(seed), noise_um=noise_um)
        if change is not None:
            piece = change(piece)
        case = Opened(piece, _prepared(target, pulp))
        return {r.key: r for m in ACCESS if ids is None or m.id in ids for r in m.function(case)}

    return taken
