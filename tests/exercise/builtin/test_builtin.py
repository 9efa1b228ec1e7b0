"""The built-in exercises hold together: each is valid, is the same every time, and its own ideal meets its own limits."""

import pytest

from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.accesses import ACCESSES
from kerfmark.exercise.builtin.blocks import BLOCKS, LINES
from kerfmark.exercise.builtin.bridges import BRIDGES
from kerfmark.exercise.builtin.cavities import CAVITIES
from kerfmark.exercise.builtin.crowns import CROWNS
from kerfmark.exercise.builtin.implants import IMPLANTS
from kerfmark.exercise.folder import load_exercise
from kerfmark.geometry.mesh import is_closed
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.marking import mark, rule
from kerfmark.pipeline import ideal_readings, open_exercise

QUICK = ("layered-block", "straight-line", "full-crown-46")


def test_every_built_in_exercise_has_a_title_and_a_maker():
    made = {spec.name: spec.title for spec in (*CROWNS, *BRIDGES, *CAVITIES, *ACCESSES, *BLOCKS, *LINES, *IMPLANTS)}
    assert {name: builtin.title(name) for name in builtin.names()} == made


@pytest.mark.parametrize(
    "name", [n if n in QUICK else pytest.param(n, marks=pytest.mark.slow) for n in builtin.names()]
)
def test_the_ideal_piece_meets_every_limit(name, settings):
    # Source: the exercise's own target, whose limits have their sources beside them in `builtin/criteria.py`.
    loaded, prepared = open_exercise(name, settings=settings)
    rulings = rule(ideal_readings(prepared), loaded.exercise.criteria, loaded.exercise.pass_)
    # What only a motion shows is not applicable to a scan of the target.
    assert [(r.reading, r.where, r.ruling) for r in rulings if r.ruling not in ("met", "not applicable")] == []
    assert mark(rulings, loaded.exercise.pass_).outcome == "pass"


@pytest.mark.parametrize("name", QUICK)
def test_every_surface_is_closed_and_reads_without_a_remark(name, settings):
    loaded = load_exercise(name, limits=settings.limits, cache_dir=settings.cache_dir)
    for asset, data in loaded.assets.items():
        file = read_mesh_file(data, name=asset, limits=settings.limits)
        assert is_closed(file.surface), asset
        assert file.remarks == ()


def test_the_same_exercise_comes_out_of_an_empty_cache(settings, tmp_path):
    first = load_exercise("layered-block", limits=settings.limits, cache_dir=settings.cache_dir)
    again = load_exercise("layered-block", limits=settings.limits, cache_dir=tmp_path)
    assert first.version == again.version


def test_a_built_in_exercise_may_be_copied_changed_and_used_as_a_folder(settings, tmp_path):
    loaded = load_exercise("layered-block", limits=settings.limits, cache_dir=settings.cache_dir)
    from kerfmark.exercise.folder import save_exercise

    save_exercise(tmp_path, loaded.exercise.model_copy(update={"title": "Ours"}), loaded.assets)
    ours = load_exercise(tmp_path, limits=settings.limits, cache_dir=settings.cache_dir)
    assert ours.exercise.title == "Ours"
    assert ours.version != loaded.version
