"""What is cut right through is open, whoever looks; what a plan takes right through belongs to it."""

from types import SimpleNamespace

import numpy as np
import pytest
from block_phantoms import BLOCK, Blank

from kerfmark.geometry.columns import crossings, lattice_over
from kerfmark.geometry.solids import Solid, difference
from kerfmark.measurement.surface.overlap import opening_of, overlap_reading, planned_through


def test_a_pocket_that_goes_clean_through_is_as_open_as_one_with_a_floor(blocks, scan, take):
    # Of a cavity cut out of the back of a tooth as well, only its bevel once counted as open: 0.06 for 0.8.
    blank = blocks["as planned"]
    low, high = (
        np.array(blank.prepared.outline)[:, :2].min(axis=0),
        np.array(blank.prepared.outline)[:, :2].max(axis=0),
    )
    pocket = Solid.box([*low, -2.0], [*high, 1.0])
    through = Solid.box([*(low + 0.3), -9.0], [*(high - 0.3), 1.0])
    pieces = [difference(BLOCK, pocket), difference(BLOCK, pocket, through)]
    closed, holed = (scan(Blank(blank.prepared, piece, {}), noise_um=10.0) for piece in pieces)
    key = ("block.outline_overlap", None, None)
    assert take(blank.prepared, holed)[key].value == pytest.approx(take(blank.prepared, closed)[key].value, abs=0.01)


def test_a_corner_that_the_plan_takes_off_counts_on_both_sides():
    # A plate 6 by 4 with a corner of 2 by 2 to be taken off, its outline a strip of 0.5 about that corner. Cut: 3 by 2.
    # Planned 2.5 · 2.5 = 6.25 mm², cut 6, shared 2.5 · 2: Dice 2 · 5 / 12.25.
    plate, plan, cut = (
        difference(Solid.box([0, 0, 0], [6, 4, 1]), Solid.box([6.0 - x, 4.0 - y, -1], [9, 9, 2]))
        for x, y in ((0.0, 0.0), (2.0, 2.0), (3.0, 2.0))
    )
    lattice = lattice_over(np.array([[-1.0, -1, 0], [7, 5, 1]]))
    columns = [crossings(s.surface(), lattice) for s in (plate, plan, cut)]
    gone = np.zeros((1, 4, lattice.columns), np.float32)
    gone[0, 1] = (np.diff(columns[0].starts) > 0) & (np.diff(columns[2].starts) == 0)
    bench = SimpleNamespace(
        lattice=lattice, subject_columns=columns[0], target_columns=columns[1], piece_columns=columns[2], least_mm=0.03,
        removal=SimpleNamespace(length_mm=gone, filled=np.zeros(lattice.columns, bool)),
        piece=SimpleNamespace(alignment=SimpleNamespace(covariance=np.zeros((6, 6))), noise_um=1.0, trueness_um=0.0),
    )  # fmt: skip
    strip = np.array(
        [[3.5, 1.5, 1], [6, 1.5, 1], [6, 2, 1], [4, 2, 1], [4, 4, 1], [3.5, 4, 1]], float
    )  # round the corner, not over it
    opening, through = opening_of(bench), planned_through(bench)
    assert float(opening.sum()) * lattice.cell_mm2 == pytest.approx(6.0, abs=0.05)
    assert float(through.sum()) * lattice.cell_mm2 == pytest.approx(4.0, abs=0.05)
    found = overlap_reading("cavity.outline_overlap", bench, (strip,), opening, through=through)
    assert found.value == pytest.approx(2.0 * 5.0 / 12.25, abs=0.01)
    # The strip alone: 2.25 mm², shared 0.5 · 2.
    alone = overlap_reading("cavity.outline_overlap", bench, (strip,), opening)
    assert alone.value == pytest.approx(2.0 * 1.0 / 8.25, abs=0.01)
