"""Numbers and records in text, against the language's own reading."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfmark.kernels import text as kernels


def number(word: bytes):
    value, state = kernels._number(np.frombuffer(word, np.uint8), 0, len(word))
    return state if state else value


@settings(max_examples=400, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(["%r", "%.6e", "%.9g", "%.3f", "%+.12E"]))
def test_a_number_is_read_as_python_reads_it_or_left_to_slow_reading(value, form):
    word = (form % value).encode()
    found = number(word)
    assert found == 1 or found == float(word)


@pytest.mark.parametrize("word", [b"1", b"-1.5", b"+.5", b"7.", b"1e3", b"2.5E-4", b"0.1", b"000012.50"])
def test_plain_numbers_need_no_slow_reading(word):
    assert number(word) == float(word)


@pytest.mark.parametrize(
    "word", [b"nan", b"inf", b"1_0", b"0x10", b"1e", b"1e+", b"--1", b"1.2.3", b".", b"", b"1,5", b"e5"]
)
def test_what_is_no_decimal_number_is_refused(word):
    assert number(word) == 2


@given(st.binary(max_size=12))
@settings(deadline=None)
def test_whole_numbers_are_digits_with_a_sign(word):
    value, whole = kernels._whole(np.frombuffer(word, np.uint8), 0, len(word))
    digits = word[1:] if word[:1] in (b"+", b"-") else word
    assert whole == (digits.isdigit() and len(digits) <= 12)
    assert not whole or value == int(word)


def test_words_gathered_stand_one_after_the_other():
    data = np.frombuffer(b"aa bbb c", np.uint8)
    spans = np.array([[3, 6], [0, 2]])
    assert kernels.gathered_words(data, spans).tobytes() == b"bbb aa "
