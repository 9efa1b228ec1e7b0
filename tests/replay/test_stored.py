"""A stored field is opened by the Zarr package and comes back bit for bit."""

from __future__ import annotations

import numpy as np
import pytest
import zarr

from kerfmark.errors import InputError
from kerfmark.instruments import instrument
from kerfmark.replay import replay, write_field

from .conftest import motion_of, wandering


@pytest.mark.parametrize("spacing", [0.1, 0.03])
def test_any_zarr_reader_gives_the_field_back(slab, tmp_path, spacing):
    # Source: the zarr package, by its own reading of Zarr 3.
    tip, orientation = wandering(60)
    field = replay(motion_of(tip, orientation), slab, instruments=[instrument("245")], spacing_mm=spacing)
    matrix = np.diag([1.0, -1.0, -1.0, 1.0])
    for _ in range(2):
        write_field(tmp_path / "cut.zarr", field, to_file=matrix)
    group = zarr.open_group(tmp_path / "cut.zarr", mode="r")
    for name in ("blocks", "distance_mm", "time_s"):
        np.testing.assert_array_equal(group[name][:], getattr(field, name))
    assert group.attrs["matrix"] == matrix.tolist()
    assert group.attrs["spacing_mm"] == spacing
    assert [p.name for p in tmp_path.iterdir()] == ["cut.zarr"]


def test_what_is_no_field_is_not_written_over(slab, tmp_path):
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "mine.txt").write_text("keep")
    field = replay(motion_of([[9.0, 9, 9]]), slab, instruments=[instrument("245")], spacing_mm=0.1)
    with pytest.raises(InputError, match="is no Zarr folder"):
        write_field(tmp_path / "notes", field, to_file=np.eye(4))
    assert (tmp_path / "notes" / "mine.txt").read_text() == "keep"
