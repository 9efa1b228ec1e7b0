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


def along(*found, ceiling=1.0, spacing_mm=0.05):
    return SimpleNamespace(
        piece_columns=columns(*found),
        pulp_columns=SimpleNamespace(top=np.full(len(found), ceiling)),
        lattice=SimpleNamespace(nx=len(found), ny=1, spacing_mm=spacing_mm),
    )


FLOOR = (-1.0, True)


def test_noise_on_a_plumb_wall_is_no_roof_and_tooth_over_the_ceiling_is():
    bump, ledge_from_above = [(4.10, True), (4.02, False), FLOOR], [(6.0, True)]
    closed_ledge, overhang = [(6.0, True), (1.0, False), FLOOR], [(7.0, True), (6.2, False), FLOOR]
    thin_ledge, open_to_the_floor = [(1.15, True), (1.0, False), FLOOR], [FLOOR]
    kinds = [bump, ledge_from_above, closed_ledge, overhang, thin_ledge, open_to_the_floor]
    stretches = [column for kind in kinds for column in [kind] * 12]  # wide enough that none stands beside another kind
    found = np.reshape(_roofed(along(*stretches), 0.03), (6, 12))[:, 4:8]
    assert found.all(axis=1).tolist() == [False, True, True, True, True, False]
    assert found.any(axis=1).tolist() == [False, True, True, True, True, False]


def test_a_plumb_wall_ends_where_half_of_its_height_is_tooth():
    # A wall 6 mm high whose noise of 10 µm stands out over it: by normal distribution a fifth of its height does 8.4 µm out
    # of it, and three quarters do 6.7 µm inside.
    whole, inside = [(7.0, True)], [(7.0, True), (2.5, False), FLOOR]
    outside = [(4.0, True), (2.8, False), FLOOR]
    found = _roofed(along(whole, inside, outside, [FLOOR]), 0.03)
    assert found.tolist() == [True, True, False, False]


def test_a_column_that_meets_nothing_looks_into_a_canal_only_where_the_pulp_runs_on_below_the_orifices():
    case = SimpleNamespace(chamber_bottom=np.array([-6.0, -0.1, np.nan]), floor_mm=0.0)
    assert _over_canal(case).tolist() == [True, False, False]
