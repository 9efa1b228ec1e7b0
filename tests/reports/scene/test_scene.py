"""A scene holds the whole assessment, and a plain one holds nothing that was measured."""

import dataclasses
import json

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.records import SectionPlane
from kerfmark.reports.drawn import piece_scene
from kerfmark.reports.scene import plain_scene, read_scene, scene_bytes, section_at, still_at
from kerfmark.reports.scene.container import read_container
from kerfmark.reports.sections.planes import plain_planes


@pytest.fixture(scope="module")
def data(piece_report):
    return scene_bytes(*piece_report)


@pytest.fixture(scope="module")
def scene(piece_report):
    return piece_scene(*piece_report)


def without_witness(reading):
    return dataclasses.replace(reading, witness=None)


def as_plain(record):
    return json.loads(json.dumps(dataclasses.asdict(record), default=lambda x: np.asarray(x).tolist()))


def test_the_same_piece_gives_the_same_bytes(piece_report, data):
    assert scene_bytes(*piece_report) == data


def test_every_reading_ruling_and_the_mark_come_back_unrounded(piece_report, data):
    assessment, back = piece_report[0], read_scene(data)
    for one, other in zip(assessment.readings, back.readings, strict=True):
        assert as_plain(without_witness(one)) == as_plain(without_witness(other))
    assert back.rulings == assessment.rulings
    assert (back.mark, back.remarks, back.exercise_version) == (
        assessment.mark,
        assessment.remarks,
        assessment.exercise_version,
    )


def test_witnesses_come_back_to_float32(piece_report, data):
    for one, other in zip(piece_report[0].readings, read_scene(data).readings, strict=True):
        if one.witness is None:
            assert other.witness is None
            continue
        assert one.witness.kind == other.witness.kind
        assert np.allclose(one.witness.segments_mm, other.witness.segments_mm, atol=1e-6)
        assert np.allclose(one.witness.points_mm, other.witness.points_mm, atol=1e-6)
        assert len(one.witness.curves_mm) == len(other.witness.curves_mm)
        if one.witness.plane is not None:
            assert np.array_equal(one.witness.plane.across, other.witness.plane.across)


def test_a_section_drawn_from_the_scene_is_the_section_drawn_from_the_piece(piece_report, data, scene):
    again = piece_scene(read_scene(data), *piece_report[1:])
    here, there = (section_at(s, plane="MD", offset_mm=0.4, turn_deg=5.0) for s in (scene, again))
    numbers = [np.array([float(x) for x in _numbers(text)]) for text in (here, there)]
    assert len(numbers[0]) == pytest.approx(len(numbers[1]), rel=0.02)  # float32 may keep a corner or drop it
    assert here.count("<path") == there.count("<path")


def _numbers(text):
    import re

    return re.findall(r"-?\d+\.?\d*", text)


def test_a_plain_scene_holds_nothing_that_was_measured(piece_report, data):
    plain = plain_scene(data)
    container = read_container(plain)
    assert {p.name for p in container.parts} == {"piece", "before"}
    assert all(set(p.attributes) <= {"POSITION", "_SOFT_NORMAL"} for p in container.parts)
    assert set(container.facts) == {
        "kerfmark_scene", "kind", "tooth", "mesial_sign", "floor_mm", "views", "sites", "questions", "plain", "planes",
    }  # fmt: skip
    assert container.loose == {}
    for reading in piece_report[0].readings:
        assert reading.id.encode() not in plain
    facts = json.dumps(container.facts).lower()
    assert not any(word in facts for word in ("criteri", "limit", "ruling", "deviation", "percent", "witness", "aloud"))


def test_a_question_says_where_to_look_and_nothing_more(piece_report, data):
    questions = read_container(plain_scene(data)).facts["questions"]
    places = [r.where for r in piece_report[0].rulings]
    assert questions[str(places.index("distal") + 1)] == {"side": "D"}
    assert all(set(q) <= {"site", "side"} for q in questions.values())


def test_a_plain_scene_cannot_be_read_as_an_assessment(data):
    with pytest.raises(InputError, match="expected one with readings"):
        read_scene(plain_scene(data))


def test_a_plain_section_shows_no_corridor_departure_or_dimension(scene):
    shown, plain = section_at(scene, plane="MD"), section_at(scene, plane="MD", plain=True)
    for mark in ('class="dim"', "var(--corr)", "url(#over-"):
        assert mark in shown
        assert mark not in plain


def test_a_plain_section_does_not_depend_on_target_or_values(piece_report, scene):
    assessment, prepared, loaded = piece_report
    import types

    other_target = types.SimpleNamespace(**{**vars(prepared), "target_grid": None, "target": None})
    others = tuple(dataclasses.replace(r, value=99.0, u=9.0, budget=()) for r in assessment.readings)
    bare = dataclasses.replace(assessment, readings=others, rulings=())
    other = piece_scene(bare, other_target, loaded)
    assert section_at(scene, plane="MD", plain=True) == section_at(other, plane="MD", plain=True)
    assert still_at(scene, plain=True) == still_at(other, plain=True)


def test_plain_planes_stand_upright_and_look_the_same_way_round(piece_report):
    tilted = SectionPlane(
        "MD", np.array([0.3, 0.2, 0.1]), np.array([-0.995, 0.0, 0.0998]), np.array([0.0998, 0.0, 0.995])
    )
    reading = piece_report[0].readings[0]
    leaning = dataclasses.replace(reading, witness=dataclasses.replace(reading.witness, plane=tilted))
    seen = {p.name: p for p in plain_planes((leaning,), mesial_sign=-1)}
    assert set(seen) == {"BL", "MD", "MF-DL", "ML-DF"}
    assert seen["MD"].up.tolist() == [0.0, 0.0, 1.0]
    assert seen["MD"].origin_mm.tolist() == [0.0, 0.0, 0.0]
    assert seen["MD"].across @ tilted.across > 0.9


def test_a_plain_picture_has_no_map_and_no_balloon(scene):
    assert 'class="map"' in still_at(scene)
    plain = still_at(scene, plain=True)
    assert 'class="map"' not in plain
    assert "data-c" not in plain


def test_a_plain_section_does_not_show_what_is_left_of_a_layer(piece_report, pebble):
    import types

    assessment, prepared, loaded = piece_report
    layered = types.SimpleNamespace(**{**vars(prepared), "layers": {"enamel": pebble}})
    with_layer, without = piece_scene(assessment, layered, loaded), piece_scene(*piece_report)
    assert section_at(with_layer, plane="MD") != section_at(without, plane="MD")
    assert section_at(with_layer, plane="MD", plain=True) == section_at(without, plane="MD", plain=True)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"plane": "XY"}, "expected one of BL"),
        ({"offset_mm": float("nan")}, "offset_mm is nan"),
        ({"turn_deg": 1e9}, "turn_deg is"),
    ],
)
def test_a_plane_that_is_not_there_is_refused_in_words(scene, asked, words):
    with pytest.raises(InputError, match=words):
        section_at(scene, **asked)


def test_a_view_that_is_not_there_is_refused_in_words(scene):
    with pytest.raises(InputError, match="expected one of S, O, B"):
        still_at(scene, letter="Q")
