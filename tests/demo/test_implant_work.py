"""The built-in implant exercises from simulated pieces to marks, by every way a piece may come; what was truly drilled is known."""

from __future__ import annotations

import numpy as np
import pytest

from kerfmark.demo.implant_work import strayed_bed, write_simulated_plan, write_simulated_volume
from kerfmark.demo.learners import simulated_piece
from kerfmark.demo.operators import write_simulated_motion
from kerfmark.errors import InputError
from kerfmark.exercise import builtin
from kerfmark.pipeline import assess, open_exercise

BED, PLAN = "implant-36", "implant-plan-36"


@pytest.fixture(scope="module")
def prepared(settings):
    return open_exercise(BED, settings=settings)[1]


def check(assessment, truth, *, mm, deg):
    """Every known deviation is right: within the target, or three of its own standard uncertainties where these are larger."""
    readings = {r.key: r for r in assessment.readings}
    for key, true in truth.items():
        found = readings[key]
        assert found.value is not None, (key, found.reason)
        least = deg if key[0].endswith("_deg") else mm
        assert abs(found.value - true) <= max(least, 3 * found.u), (key, found.value, true)


@pytest.mark.parametrize("level", ["middle", *(pytest.param(n, marks=pytest.mark.slow) for n in ("able", "novice"))])
def test_a_scan_gives_what_was_truly_drilled(level, settings, tmp_path):
    # Source: the numbers the bed was cut from; targets of MEASURES, 20 µm and 0.1° on 10 µm noise.
    piece = simulated_piece(BED, level=level, seed=4, settings=settings)
    piece.write(tmp_path / "piece.ply")
    assessment = assess(BED, tmp_path / "piece.ply", settings=settings)
    check(assessment, piece.truth, mm=0.02, deg=0.1)
    assert assessment.mark.percent is not None


@pytest.mark.slow
def test_a_second_ct_gives_what_was_truly_drilled(settings, tmp_path):
    # Source: as above; voxels of 0.25 mm with 40 grey values of noise are asked for 50 µm and 0.3°.
    truth = write_simulated_volume(
        tmp_path / "ct.nrrd", builtin.spec_of(BED), level="middle", seed=4, settings=settings
    )
    assessment = assess(BED, tmp_path / "ct.nrrd", settings=settings)
    assert assessment.piece.kind == "volume"
    assert "simulated" in {r.code for r in assessment.remarks}
    readings = {r.key: r for r in assessment.readings}
    for key, true in truth.items():
        assert abs(readings[key].value - true) <= (0.3 if key[0].endswith("_deg") else 0.05), key


@pytest.mark.slow
def test_a_motion_gives_the_drills_their_order_and_time(settings, tmp_path):
    write_simulated_motion(tmp_path / "m.parquet", BED, level="able", seed=2, settings=settings)
    assessment = assess(BED, tmp_path / "m.parquet", settings=settings)
    readings = {r.key: r for r in assessment.readings}
    assert readings["implant.drill_order", None, None].value == 1.0
    for name in ("twist drill 2.0", "twist drill 2.8", "twist drill 3.5"):
        assert 1.0 < readings["implant.contact_time_s", name, None].value < 60.0
    assert readings["implant.oversize_mm", None, None].value < 0.3
    assert readings["implant.apex_deviation_mm", None, None].status == "measured"


def test_a_simulated_plan_is_read_as_it_was_meant(settings, tmp_path):
    plan = write_simulated_plan(tmp_path / "plan.toml", builtin.spec_of(PLAN), level="able", seed=4, settings=settings)
    assessment = assess(PLAN, tmp_path / "plan.toml", settings=settings)
    np.testing.assert_allclose(assessment.piece.plan.entry_mm, plan.entry_mm, atol=2e-3)  # written to a micrometre
    readings = {r.key: r for r in assessment.readings}
    assert readings["implant.canal_clearance_mm", None, None].u > 0.0  # drawn on a CT
    assert "simulated" in {r.code for r in assessment.piece.remarks}
    assert all(r.ruling != "not measurable" for r in assessment.rulings)


def test_levels_stray_as_far_as_newcomers_are_published_to(prepared):
    # Source: doi 10.1186/s40729-020-0205-3 [seen]: free hand 1.01 to 1.14 mm at the neck, 4.65 to 7.79°; guided 0.47 to 0.52 mm, 2.42 to 2.61°.
    rng, p0 = np.random.default_rng(1), prepared.implant[0]
    way = (prepared.implant[1] - p0) / np.linalg.norm(prepared.implant[1] - p0)
    found = {}
    for level in ("able", "middle"):
        beds = [strayed_bed(prepared, level, rng) for _ in range(150)]
        axes = [(b.apex_mm - b.entry_mm) / np.linalg.norm(b.apex_mm - b.entry_mm) for b in beds]
        found[level] = (
            float(np.mean([np.linalg.norm(b.entry_mm - p0) for b in beds])),
            float(np.mean([np.degrees(np.arccos(a @ way)) for a in axes])),
        )
    assert found["able"] == pytest.approx((0.5, 2.5), rel=0.25)
    assert found["middle"] == pytest.approx((1.1, 6.2), rel=0.25)


def test_only_implant_exercises_have_a_simulated_ct(settings, tmp_path):
    from kerfmark.demo.implant_work import write_simulated

    with pytest.raises(InputError, match="'layered-block' is no built-in implant exercise"):
        write_simulated(tmp_path / "a.nrrd", "layered-block", level="able", seed=1, settings=settings)
    with pytest.raises(InputError, match="level is 'great'"):
        write_simulated(tmp_path / "a.toml", PLAN, level="great", seed=1, settings=settings)


def test_the_report_shows_the_ct_along_the_arch_with_its_caution(settings, tmp_path):
    from kerfmark.exercise.folder import load_exercise
    from kerfmark.reports import write_reports

    write_simulated_plan(tmp_path / "plan.toml", builtin.spec_of(PLAN), level="middle", seed=4, settings=settings)
    loaded, ready = open_exercise(PLAN, settings=settings)
    assessment = assess(PLAN, tmp_path / "plan.toml", settings=settings)
    write_reports(assessment, ready, loaded, html=tmp_path / "p.html", pdf=tmp_path / "p.pdf", labels={})
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") >= 7
    assert "at the entry" in page
    assert "6 mm mesial" in page
    assert "Training only, not for treatment" in page
    assert (tmp_path / "p.pdf").read_bytes().startswith(b"%PDF")
    assert (
        load_exercise(PLAN, limits=settings.limits, cache_dir=settings.cache_dir).version == assessment.exercise_version
    )


def test_a_novice_strays_as_free_hands_do_and_plans_without_a_rule(prepared):
    # Source: Schnutenhaus et al. 2021 [seen]: free hand in 52 patients 1.62 mm at the shoulder and 8.7°; a novice's plan is, besides, one
    # rule wrong: 1.5 mm beside or 8° across, or more.
    from kerfmark.demo.implant_work import _without_a_rule
    from kerfmark.records import ImplantPlan

    rng, (p0, p1) = np.random.default_rng(1), prepared.implant
    beds = [strayed_bed(prepared, "novice", rng) for _ in range(150)]
    way = (p1 - p0) / np.linalg.norm(p1 - p0)
    axes = [(b.apex_mm - b.entry_mm) / np.linalg.norm(b.apex_mm - b.entry_mm) for b in beds]
    entry = float(np.mean([np.linalg.norm(b.entry_mm - p0) for b in beds]))
    assert (entry, float(np.mean([np.degrees(np.arccos(a @ way)) for a in axes]))) == pytest.approx(
        (1.62, 8.7), rel=0.15
    )
    for _ in range(30):
        plan = _without_a_rule(ImplantPlan(p0, p1, 4.1), rng)
        lean = np.degrees(
            np.arccos((plan.apex_mm - plan.entry_mm) @ way / np.linalg.norm(plan.apex_mm - plan.entry_mm))
        )
        assert np.linalg.norm(plan.entry_mm - p0) >= 1.5 or lean >= 8.0
