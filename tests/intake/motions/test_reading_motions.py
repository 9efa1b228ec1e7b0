"""Motions taken in: the rules of FORMATS (*Motion*, settled points) one by one."""

from __future__ import annotations

import hashlib

import numpy as np
import pyarrow as pa
import pytest
from motion_rows import COLUMNS, as_csv, rows, saved
from pyarrow import parquet
from scipy.spatial.transform import Rotation

from kerfmark.errors import InputError
from kerfmark.intake.motions import looks_like_motion, read_motion, sampling, write_motion
from kerfmark.settings import Limits


def codes(motion) -> set[str]:
    return {remark.code for remark in motion.remarks}


def said(motion, code: str) -> str:
    (text,) = [remark.message for remark in motion.remarks if remark.code == code]
    return text


def refused(path, exercise, **keywords) -> str:
    with pytest.raises(InputError) as error:
        read_motion(path, exercise, **keywords)
    return str(error.value)


def test_a_plain_csv_comes_in_as_it_is(slab, tmp_path):
    path = saved(tmp_path, as_csv(rows()))
    motion = read_motion(path, slab)
    assert motion.remarks == ()
    np.testing.assert_allclose(motion.tip_mm, rows()[:, 1:4] - [1.0, 2.0, 3.0], atol=1e-12)
    np.testing.assert_allclose(motion.orientation, np.tile([1.0, 0.0, 0.0, 0.0], (50, 1)), atol=1e-12)
    assert motion.joined.tolist() == [False] + [True] * 49
    assert motion.cutting.all()
    assert motion.instruments == ("round 1.0",)
    assert motion.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(("separator", "point"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_every_separator_and_decimal_sign_gives_the_same(slab, tmp_path, separator, point, line_end):
    text = as_csv(rows(), separator=separator, point=point).replace("\n", line_end)
    motion = read_motion(saved(tmp_path, "\ufeff" + text), slab)
    np.testing.assert_array_equal(motion.tip_mm, rows()[:, 1:4] - [1.0, 2.0, 3.0])


def test_columns_stand_in_any_order_and_others_are_passed_over(slab, tmp_path):
    table = np.column_stack([rows()[:, ::-1], np.full(50, 7.0)])
    motion = read_motion(saved(tmp_path, as_csv(table, columns=(*COLUMNS[::-1], "Time_s"))), slab)
    np.testing.assert_array_equal(motion.time_s, rows()[:, 0])


def test_text_of_other_columns_in_another_encoding_does_no_harm(slab, tmp_path):
    lines = as_csv(rows()).splitlines()
    text = "\n".join([lines[0] + ",note", *(line + ',"stra\xdfe, 1"' for line in lines[1:])])
    assert read_motion(saved(tmp_path, text.encode("latin-1")), slab).remarks == ()


def test_parquet_and_csv_give_the_same(slab, tmp_path):
    table = pa.table({name: rows()[:, n] for n, name in enumerate(COLUMNS)})
    parquet.write_table(table, tmp_path / "motion.parquet")
    one, other = read_motion(tmp_path / "motion.parquet", slab), read_motion(saved(tmp_path, as_csv(rows())), slab)
    np.testing.assert_array_equal(one.tip_mm, other.tip_mm)


def test_the_content_decides_over_the_suffix(slab, tmp_path):
    table = pa.table({name: rows()[:, n] for n, name in enumerate(COLUMNS)})
    parquet.write_table(table, tmp_path / "motion.csv")
    assert codes(read_motion(tmp_path / "motion.csv", slab)) == {"suffix-differs"}
    assert looks_like_motion(tmp_path / "motion.csv")
    assert codes(read_motion(saved(tmp_path, as_csv(rows()), "piece.stl"), slab)) == {"suffix-differs"}
    assert looks_like_motion(saved(tmp_path, '"x_mm";"time_s"\n', "a.txt"))
    assert not looks_like_motion(saved(tmp_path, "solid piece\n", "b.stl"))


@pytest.mark.parametrize(("columns", "message"), [
    (("Time_s", *COLUMNS[1:]), "no column 'time_s' .nearest is 'Time_s'"),
    ((*COLUMNS[:7], "q_z"), "no column 'qz'"),
    ((*COLUMNS, "fx_n", "fy_n"), "'fx_n', 'fy_n' but not 'fz_n', expected all columns of the force or none"),
    ((*COLUMNS, "mirror_x_mm", "mirror_qw"), "all columns of the mirror or none"),
    ((*COLUMNS, "qz"), "'qz' stands 2 times"),
])  # fmt: skip
def test_columns_that_are_not_a_motions_are_refused(slab, tmp_path, columns, message):
    table = np.column_stack([rows(), np.zeros((50, 4))])[:, : len(columns)]
    path = saved(tmp_path, as_csv(table, columns=columns))
    with pytest.raises(InputError, match=message):
        read_motion(path, slab)


def test_a_repeated_row_is_dropped_and_said(slab, tmp_path):
    table = np.insert(rows(), 20, rows()[20], axis=0)
    motion = read_motion(saved(tmp_path, as_csv(table)), slab)
    np.testing.assert_array_equal(motion.time_s, rows()[:, 0])
    assert "1 row repeats the one before and is dropped, first row 22" in said(motion, "rows-repeated")


def test_time_alone_repeated_or_going_back_is_refused(slab, tmp_path):
    table = rows()
    table[30, 0] = table[29, 0]
    assert "row 31 repeats time_s = 0.029 with another pose" in refused(saved(tmp_path, as_csv(table)), slab)
    table[30, 0] = 0.001
    assert "row 31 goes back in time from 0.029000 to 0.001000 s" in refused(saved(tmp_path, as_csv(table)), slab)


@pytest.mark.parametrize(
    ("length", "code"), [(1.009, set()), (0.991, set()), (1.05, {"quaternions-scaled"}), (0.51, {"quaternions-scaled"})]
)
def test_quaternions_near_unit_length_are_made_unit(slab, tmp_path, length, code):
    table = rows()
    table[:, 4] *= length
    motion = read_motion(saved(tmp_path, as_csv(table)), slab)
    assert codes(motion) == code
    np.testing.assert_allclose(np.linalg.norm(motion.orientation, axis=1), 1.0, atol=1e-14)


@pytest.mark.parametrize("length", [0.49, 2.01, 1e200])
def test_quaternions_far_from_unit_length_are_refused(slab, tmp_path, length):
    table = rows()
    table[7, 4] = length
    assert "row 8: the quaternion of the tool has the length" in refused(saved(tmp_path, as_csv(table)), slab)


@pytest.mark.parametrize("lost", ["blank", "zero"])
def test_lost_sight_is_a_gap_and_is_listed(slab, tmp_path, lost):
    table = rows(400)
    table[100:250, 4:] = np.nan if lost == "blank" else 0.0
    motion = read_motion(saved(tmp_path, as_csv(table)), slab)
    assert len(motion.time_s) == 250
    np.testing.assert_allclose(motion.unseen_s, [[0.099, 0.25]])
    assert "150 rows have no pose" in said(motion, "sight-lost")
    assert not motion.joined[100]
    assert motion.joined[1:].sum() == 248
    assert "0.099 to 0.250 s (moved 1.51 mm)" in said(motion, "gap-not-cut")


def test_a_long_gap_in_which_the_tool_hardly_moved_is_crossed_and_said(slab, tmp_path):
    # Limit: a tenth of the largest diameter, 0.1 mm for this ball of 1 mm.
    for moved, crossed in ((0.099, True), (0.101, False)):
        table = rows(40)
        table[:, 1] = 0.0
        table[20:, 0] += 5.0
        table[20:, 1] = moved
        motion = read_motion(saved(tmp_path, as_csv(table)), slab)
        assert bool(motion.joined[20]) is crossed
        assert codes(motion) == {"gap-crossed" if crossed else "gap-not-cut"}
        np.testing.assert_allclose(motion.unseen_s, [[0.019, 5.020]])


def test_a_gap_of_a_tenth_of_a_second_is_cut_through_however_far_the_tool_moved(slab, tmp_path):
    table = rows(20, rate_hz=10.0)
    assert read_motion(saved(tmp_path, as_csv(table)), slab).joined[1:].all()


def test_a_turn_alone_moves_the_head(slab, tmp_path):
    # The tip stands still, the instrument of 4 mm leans by 90 degrees during the gap.
    table = rows(40)
    table[:, 1] = 0.0
    table[20:, 0] += 1.0
    table[20:, 4:6] = np.sqrt(0.5)
    text = as_csv(table).splitlines()
    lines = [text[0] + ",instrument", *(line + ",straight fissure 1.0" for line in text[1:])]
    assert codes(read_motion(saved(tmp_path, "\n".join(lines)), slab)) >= {"gap-not-cut"}


def test_jumps_faster_than_two_metres_a_second_are_not_cut_through(slab, tmp_path):
    for step, is_jump in ((1.999, False), (2.001, True)):
        table = rows(40)
        table[:, 1] = 0.0
        table[20:, 1] = step
        motion = read_motion(saved(tmp_path, as_csv(table)), slab)
        assert bool(motion.joined[20]) is not is_jump
        assert ("jump-not-cut" in codes(motion)) is is_jump


def test_the_spindle_cuts_only_forwards(slab, tmp_path):
    table = np.column_stack([rows(4), [0.0, 2e5, -10.0, 0.5]])
    motion = read_motion(saved(tmp_path, as_csv(table, columns=(*COLUMNS, "spindle_rpm"))), slab)
    assert motion.cutting.tolist() == [False, True, False, True]
    assert "backwards in 1 of 4 samples" in said(motion, "spindle-backwards")


def test_instruments_blank_known_and_not_permitted(slab, tmp_path):
    text = as_csv(rows(4)).splitlines()
    words = ["", "Straight  fissure 1.0", "330", "round 1.0"]
    path = saved(
        tmp_path, "\n".join([text[0] + ",instrument", *(f"{a},{b}" for a, b in zip(text[1:], words, strict=True))])
    )
    motion = read_motion(path, slab)
    held = [motion.instruments[n] for n in motion.instrument]
    assert held == ["round 1.0", "Straight  fissure 1.0", "330", "round 1.0"]
    assert motion.joined.tolist() == [False] * 4  # no stretch from one instrument to another
    assert "'330' is not permitted in exercise slab" in said(motion, "instrument-not-permitted")


def test_an_unknown_instrument_is_refused_with_its_row(slab, tmp_path):
    text = as_csv(rows(3)).splitlines()
    path = saved(tmp_path, "\n".join([text[0] + ",instrument", text[1] + ",", text[2] + ",spoon", text[3] + ","]))
    assert "row 2: instrument 'spoon' is not known" in refused(path, slab)


@pytest.mark.parametrize(
    "tail",
    [
        b"0.05,1.0,2.",
        b"\0" * 300,
        b"\xff\xfe\x00garbage\nmore garbage\n",
        b"0.05,1,2,3,1,0,0,0x\n",
        b",1,2,3,1,0,0,0\n",
    ],
)
def test_a_damaged_tail_is_left_off_and_said(slab, tmp_path, tail):
    motion = read_motion(saved(tmp_path, as_csv(rows()).encode() + tail), slab)
    np.testing.assert_array_equal(motion.time_s, rows()[:, 0])
    assert "row 51" in said(motion, "tail-left-off")
    assert "50 are kept" in said(motion, "tail-left-off")


@pytest.mark.parametrize("damage", ["0.01,1.0", "0.01,x,2,3,1,0,0,0", ",1,2,3,1,0,0,0", "0.01,inf,2,3,1,0,0,0", "\0"])
def test_damage_before_sound_rows_is_refused(slab, tmp_path, damage):
    lines = as_csv(rows()).splitlines()
    lines.insert(11, damage)
    assert "row 11" in refused(saved(tmp_path, "\n".join(lines)), slab)


def test_a_record_cut_anywhere_keeps_every_whole_row(slab, tmp_path):
    data = as_csv(rows(12)).encode()
    ends = [n + 1 for n, byte in enumerate(data) if byte == ord("\n")]
    for cut in range(ends[1], len(data)):
        whole = sum(end <= cut for end in ends) - 1
        motion = read_motion(saved(tmp_path, data[:cut]), slab)
        assert whole <= len(motion.time_s) <= whole + 1
        np.testing.assert_array_equal(motion.tip_mm[:whole], (rows(12)[:, 1:4] - [1.0, 2.0, 3.0])[:whole])


def test_parquet_with_a_damaged_last_row_group_is_taken_up_to_it(slab, tmp_path):
    path = tmp_path / "motion.parquet"
    table = pa.table({name: rows()[:, n] for n, name in enumerate(COLUMNS)})
    parquet.write_table(
        table, path, row_group_size=10, write_page_checksum=True, compression="none", use_dictionary=False
    )
    places = [parquet.ParquetFile(path).metadata.row_group(g).column(1).data_page_offset for g in range(5)]
    data = bytearray(path.read_bytes())
    data[places[4] + 90] ^= 0xFF
    path.write_bytes(data)
    motion = read_motion(path, slab)
    assert len(motion.time_s) == 40
    assert "row 41" in said(motion, "tail-left-off")
    data[places[2] + 90] ^= 0xFF
    path.write_bytes(data)
    assert "the rows from 21 on are damaged" in refused(path, slab)


def test_parquet_without_its_end_is_refused_in_one_sentence(slab, tmp_path):
    parquet.write_table(pa.table({name: rows()[:, n] for n, name in enumerate(COLUMNS)}), tmp_path / "a.parquet")
    path = saved(tmp_path, (tmp_path / "a.parquet").read_bytes()[:-40], "b.parquet")
    said_so = refused(path, slab)
    assert "what its columns are called stands at its end" in said_so
    assert "record as CSV" in said_so


def test_whole_numbers_floats_of_four_bytes_and_nulls_are_taken(slab, tmp_path):
    table = {name: pa.array(rows(6, rate_hz=1.0)[:, n].astype(np.float32)) for n, name in enumerate(COLUMNS)}
    table["time_s"] = pa.array(np.arange(6))
    table["qw"] = pa.array([1.0, 1.0, None, 1.0, 1.0, 1.0])
    parquet.write_table(pa.table(table), tmp_path / "motion.parquet")
    assert len(read_motion(tmp_path / "motion.parquet", slab).time_s) == 5
    table["x_mm"] = pa.array(["a"] * 6)
    parquet.write_table(pa.table(table), tmp_path / "motion.parquet")
    assert "column 'x_mm' holds string, expected numbers" in refused(tmp_path / "motion.parquet", slab)


def test_a_limit_names_itself_and_its_value(slab, tmp_path):
    path = saved(tmp_path, as_csv(rows()))
    assert "limits.samples = 20" in refused(path, slab, limits=Limits(samples=20))
    parquet.write_table(pa.table({name: rows()[:, n] for n, name in enumerate(COLUMNS)}), tmp_path / "motion.parquet")
    assert "limits.samples = 20" in refused(tmp_path / "motion.parquet", slab, limits=Limits(samples=20))


def test_a_motion_written_and_read_is_the_same(slab, tmp_path):
    rng = np.random.default_rng(5)
    table = rows(60)
    table[:, 1:4] += rng.normal(0.0, 0.01, (60, 3))
    table[:, 4:] = Rotation.from_rotvec(rng.normal(0.0, 0.02, (60, 3))).as_quat(scalar_first=True)
    other = rng.normal(0.0, 1.0, (60, 4))
    other[:, 3] = np.where(np.arange(60) % 7, 1.0, 0.0)
    motion = read_motion(
        saved(
            tmp_path, as_csv(np.column_stack([table, other]), columns=(*COLUMNS, "fx_n", "fy_n", "fz_n", "spindle_rpm"))
        ),
        slab,
    )
    for suffix in ("csv", "parquet"):
        write_motion(tmp_path / f"again.{suffix}", motion, slab)
        again = read_motion(tmp_path / f"again.{suffix}", slab)
        for field in ("time_s", "tip_mm", "orientation", "force_n"):
            np.testing.assert_allclose(getattr(again, field), getattr(motion, field), atol=1e-12)
        for field in ("joined", "cutting", "instrument"):
            np.testing.assert_array_equal(getattr(again, field), getattr(motion, field))


def test_the_rate_and_its_jitter_are_reported(slab, tmp_path):
    table = rows(500)
    even = read_motion(saved(tmp_path, as_csv(table)), slab)
    assert sampling(even).rate_hz == pytest.approx(1000.0)
    assert sampling(even).jitter == pytest.approx(0.0, abs=1e-9)
    table[:, 0] += np.random.default_rng(1).uniform(-0.3e-3, 0.3e-3, 500)
    uneven = read_motion(saved(tmp_path, as_csv(table)), slab)
    assert "samples are uneven: " in said(uneven, "rate-uneven")
    # Two uniform errors of ±0.3 ms differ by a triangle on ±0.6 ms, whose 95th percentile lies at 0.6 (1 − √0.1) ms.
    assert sampling(uneven).jitter == pytest.approx(0.6 * (1.0 - np.sqrt(0.1)), rel=0.1)


def test_a_real_hand_held_stylus_is_taken_in_with_its_gaps(slab, open_data, tmp_path):
    # Source: open data, SOURCE.md: 1,378 rows, 133 samples a second, 5 gaps longer than 20 ms, the longest 0.70 s.
    trace = np.loadtxt(open_data / "pen-trace-133hz-mit" / "signal.svc", skiprows=1)
    table = np.zeros((len(trace), 8))
    table[:, 0], table[:, 1:3], table[:, 4] = trace[:, 2], trace[:, :2], 1.0
    motion = read_motion(saved(tmp_path, as_csv(table)), slab)
    assert len(motion.time_s) == 1378
    assert sampling(motion).rate_hz == pytest.approx(133.0, abs=10.0)
    assert sampling(motion).longest_s == pytest.approx(0.70, abs=0.01)
    gaps = np.diff(motion.time_s) > 0.1
    assert len(motion.unseen_s) == gaps.sum() > 0
    moved = np.linalg.norm(np.diff(motion.tip_mm, axis=0), axis=1)
    jumps = moved > 2000.0 * np.diff(motion.time_s)  # two lifted strokes are joined in too few samples
    np.testing.assert_array_equal(motion.joined[1:], ~((gaps & (moved > 0.1)) | jumps))
