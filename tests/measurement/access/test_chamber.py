"""What counts as roof, column by column, on crossings written down."""

from types import SimpleNamespace

import numpy as np

from kerfmark.geometry.columns import Crossings
from kerfmark.measurement.access.chamber import _over_canal, _roofed


def columns(*found):
    """Crossings of one column each, as (height, facing up) from the top down."""
    starts = np.concatenate([[0], np.cumsum([len(f) for f in found])])
    heights, upward = [np.array([entry[k] for f in found for entry in f]) for k in (0, 1)]
    return Crossings(starts.astype(np.int64), heights.astype(float), upward.astype(bool))


def along(*found, ceiling=1.0):
    return SimpleNamespace(
        piece_columns=columns(*found), pulp_columns=SimpleNamespace(top=np.full(len(found), ceiling))
    )


def test_noise_on_a_plumb_wall_is_no_roof_and_tooth_over_the_ceiling_is():
    floor = (-1.0, True)
    bump, ledge_from_above = [(4.10, True), (4.02, False), floor], [(6.0, True)]
    closed_ledge, overhang = [(6.0, True), (1.0, False), floor], [(7.0, True), (6.2, False), floor]
    thin_ledge, open_to_the_floor = [(1.15, True), (1.0, False), floor], [floor]
    case = along(bump, ledge_from_above, closed_ledge, overhang, thin_ledge, open_to_the_floor)
    assert _roofed(case, 0.03).tolist() == [False, True, True, True, True, False]


def test_a_column_that_meets_nothing_looks_into_a_canal_only_where_the_pulp_runs_on_below_the_orifices():
    case = SimpleNamespace(chamber_bottom=np.array([-6.0, -0.1, np.nan]), floor_mm=0.0)
    assert _over_canal(case).tolist() == [True, False, False]
