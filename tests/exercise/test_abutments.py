"""A bridge in the exercise file: its further abutments, the places of its readings, and each abutment made ready by itself."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest
import trimesh

from kerfmark.errors import InputError
from kerfmark.exercise import folder
from kerfmark.exercise.definition import as_exercise
from kerfmark.exercise.folder import LoadedExercise, version_of
from kerfmark.exercise.prepared import prepare
from kerfmark.exercise.toml_text import read_toml, toml_of
from kerfmark.geometry.mesh import bounds_mm
from kerfmark.settings import Limits

SECOND = {
    "tooth": 44,
    "origin": [20.0, 0.0, 1.0],
    "occlusal": [0.0, 0.1, 1.0],
    "facial": [0.0, 1.0, -0.1],
    "mesial": "-x",
}


def bridge(table: dict[str, Any]) -> dict[str, Any]:
    table = copy.deepcopy(table)
    table["abutments"] = [dict(SECOND)]
    table["sites"].append({"name": "second top", "role": "functional_cusp", "point": [21.0, 0.5, 7.0]})
    table["criteria"][0]["where"] = "46/buccal"
    table["criteria"].append({"reading": "crown.abutments.undercut_volume_mm3", "limits": [0.0, 0.05]})
    return table


def refusal(table: dict[str, Any]) -> str:
    with pytest.raises(InputError) as caught:
        as_exercise(table)
    return str(caught.value)


def test_a_bridge_is_read_written_and_read_again(crown_table):
    exercise = as_exercise(bridge(crown_table))
    assert [a.tooth for a in exercise.abutments] == [44]
    assert as_exercise(read_toml(toml_of(exercise).encode(), name="exercise.toml", limits=Limits())) == exercise


def test_an_exercise_without_abutments_keeps_the_version_it_had(crown_table, crown_assets, monkeypatch):
    # The version is a digest of this content: a key that was not there before must not enter it.
    contents = []
    dumps = folder.json.dumps
    monkeypatch.setattr(
        folder.json, "dumps", lambda content, **how: (contents.append(content), dumps(content, **how))[1]
    )
    version_of(as_exercise(crown_table), crown_assets)
    version_of(as_exercise(bridge(crown_table)), crown_assets)
    assert ["abutments" in content["exercise"] for content in contents] == [False, True]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda t: t["criteria"][0].update(where="buccal"), "where is 'buccal', expected a place of crown.taper_deg ('46/buccal'"),
        (lambda t: t["criteria"][0].update(where="45/buccal"), "where is '45/buccal'"),
        (lambda t: t["abutments"][0].update(tooth=46), "[[abutments]] 1, tooth is 46, as tooth, expected each tooth once"),
        (lambda t: t["abutments"][0].update(tooth=49), "[[abutments]] 1, tooth is 49"),
        (lambda t: t["abutments"][0].update(facial=[0.0, 0.0, 1.0]), "[[abutments]] 1, facial leans"),
        (lambda t: t["abutments"][0].pop("origin"), "[[abutments]] 1, origin is missing"),
        (lambda t: t["abutments"][0].update(colour="red"), "[[abutments]] 1, colour is not a known key"),
        (lambda t: t.pop("abutments"), "is 'crown.abutments.undercut_volume_mm3' on a single tooth"),
        (lambda t: t.update(family="block"), "[[abutments]] stands in the family 'block'"),
    ],
)  # fmt: skip
def test_a_faulty_bridge_is_told_in_one_sentence(crown_table, change, told):
    table = bridge(crown_table)
    change(table)
    assert told in refusal(table)


def two(mesh_bytes: bytes, *, apart_mm: float) -> bytes:
    first = trimesh.load(trimesh.util.wrap_as_stream(mesh_bytes), file_type="stl")
    second = first.copy().apply_translation([apart_mm, 0.0, 1.0])
    data = trimesh.util.concatenate([first, second]).export(file_type="stl")
    assert isinstance(data, bytes)
    return data


def loaded_bridge(table: dict[str, Any], assets: dict[str, bytes], *, apart_mm: float) -> LoadedExercise:
    exercise = as_exercise(bridge(table))
    both = {name: two(data, apart_mm=apart_mm) for name, data in assets.items()}
    return LoadedExercise(exercise, version_of(exercise, both), both)


def test_each_abutment_is_prepared_in_its_own_frame(crown_table, crown_assets, tmp_path):
    loaded = loaded_bridge(crown_table, crown_assets, apart_mm=20.0)
    for _ in range(2):  # made, then read back from the cache
        prepared = prepare(loaded, cache_dir=tmp_path, limits=Limits())
        assert [own.exercise.tooth for own in prepared.abutments] == [46, 44]
        assert [[site.name for site in own.sites] for own in prepared.abutments] == [["top"], ["second top"]]
        first, second = (bounds_mm(own.subject) for own in prepared.abutments)
        assert np.ptp(bounds_mm(prepared.subject)[:, 0]) == pytest.approx(30.0, abs=0.1)
        assert first[:, 0] == pytest.approx([-5.0, 5.0], abs=0.01)
        assert second[:, 0] == pytest.approx([-5.0, 5.0], abs=0.01)
        # The second's own long axis leans by 0.1 towards facial: the top of its far side rises by 5 · 0.1 above the middle.
        assert second[1, 2] == pytest.approx((6.0 + 0.5) / np.hypot(1.0, 0.1), abs=0.02)


def test_abutments_that_are_one_surface_are_refused(crown_table, crown_assets, tmp_path):
    table = bridge(crown_table)
    del table["sites"][1]
    loaded = LoadedExercise(as_exercise(table), version_of(as_exercise(table), crown_assets), crown_assets)
    with pytest.raises(InputError, match="no closed surface of its own stands at abutment 44"):
        prepare(loaded, cache_dir=tmp_path, limits=Limits())
