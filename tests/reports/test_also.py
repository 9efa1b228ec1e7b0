"""What was measured without a criterion: all of it that says something of the piece, once, with its uncertainty."""

from types import SimpleNamespace

from kerfmark.records import Reading, Ruling
from kerfmark.reports.also import also_measured, reason_notes

GREYS = "cone-beam greys are not Hounsfield units"


def read(reading, value, u=0.011, *, where=None, stat=None, unit="mm", reason=None):
    return Reading(reading, where, stat, value, unit, u, "measured" if value is not None else "not_measurable", reason)


def assessed(*readings, marked=(), kind="scan"):
    rulings = tuple(Ruling(r.id, r.where, r.stat, (0.0, 1.0), 0.9, "met", 1.0, False) for r in marked)
    return SimpleNamespace(readings=readings, rulings=rulings, piece=SimpleNamespace(kind=kind))


def test_what_has_no_criterion_is_listed_with_its_uncertainty_and_what_has_one_is_not():
    # Source: U = 2 u; two digits of it at most, 2 × 18.5 = 37.
    entry, angle = read("implant.lateral_deviation_mm", 0.95), read("implant.angle_deg", 2.1, unit="deg")
    greys = read("implant.bone_density", 646.64, 18.47, unit="1", reason=GREYS)
    rows = also_measured(assessed(entry, angle, greys, marked=(angle,)))
    assert [(row.name, row.value, row.spread) for row in rows] == [
        ("Entry, sideways", "0.95", "± 0.02 mm"), ("Mean grey round the plan", "647", "± 37"),
    ]  # fmt: skip
    assert reason_notes(rows) == (f"Mean grey round the plan: {GREYS}.",)


def test_a_drill_s_time_is_listed_by_its_name():
    (row,) = also_measured(assessed(read("implant.contact_time_s", 12.4, 0.2, where="twist drill 2.8", unit="s")))
    assert (row.name, row.value, row.spread) == ("Time in bone, twist drill 2.8", "12.4", "± 0.4 s")


def test_nothing_is_said_twice_or_of_something_else():
    whole, central = read("cavity.axial_depth_mm", 1.28), read("cavity.axial_depth_mm", 1.28, where="central")
    plan, bed = read("implant.canal_clearance_mm", 4.5), read("implant.canal_clearance_mm", 3.4, where="bed")
    untouched = read("surface.removed_mm3", 0.0, 0.0, where="pulp", unit="mm3")
    rows = also_measured(assessed(whole, central, plan, bed, untouched, read("process.duration_s", 60.0, unit="s")))
    assert [(row.name, row.value) for row in rows] == [("Axial depth, central", "1.28"), ("To the canal", "3.40")]


def test_a_plan_has_cut_nothing():
    removed = read("surface.removed_mm3", 141.4, where="all", unit="mm3")
    assert also_measured(assessed(removed, kind="plan")) == ()
    assert len(also_measured(assessed(removed))) == 1


def test_what_could_not_be_measured_has_no_row():
    assert (
        also_measured(assessed(read("cavity.outline_area_mm2", None, None, unit="mm2", reason="nothing is cut"))) == ()
    )
