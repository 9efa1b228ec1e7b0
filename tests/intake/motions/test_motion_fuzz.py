"""Whatever bytes a motion file holds, the answer is a motion or one clear refusal, never a traceback or a hang."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from motion_rows import COLUMNS, as_csv, rows
from pyarrow import parquet

from kerfmark.errors import InputError
from kerfmark.intake.motions import read_motion, read_rig
from kerfmark.settings import Limits

LIMITS = Limits(samples=10_000, unpacked_mib=16)
CSV = as_csv(rows(12)).encode()


def _parquet() -> bytes:
    stream = io.BytesIO()
    table = pa.table({name: rows(12)[:, n] for n, name in enumerate(COLUMNS)} | {"instrument": ["round 1.0"] * 12})
    parquet.write_table(table, stream, row_group_size=5)
    return stream.getvalue()


PARQUET = _parquet()


def answer(attempt):
    """What comes back, or what is said where it is refused; any other failure is the test's."""
    try:
        return attempt(), ""
    except InputError as error:
        return None, str(error)


def judged(data: bytes, exercise, name: str = "motion.csv") -> None:
    """Taken, with finite unit poses in rising time; or refused in at most three lines that name the file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)
        motion, refusal = answer(lambda: read_motion(path, exercise, limits=LIMITS))
    if motion is None:
        assert name in refusal
        assert refusal.count("\n") <= 2
        assert len(refusal) < 1200
        return
    assert (np.diff(motion.time_s) > 0.0).all()
    assert np.isfinite(motion.tip_mm).all()
    np.testing.assert_allclose(np.linalg.norm(motion.orientation, axis=1), 1.0, atol=1e-9)


common = settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@common
@given(data=st.binary(max_size=400))
def test_any_bytes(slab, data):
    judged(data, slab)
    judged(CSV[:45] + data, slab)


@common
@given(st.lists(st.tuples(st.integers(0, len(CSV) - 1), st.integers(0, 255)), min_size=1, max_size=6))
def test_a_csv_with_changed_bytes(slab, changes):
    data = bytearray(CSV)
    for place, byte in changes:
        data[place] = byte
    judged(bytes(data), slab)


@common
@given(st.lists(st.tuples(st.integers(0, len(PARQUET) - 1), st.integers(0, 255)), min_size=1, max_size=4))
def test_a_parquet_with_changed_bytes(slab, changes):
    data = bytearray(PARQUET)
    for place, byte in changes:
        data[place] = byte
    judged(bytes(data), slab, "motion.parquet")


cell = st.one_of(
    st.floats(width=64).map(repr),
    st.sampled_from(["", "nan", "1e400", "-0", "0,5", '"', "1;2", "０", "1_0", " ", "+1"]),
)


@common
@given(st.lists(st.lists(cell, min_size=7, max_size=9), max_size=8), st.sampled_from(",;\t"))
def test_any_cells(slab, cells, separator):
    lines = [separator.join(COLUMNS), *(separator.join(row) for row in cells)]
    judged("\n".join(lines).encode(), slab)


@common
@given(st.text(max_size=200), st.sampled_from(["", "matrix = [[1,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]\n"]))
def test_any_rig(text, start):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        path.write_text(start + text, encoding="utf-8")
        rig, refusal = answer(lambda: read_rig(path, limits=LIMITS))
        assert rig is not None or "rig.toml" in refusal
