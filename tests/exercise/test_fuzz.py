"""Whatever stands in an exercise or its zip, the answer is an exercise or one clear refusal, never a traceback."""

from __future__ import annotations

import copy
import datetime
import io
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import load_exercise
from kerfmark.exercise.toml_text import read_toml
from kerfmark.settings import Limits

_scalar = st.one_of(
    st.booleans(), st.integers(), st.just(10**400), st.floats(), st.text(max_size=20), st.just(datetime.date(2020, 1, 1)),
    st.sampled_from(["crown", "BL", "buccal", "top", "median", "crown.taper_deg", "scan", "subject.stl", "+x"]),
)  # fmt: skip
_value = st.recursive(
    _scalar,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


def refusal(attempt: Callable[[], object]) -> str:
    """What is said where the attempt is refused, nothing where it is not; any other failure is the test's."""
    try:
        attempt()
    except InputError as error:
        return str(error)
    return ""


def _places(value: object, way: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(place for key, entry in inner for place in _places(entry, (*way, key)))]


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data(), value=_value, key=st.text(max_size=12))
def test_any_value_anywhere_is_taken_or_refused_in_three_lines(crown_table, data, value, key):
    table = copy.deepcopy(crown_table)
    *way, last = data.draw(st.sampled_from([place for place in _places(table) if place]))
    inner = table
    for part in way:
        inner = inner[part]
    inner[last] = value
    table |= data.draw(st.sampled_from([{}, {key: value}]))
    told = refusal(lambda: as_exercise(table))
    assert len(told.splitlines()) <= 3
    assert all(line.isprintable() for line in told.splitlines())


@given(st.binary(max_size=200))
def test_any_bytes_as_toml_are_read_or_refused(data):
    assert refusal(lambda: read_toml(data, name="exercise.toml", limits=Limits())).isprintable()


@settings(max_examples=150)
@given(cut=st.integers(0, 400), flips=st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), max_size=6))
def test_any_damage_to_a_zip_is_refused_or_harmless(cut, flips):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("exercise.toml", "format = 1\n" * 40)
        archive.writestr("subject.stl", bytes(500))
    data = bytearray(packed.getvalue())
    for place, byte in flips:
        data[place % len(data)] = byte
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "exercise.zip"
        path.write_bytes(bytes(data[: len(data) - cut]))
        assert refusal(lambda: load_exercise(path, limits=Limits())).isprintable()
