"""TOML read under every kind of damage, and written so that it reads back the same."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.toml_text import read_toml, toml_of
from kerfmark.settings import Limits


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"title = 'caf\xe9'", "is not UTF-8 (byte 13)"),
        (b"title = ", "is not TOML"),
        (b"title = 'a'\ntitle = 'b'", "is not TOML"),
        (b"a = " + b"[" * 100_000, "nests too deeply"),
        (b"a." * 100_000 + b"a = 1", "more than 32 dotted parts"),
        (b'"a" . ' * 40 + b"a = 1", "more than 32 dotted parts"),
        (b"a = " + b"9" * 5000, "is not TOML"),
        (b"a = 2000-13-45", "is not TOML"),
        (b"\x00", "is not TOML"),
    ],
)
def test_what_is_no_toml_is_told_in_one_line(data, told):
    with pytest.raises(InputError) as caught:
        read_toml(data, name="exercise.toml", limits=Limits())
    assert told in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_a_byte_order_mark_and_carriage_returns_are_passed_over():
    assert read_toml(b"\xef\xbb\xbfa = 1\r\nb = 2\r\n", name="x", limits=Limits()) == {"a": 1, "b": 2}


_text = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40)
_title = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40)
_number = st.floats(-1e6, 1e6, allow_nan=False)
_point = st.tuples(_number, _number, _number).map(list)


@given(title=_title, ask=_text, point=_point, name=_text, line=st.lists(_point, min_size=2, max_size=30), lower=_number)
def test_any_exercise_written_and_read_is_the_same(title, ask, point, name, line, lower):
    table = {
        "format": 1,
        "id": "any",
        "title": title,
        "family": "line",
        "outcomes": [ask],
        "subject": {"surface": "a b/ü.stl", "layers": {'wax "1"': "wax.stl"}},
        "frame": {"origin": point, "occlusal": [0, 0, 1], "facial": [0, 1, 0], "mesial": "+x"},
        "target": {"line": line, "depth_mm": 0.5, "width_mm": 1.0},
        "sites": [{"name": name, "role": "start", "point": point}],
        "criteria": [{"reading": "line.lateral_max_mm", "limits": [lower, float("inf")], "ask": ask}],
        "pass": {"too_close": "strict"},
    }
    exercise = as_exercise(table)
    assert as_exercise(tomllib.loads(toml_of(exercise))) == exercise
