"""A Parquet motion with a front: whatever is cut off or changed, what is taken is what was written."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from motion_rows import COLUMNS, rows
from pyarrow import parquet

from kerfmark.errors import InputError
from kerfmark.intake.motions import read_motion
from kerfmark.intake.motions.pages import page_at
from kerfmark.intake.motions.surviving import START, columns_at_front, write_surviving

GROUP, ROWS = 40, 130
TOOLS = ("round 1.0", "chamfer diamond 0.8 to 1.2")


@pytest.fixture
def written(tmp_path, monkeypatch):
    """A motion of 130 rows in groups of 40 that changes its instrument twice, its table and its bytes."""
    monkeypatch.setattr("kerfmark.intake.motions.surviving.GROUP_ROWS", GROUP)
    values = rows(ROWS)
    values[:, 2] = np.random.default_rng(1).normal(0.0, 0.01, ROWS).cumsum()
    held = pa.array([TOOLS[n] for n in (np.arange(ROWS) // 35) % 2]).dictionary_encode()
    table = pa.table(
        {name: values[:, n] for n, name in enumerate(COLUMNS)} | {"instrument": held, "note": np.arange(ROWS)}
    )
    path = tmp_path / "motion.parquet"
    write_surviving(table, path)
    return path, table, path.read_bytes()


def taken(path, data, exercise):
    """The motion, or None where the file is refused in one sentence."""
    path.write_bytes(data)
    refused = ""
    try:
        return read_motion(path, exercise)
    except InputError as error:
        refused = str(error)
    assert path.name in refused
    assert "\n" not in refused
    return None


def check_as_written(motion, whole):
    count = len(motion.time_s)
    for name in ("time_s", "tip_mm", "orientation"):
        np.testing.assert_array_equal(getattr(motion, name), getattr(whole, name)[:count])
    names, first = np.array(motion.instruments), np.array(whole.instruments)
    np.testing.assert_array_equal(names[motion.instrument], first[whole.instrument[:count]])


def test_other_readers_read_it_as_any_other_file(written):
    # Source: the Parquet library, which finds pages by their places.
    path, table, _ = written
    read = parquet.read_table(path)
    assert read.num_rows == ROWS
    for name in table.column_names:
        assert read.column(name).to_pylist() == table.column(name).to_pylist()


def test_pages_are_found_where_the_end_of_the_file_says_they_are(written):
    # Source: the Parquet library's own account of the file.
    path, _, data = written
    at = START
    stored = parquet.ParquetFile(path).metadata
    for g in range(stored.num_row_groups):
        for c in range(stored.num_columns):
            column = stored.row_group(g).column(c)
            page = page_at(memoryview(data), at)
            assert (at, page.values) == (column.data_page_offset, column.num_values)
            assert page.end - at == column.total_compressed_size
            at = page.end
    assert list(columns_at_front(data).kinds) == list(parquet.read_schema(path).names)
    assert page_at(memoryview(data), at) is None


def test_cut_anywhere_the_whole_groups_before_are_taken_and_said(written, slab):
    path, _, data = written
    whole = taken(path, data, slab)
    assert len(whole.time_s) == ROWS
    assert "tail-left-off" not in {remark.code for remark in whole.remarks}
    seen = set()
    for cut in np.random.default_rng(2).integers(5, len(data), 200):
        motion = taken(path, data[:cut], slab)
        if motion is None:
            continue
        count = len(motion.time_s)
        seen.add(count)
        assert count in (GROUP, 2 * GROUP, 3 * GROUP, ROWS)
        assert f"row {count + 1} is beyond what is left of the file" in " ".join(r.message for r in motion.remarks)
        check_as_written(motion, whole)
    assert {GROUP, 2 * GROUP, 3 * GROUP, ROWS} == seen


def test_with_bytes_changed_anywhere_nothing_wrong_is_taken(written, slab):
    path, _, data = written
    whole = taken(path, data, slab)
    rng = np.random.default_rng(3)
    short = 0
    for place in rng.integers(0, len(data), 200):
        changed = bytearray(data)
        changed[place] ^= 1 << int(rng.integers(0, 8))
        motion = taken(path, bytes(changed), slab)
        if motion is not None:
            check_as_written(motion, whole)
            short += len(motion.time_s) < ROWS
            assert len(motion.time_s) == ROWS or "tail-left-off" in {r.code for r in motion.remarks}
    assert short > 10


def test_damage_before_sound_rows_is_refused(written, slab):
    path, _, data = written
    place = parquet.ParquetFile(path).metadata.row_group(1).column(2).data_page_offset
    changed = bytearray(data)
    changed[page_at(memoryview(data), place).end - 9] ^= 0xFF
    path.write_bytes(changed)
    with pytest.raises(InputError, match="the rows from 41 on are damaged and later ones are sound"):
        read_motion(path, slab)


def test_the_way_to_write_one_in_the_docs_does_what_it_says(slab, tmp_path):
    # Source: docs/motion.md, run as it stands.
    words = (Path(__file__).parents[3] / "docs" / "motion.md").read_text(encoding="utf-8")
    code = re.search(r"```python\n(import json.*?)```", words, re.DOTALL)[1]
    parts = iter(np.split(rows(120), 4))
    ahead = [dict(zip(COLUMNS, part.T, strict=True)) for part in parts]
    path = tmp_path / "rig.parquet"
    exec(code, {"path": path, "recording": lambda: bool(ahead), "next_rows": lambda: ahead.pop(0)})
    data = path.read_bytes()
    assert len(taken(path, data, slab).time_s) == 120
    assert len(taken(path, data[: len(data) // 2], slab).time_s) in (30, 60, 90)


def test_an_empty_or_blank_front_is_no_front(written):
    _, _, data = written
    assert columns_at_front(b"PAR1") is None
    assert columns_at_front(data[:60]) is None
    plain = io.BytesIO()
    parquet.write_table(pa.table({"time_s": [1.0]}), plain)
    assert columns_at_front(plain.getvalue()) is None
    assert page_at(memoryview(bytes(64)), 0) is None
