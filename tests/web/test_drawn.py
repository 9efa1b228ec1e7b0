"""What the pages fetch of a measured piece is drawn for every family, and shows no plane that a reading placed before own views."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from kerfmark.demo.learners import simulated_piece
from kerfmark.pipeline import assess_prepared, open_exercise
from kerfmark.reports.canvas import DASHED
from kerfmark.settings import Limits
from kerfmark.web.drawn import PLAIN_SHEET, SHEET, draw_for_pages

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

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


def test_a_plan_is_drawn_with_the_ct_across_the_arch_and_nothing_of_the_teachers_before_own_views(settings, tmp_path):
    from implant_phantoms import planned_exercise

    from kerfmark.exercise.prepared import prepare

    loaded = planned_exercise()
    prepared = prepare(loaded, cache_dir=settings.cache_dir, limits=Limits())
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'format = 1\nkind = "implant plan"\n[implant]\nentry = [0.4, 0, 0]\napex = [1, 0, -9.5]\ndiameter_mm = 4.1\n'
    )
    files = draw_for_pages(assess_prepared(loaded, prepared, plan, settings=settings), prepared, loaded)
    strip = json.loads(files[SHEET])["jaw_strip"]
    assert strip.count("data:image/png;base64,") == 7
    assert "style=" not in strip
    assert ">10 mm<" in strip  # its scale
    aligned = json.loads(files[SHEET])["aligned"]
    assert [cell["figure"] for cell in aligned] == ["as planned"]
    assert all(
        "over-" not in drawing.partition("</defs>")[2] for _name, drawing in json.loads(files[SHEET])["sections"]
    )
    plain = json.loads(files[PLAIN_SHEET])
    assert "jaw_strip" not in plain
    whole = dict(json.loads(files[SHEET])["sections"])
    assert all(DASHED in drawing for drawing in whole.values())
    assert all(DASHED not in drawing for _name, drawing in plain["sections"])
