"""What the pages fetch of a measured piece is drawn for every family, and shows no plane that a reading placed before own views."""

from __future__ import annotations

import json

import pytest

from kerfmark.demo.learners import simulated_piece
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.web.drawn import PLAIN_SHEET, draw_for_pages

NAMES = ("BL", "MD", "MF-DL", "ML-DF", "YZ", "XZ")
SLOW = ("full-crown-46", "bridge-36-38", "cavity-ii-mo-36", "access-26", "implant-36")


@pytest.mark.parametrize(
    "exercise", ["straight-line", "cavity-i-36", *(pytest.param(name, marks=pytest.mark.slow) for name in SLOW)]
)
def test_a_piece_of_every_family_is_drawn_for_its_pages(settings, tmp_path, exercise):
    loaded, prepared = open_exercise(exercise, settings=settings)
    simulated = simulated_piece(exercise, level="able", seed=7, settings=settings)
    beside = simulated.write(tmp_path / "piece.ply")
    assessment = assess_prepared(loaded, prepared, tmp_path / "piece.ply", neighbours=beside, settings=settings)
    files = draw_for_pages(assessment, prepared, loaded)
    plain = json.loads(files[PLAIN_SHEET])
    names = [name.rpartition(" ")[2] for name, _ in plain["sections"]]
    assert names
    assert set(names) <= set(NAMES)
    assert all(svg.startswith("<svg") for _, svg in plain["sections"])
