import numpy as np
import pytest

from kerfmark.measurement import MEASURES, MonteCarlo, measure


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


@pytest.mark.slow
def test_simulated_repeats_agree_with_the_budget(blocks, scan):
    # JCGM 101 against JCGM 100: within 15 % and what 60 repeats scatter (9 %), where the model is linear.
    covariance = np.diag([3e-4**2] * 3 + [0.003**2] * 3)
    blank = blocks["leaning walls"]
    piece = scan(blank, noise_um=10.0, covariance=covariance)
    keys = frozenset({("block.floor_depth_mm", None, None), ("block.wall_squareness_deg", "mesial", None)})
    budget = {r.key: r.u for r in measure(piece, blank.prepared, wanted=keys)}
    simulated = measure(piece, blank.prepared, wanted=keys, monte_carlo=MonteCarlo(60, np.random.default_rng(8)))
    for reading in simulated:
        assert reading.u == pytest.approx(budget[reading.key], rel=0.35)
