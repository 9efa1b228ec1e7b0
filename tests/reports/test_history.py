"""The history of a recorded piece: its curve ends at what was removed, its events stand where they happened, nothing hides."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pytest

from kerfmark.records import Event, Reading, Removal
from kerfmark.reports.history import event_sentences, history_svg, no_event_sentence, process_rows

REMOVAL = Removal(
    ("enamel", "dentine", "other"), np.arange(1.0, 101.0), np.stack([np.full(100, 0.5), np.r_[np.zeros(50), np.ones(50)], np.zeros(100)]),
    np.zeros(3), np.zeros(3),
)  # fmt: skip


def assessment(events=(), unseen=(), readings=(), held=(0, 0)):
    motion = SimpleNamespace(
        time_s=np.array([5.0, 105.0]),
        unseen_s=np.array(unseen, float).reshape(-1, 2),
        instrument=np.array(held),
        instruments=("twist drill 2.0", "twist drill 2.8"),
    )
    return SimpleNamespace(piece=SimpleNamespace(motion=motion), events=events, readings=readings)


def event(kind, start, depth=0.1, side=None):
    return Event(kind, start, start + 1.0, np.zeros(3), depth, side)


def test_a_scan_has_no_history():
    assert history_svg(SimpleNamespace(piece=SimpleNamespace(motion=None)), None) == ""


def test_the_curve_ends_at_the_volume_and_every_tissue_that_counts_is_named():
    drawing = history_svg(assessment(), REMOVAL)
    assert "Removed over time: 100.0 mm³ in 1:40; 0 events" in drawing
    assert [word in drawing for word in (">in all<", ">enamel<", ">dentine<", ">other<")] == [True, True, True, False]
    wide = re.search(r'd="M([^"]+)"[^>]*stroke-width="1.4"', drawing)[1].split()
    heights = [float(h) for h in wide[1::2]]
    assert heights == sorted(heights, reverse=True)  # what is gone stays gone


def test_events_stand_at_their_time_and_are_named():
    drawing = history_svg(
        assessment([event("neighbour", 50.0, side="mesial"), event("pulp", 75.0)]), REMOVAL, width=514.0
    )
    # The plot runs from 44 px to 70 px before the right edge: 400 px for 100 s.
    squares = [float(x) + 2.5 for x in re.findall(r'<rect x="([\d.]+)" y="[\d.]+" width="5"', drawing)]
    assert squares == pytest.approx([44.0 + 200.0, 44.0 + 300.0])
    assert ">N<" in drawing
    assert ">P<" in drawing


def test_what_was_not_seen_is_a_band_between_dashed_lines():
    drawing = history_svg(assessment(unseen=[[25.0, 35.0]]), REMOVAL, width=514.0)
    assert re.search(r'<rect x="124" y="[\d.]+" width="40" [^>]*fill="@well"', drawing)


def test_events_are_listed_with_time_side_and_depth_and_many_are_counted():
    many = [event("outside", 61.2 + n, 0.25) for n in range(15)]
    assert event_sentences([event("neighbour", 9.34, 0.126, "distal")]) == [
        "N1  0:09.3  cut into a neighbour, distal, 0.13 mm deep"
    ]
    assert event_sentences(many)[0] == "E1  1:01  cut outside the envelope, 0.25 mm deep"
    assert event_sentences(many)[-1] == "and 3 more"


def test_process_readings_are_written_with_their_uncertainty():
    rows = process_rows(
        assessment(
            readings=[
                Reading("process.duration_s", None, None, 141.01, "s", 0.0016), Reading("process.pauses", None, None, 2.0, "1", 0.5),
                Reading("process.tremor_um_rms", None, None, 61.7, "um", 1.4), Reading("process.mirror_s", None, None, None, "s", None),
                Reading("crown.height_mm", "buccal", None, 4.0, "mm", 0.1),
            ]
        )
    )  # fmt: skip
    assert rows == [
        ("Time in all", "141.0", "± < 0.1 s"),
        ("Pauses over 1 s", "2", "± 1"),
        ("Tremor, 6 to 12 Hz, rms", "62", "± 3 µm"),
    ]


def test_each_instrument_taken_in_hand_is_named_where_it_was():
    drawing = history_svg(assessment(held=(0, 1)), REMOVAL, width=514.0)
    assert [words in drawing for words in (">twist drill 2.0<", ">twist drill 2.8<")] == [True, True]
    assert "twist drill" not in history_svg(assessment(), REMOVAL)  # one is held throughout


def test_where_nothing_happened_only_what_could_have_is_said():
    jaw, tooth = (
        SimpleNamespace(neighbours={}, layers={}),
        SimpleNamespace(neighbours={"mesial": 0}, layers={"pulp": 0}),
    )
    assert no_event_sentence(jaw) == "No event: nothing cut outside the envelope."
    assert (
        no_event_sentence(tooth) == "No event: nothing cut outside the envelope, no neighbour touched, no pulp opened."
    )


def test_of_bone_alone_the_rate_stands_once():
    rate = [Reading("process.removal_rate_mm3_s", where, None, 2.0, "mm3/s", 0.01) for where in ("all", "other")]
    assert [row[0] for row in process_rows(assessment(readings=rate))] == ["Removal rate"]
