import numpy as np
import pytest

from kerfmark.measurement import MEASURES, measure
from kerfmark.records import Surface


def test_every_reading_the_exercise_may_ask_of_these_families_has_a_measure():
    # Source: the fixed list of readings (exercise vocabulary), units included.
    from kerfmark.exercise.vocabulary import VOCABULARY

    known = {m.id: m.unit for m in MEASURES}
    asked = {t.id: t.unit for t in VOCABULARY.values() if t.family in ("block", "line", "surface")}
    assert {name: known.get(name) for name in asked} == asked


def test_ids_are_unique_and_begin_with_their_family():
    ids = [m.id for m in MEASURES]
    assert len(set(ids)) == len(ids)
    assert all(m.id.startswith((m.family + ".", "surface.")) for m in MEASURES)


def test_readings_come_in_the_same_order_for_every_piece(blocks, scan):
    keys = [[r.key for r in measure(scan(blocks[n]), blocks[n].prepared)] for n in ("as planned", "turned")]
    assert keys[0] == keys[1]
    assert len(set(keys[0])) == len(keys[0])


def test_only_what_is_wanted_is_worked_out(blocks, scan, monkeypatch):
    from kerfmark.measurement.surface.bench import Bench

    monkeypatch.setattr(Bench, "removal", property(lambda _: pytest.fail("columns were summed for nothing")))
    blank, key = blocks["as planned"], ("block.wall_squareness_deg", "buccal", None)
    found = measure(scan(blank), blank.prepared, wanted=frozenset({key}))
    assert [r.key for r in found] == [key]


def test_a_key_without_a_place_asks_for_every_place(blocks, scan):
    blank = blocks["as planned"]
    found = measure(scan(blank), blank.prepared, wanted=frozenset({("surface.removed_mm3", None, None)}))
    assert [r.where for r in found] == ["all", "body", "lesion", "other"]


def test_measuring_leaves_its_arguments_alone_and_repeats_exactly(blocks, scan):
    blank, piece = blocks["tilted floor"], scan(blocks["tilted floor"], noise_um=10.0)
    before = piece.surface.vertices_mm.copy()
    values = [[r.value for r in measure(piece, blank.prepared)] for _ in range(2)]
    assert values[0] == values[1]
    assert (piece.surface.vertices_mm == before).all()


def test_without_the_state_before_cutting_readings_say_so(blocks, scan):
    from types import SimpleNamespace

    bare = SimpleNamespace(**{**vars(blocks["as planned"].prepared), "subject": None})
    found = measure(scan(blocks["as planned"]), bare)
    assert {(r.status, r.reason) for r in found} == {("not_measurable", "no scan before cutting")}


def soup(name):
    """Surfaces nobody should hand in, but some will."""
    rng = np.random.default_rng(6)
    points, faces = {
        "one triangle": (np.array([[0.0, 0, -1], [1, 0, -1], [0, 1, -1]]), [[0, 1, 2]]),
        "a heap of triangles": (rng.uniform([-6, -5, -5], [6, 5, 0], (600, 3)), np.arange(600).reshape(-1, 3)),
        "faces without area": (np.zeros((3, 3)) - [0, 0, 1], [[0, 1, 2], [0, 0, 1]]),
        "far away": (np.array([[90.0, 90, 90], [91, 90, 90], [90, 91, 90]]), [[0, 1, 2]]),
        "no faces": (np.zeros((3, 3)), np.empty((0, 3))),
    }[name]
    return Surface(np.ascontiguousarray(points, float), np.ascontiguousarray(faces, np.int32))


@pytest.mark.parametrize("family", ["blocks", "grooves"])
@pytest.mark.parametrize("name", ["one triangle", "a heap of triangles", "faces without area", "far away", "no faces"])
def test_no_geometry_makes_measuring_fail(request, family, name):
    from block_phantoms import aligned

    blank = request.getfixturevalue(family)["as planned"]
    for reading in measure(aligned(soup(name), noise_um=10.0), blank.prepared):
        assert reading.value is None or np.isfinite([reading.value, reading.u]).all()
