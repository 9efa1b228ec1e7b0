"""Compiled loops: kept on disk, loaded without the compiler, the same as the plain function in every shape of argument."""

from __future__ import annotations

import gc
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from kerfmark.kernels import compiled
from kerfmark.kernels.compiled import loop

OFFSET = 2.0


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("KERFMARK_COMPILED_DIR", str(tmp_path / "compiled"))
    return tmp_path / "compiled"


@loop
def _doubled(value: float) -> float:
    return 2.0 * value + OFFSET


def of_everything(rows, factor, count, upward):
    """An array, a number, a whole number and a truth in; two arrays and two numbers out."""
    out = np.empty((rows.shape[0], 2))
    total, seen = 0.0, 0
    for i in range(rows.shape[0]):
        out[i, 0] = _doubled(rows[i, 0]) * factor
        out[i, 1] = -rows[i, 1] if upward else rows[i, 1]
        total += out[i, 0]
        seen += count
    return out, np.arange(count), total, seen


def test_every_kind_of_argument_and_result_goes_through():
    rows = np.arange(12.0).reshape(6, 2)
    compiled_, plain = loop(of_everything), of_everything
    for given in (rows, rows[::2], np.asfortranarray(rows), rows[:0]):
        for upward in (True, False):
            for ours, theirs in zip(compiled_(given, 0.5, 3, upward), plain(given, 0.5, 3, upward), strict=True):
                np.testing.assert_array_equal(ours, theirs)


@pytest.mark.parametrize("dtype", ["f4", "i4", "u1", "?", "i8", "u4"])
def test_arrays_of_every_type_come_back_as_they_are(dtype):
    def same(values):
        out = np.empty_like(values)
        for i in range(values.size):
            out[i] = values[i]
        return out

    given = np.array([0, 1, 1, 0, 1], dtype=dtype)
    found = loop(same)(given)
    assert found.dtype == given.dtype
    np.testing.assert_array_equal(found, given)


def test_a_truth_comes_back_as_one(own_folder):
    def above(value, limit):
        return value > limit

    compare = loop(above)
    assert compare(2.0, 1.0) is True
    assert compare(1.0, 2.0) is False
    assert len(list(own_folder.iterdir())) == 1, "kept, so it needs no compiler"


def test_an_array_may_be_written_into_and_nothing_returned():
    def fill(values, by):
        for i in range(values.size):
            values[i] += by

    values = np.zeros(4)
    assert loop(fill)(values, 3.0) is None
    assert values.tolist() == [3.0] * 4


def test_a_view_of_what_was_given_is_a_copy_that_outlives_it():
    def tail(values):
        return values[2:]

    given = np.arange(5.0)
    found = loop(tail)(given)
    given[:] = 0.0
    assert found.tolist() == [2.0, 3.0, 4.0]


def test_one_array_returned_twice_is_given_back_once():
    def twice(n):
        out = np.full(n, 7.0)
        return out, out

    first, second = loop(twice)(1000)
    del first
    gc.collect()
    assert (second == 7.0).all()


def test_memory_is_given_back():
    # 300 arrays of 8 MB would be 2.4 GB if they were kept.
    def large(n):
        return np.ones(n)

    make = loop(large)
    make(1_000_000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for _ in range(300):
        make(1_000_000)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 500_000  # KiB


def test_what_is_kept_serves_the_next_process_without_the_compiler(own_folder, tmp_path):
    (tmp_path / "a_loop.py").write_text(
        "import sys, numpy as np\n"
        "from kerfmark.kernels.compiled import loop\n"
        "@loop\n"
        "def total(values):\n"
        "    out = 0.0\n"
        "    for value in values:\n"
        "        out += value\n"
        "    return out\n"
        "assert total(np.arange(5.0)) == 10.0\n"
        "print('numba' in sys.modules)\n"
    )
    said = [
        subprocess.run(
            [sys.executable, "a_loop.py"],
            cwd=tmp_path,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(str(Path(p).resolve()) for p in sys.path if p)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for _ in range(2)
    ]
    assert [s.strip() for s in said] == ["True", "False"]
    assert len(list(own_folder.iterdir())) == 1


def test_a_changed_source_or_constant_is_compiled_anew():
    def one(value):
        return value + 1.0

    def two(value):
        return value + 2.0

    def constant(value):
        return _doubled(value)

    assert loop(one).content != loop(two).content
    before = loop(constant).content
    global OFFSET
    OFFSET = 3.0
    try:
        changed = compiled._content(loop(constant))
    finally:
        OFFSET = 2.0
    assert changed != before
    assert loop(constant).content == before


@pytest.mark.parametrize("damage", [b"", b"\x05\x00\x00\x00{}", b"not a loop at all"])
def test_a_damaged_file_is_compiled_anew(own_folder, damage):
    def plus(a, b):
        return a + b

    assert loop(plus)(1.0, 2.0) == 3.0
    [file] = own_folder.iterdir()
    whole = file.read_bytes()
    for content in (damage, whole[:-100], whole[:-1] + bytes([whole[-1] ^ 255])):
        file.write_bytes(content)
        assert loop(plus)(1.0, 2.0) == 3.0
        assert len(file.read_bytes()) == len(whole)


def test_a_folder_that_cannot_be_written_only_costs_time(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("KERFMARK_COMPILED_DIR", str(tmp_path / "file"))

    def minus(a, b):
        return a - b

    assert loop(minus)(5, 2) == 3


def test_what_needs_more_than_plain_code_is_called_through_the_compiler():
    def solved(matrix, right):
        return np.linalg.solve(matrix, right)

    found = loop(solved)(np.diag([2.0, 4.0]), np.array([2.0, 2.0]))
    assert found.tolist() == [1.0, 0.5]


def test_a_failure_inside_is_raised_in_words():
    def divided(a, b):
        return a // b

    with pytest.raises(ZeroDivisionError):
        loop(divided)(1, 0)


def test_what_is_no_array_or_number_is_refused():
    with pytest.raises(TypeError, match="takes arrays and plain numbers, not str"):
        loop(of_everything)(np.zeros((1, 2)), 1.0, 1, "yes")


def test_other_threads_run_meanwhile():
    def spin(n):
        total = 0.0
        for i in range(n):
            total += np.sin(float(i))
        return total

    slow, ticks, done = loop(spin), [], threading.Event()
    slow(1)
    worker = threading.Thread(target=lambda: (slow(40_000_000), done.set()))
    worker.start()
    while not done.wait(0.001):
        ticks.append(1)
    worker.join()
    assert len(ticks) > 20


def test_a_bound_call_sees_what_its_arrays_hold_by_then():
    @loop
    def total(values, factor):
        out = 0.0
        for i in range(values.shape[0]):
            out += values[i] * factor
        return out

    values = np.array([1.0, 2.0])
    again = total.bound(values, 2.0)
    assert again() == 6.0
    values[:] = 5.0
    assert again() == 20.0


def test_a_bound_call_keeps_its_arrays_alive():
    @loop
    def filled(values, out):
        for i in range(values.shape[0]):
            out[i] = values[i]

    out = np.zeros(100_000)
    again = filled.bound(np.arange(100_000.0), out)
    gc.collect()
    np.full(100_000, 7.0)
    again()
    np.testing.assert_array_equal(out, np.arange(100_000.0))


def test_who_comes_second_waits_for_what_the_first_compiles(own_folder):
    loop_ = loop(of_everything)
    kinds = tuple(compiled.kinds_of_text(k) for k in (["<f8", 2, "C", False], "d", "q", "?"))
    claim = loop_._file(kinds).with_suffix(".making")
    claim.parent.mkdir(parents=True)
    claim.write_text(str(os.getpid()))  # somebody who is alive is at it
    done = []
    waiting = threading.Thread(target=lambda: done.append(loop_.make(kinds)))
    waiting.start()
    waiting.join(0.2)
    assert not done
    claim.unlink()
    waiting.join(60.0)
    assert done
    assert list(own_folder.glob("*.making")) == []


def test_a_claim_of_a_process_that_ended_holds_nobody_up(own_folder):
    loop_ = loop(of_everything)
    kinds = tuple(compiled.kinds_of_text(k) for k in (["<f8", 2, "C", False], "d", "q", "?"))
    claim = loop_._file(kinds).with_suffix(".making")
    claim.parent.mkdir(parents=True)
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    claim.write_text(str(ended.pid))
    assert loop_.make(kinds) is not None
    assert not claim.exists()
