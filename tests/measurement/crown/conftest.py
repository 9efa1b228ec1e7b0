"""Phantoms of the accuracy table, made once for all tests of this folder."""

import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[3] / "benchmarks"))

import crown_phantoms as phantoms

STILL = np.zeros((6, 6))


@lru_cache(maxsize=16)
def _blank(design: phantoms.Design, mesial_sign: int, edge_mm: float) -> phantoms.Blank:
    return phantoms.blank(design, mesial_sign=mesial_sign, edge_mm=edge_mm, even=False)


@pytest.fixture(scope="session")
def scan() -> Callable[..., tuple]:
    """Scan a design: (piece, prepared, truth)."""

    def made(design, *, noise_um=0.0, seed=1, mesial_sign=1, covariance=STILL, edge_mm=0.13):
        blank = _blank(design, mesial_sign, edge_mm)
        rng = np.random.default_rng(seed)
        piece = blank.piece(rng, noise_um=noise_um, trueness_um=0.0, covariance=covariance)
        return piece, blank.prepared, blank.truth

    return made
