"""Pieces with known answers; the phantoms are those of the accuracy table."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))


@pytest.fixture(scope="session")
def blocks():
    """Cut blocks by name."""
    import block_phantoms

    return block_phantoms.blanks()


@pytest.fixture(scope="session")
def grooves():
    """Cut lines by name."""
    import line_phantoms

    return line_phantoms.blanks()


@pytest.fixture(scope="session")
def scan():
    """`scan(blank, noise_um=10, seed=1, …)` gives a piece."""

    def scanned(blank, *, noise_um=0.0, seed=1, **other):
        return blank.piece(np.random.default_rng(seed), noise_um=noise_um, **other)

    return scanned


@pytest.fixture(scope="session")
def take():
    """`take(blank, piece)` gives the readings by key."""
    from kerfmark.measurement import measure

    def taken(prepared, piece, **other):
        return {r.key: r for r in measure(piece, prepared, **other)}

    return taken
