"""Scanners and rigs: calibrations, pieces read once more, and what evidence then knows of both."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from tests.school import assessed

from kerfmark.errors import ConflictError, InputError, MissingError, RightsError
from kerfmark.evidence import Options
from kerfmark.evidence.measuring import measuring
from kerfmark.sittings.access import make_station_key
from kerfmark.sittings.apart import SetAside
from kerfmark.sittings.devices import devices, note_calibration, read_again, withdraw_calibration
from kerfmark.sittings.keeping import prove_audit, sweep
from kerfmark.sittings.marks import standings
from kerfmark.sittings.record import erase_learner
from kerfmark.sittings.rights import PROGRAM
from kerfmark.sittings.table import evidence_table
from kerfmark.sittings.work import claim, finish
from kerfmark.storage.schema import Blob, Job, Piece, Rereading

AUGUST = datetime(2026, 8, 24, 9, 0, tzinfo=UTC)


def sent(school, sitting, code="L1", device="scanner A", content=b"the same piece, scanned again"):
    return read_again(
        school.store, school["technician"], sitting_id=sitting, learner=code, device=device, content=content, file_name="again.stl"
    )  # fmt: skip


def read(school, moved=0.0):
    """The next waiting job measured: every criterion reads its middle, moved."""
    taken = claim(school.store, "a test", seconds=60)
    made = assessed(school.criteria)
    values = tuple(replace(r, value=r.value + moved) for r in made.readings)
    assert finish(school.store, taken, replace(made, readings=values))


def measured_rows(school, device):
    rows = evidence_table(school.store, school["lead"]).said_by("measured", whole=False)
    return rows.where(rows["device"] == device)


def test_a_piece_read_again_keeps_its_mark_and_adds_a_repeat(school):
    sitting = school.sitting()
    piece = school.measured(sitting)
    with school.store.read() as tx:
        before = standings(tx, Piece.id == piece)[piece].percent
    for _ in range(2):
        sent(school, sitting)
        read(school, 0.01)
    with school.store.read() as tx:
        assert standings(tx, Piece.id == piece)[piece].percent == before
    again = measured_rows(school, "scanner A")
    assert sorted(set(again.number("repeat"))) == [1.0, 2.0]
    assert np.all(again["ruling"] == "")
    assert len(again) == 2 * len(school.criteria)


def test_the_first_reading_counts_on_the_scanner_that_handed_it_in(school):
    sitting = school.sitting()
    piece = school.measured(sitting)
    key, _ = make_station_key(school.store, school["technician"], site_id=school.site, rig="scanner A")
    with school.store.write() as tx:
        tx.get(Piece, piece).station_id = key
    sent(school, sitting)
    read(school)
    assert sorted(set(measured_rows(school, "scanner A").number("repeat"))) == [1.0, 2.0]


def test_the_gauge_of_two_scanners_comes_out_of_the_store(school):
    # Source: three readings apart by 0 and one scanner 0.02 from the other: no repeatability, a device component of 0.02²/2.
    sitting = school.sitting()
    for n, code in enumerate(("L1", "L2", "L3")):
        school.measured(sitting, code, content=bytes([n]))
        for device in ("scanner A", "scanner B"):
            for repeat in range(2):
                sent(school, sitting, code, device, bytes([n, repeat, ord(device[-1])]))
                read(school, 0.05 * n + (0.02 if device == "scanner B" else 0.0))
    answer = measuring(evidence_table(school.store, school["lead"]), Options())
    row = next(r for r in answer.grids[0].rows if r[0] == "block.floor_depth_mm")
    assert row[1:3] == (3, 2)
    assert row[4] == pytest.approx(0.0, abs=1e-9)
    assert row[5] == pytest.approx(0.02 / np.sqrt(2), rel=1e-6)


def test_a_file_that_cannot_be_read_again_leaves_the_piece_as_it_was(school):
    sitting = school.sitting()
    piece = school.measured(sitting)
    sent(school, sitting)
    assert finish(school.store, claim(school.store, "a test", seconds=60), SetAside("not a surface."))
    with school.store.read() as tx:
        assert tx.get(Piece, piece).state == "assessed"
        assert tx.all(Job, Job.again.is_not(None))[0].again["failed"] == "not a surface."
    assert [(d.device, d.again, d.failed) for d in devices(school.store, school["technician"])] == [("scanner A", 0, 1)]


def test_readings_name_the_calibration_before_them(school):
    sitting = school.sitting()
    school.measured(sitting)
    sent(school, sitting)
    read(school)
    now = datetime.now(UTC)
    for days in (40, 10):
        note_calibration(
            school.store,
            school["technician"],
            site_id=school.site,
            device="scanner A",
            done_at=now - timedelta(days=days),
            note="ball plate",
        )
    assert set(measured_rows(school, "scanner A")["calibrated"]) == {f"{now - timedelta(days=10):%Y-%m-%d}"}
    line = devices(school.store, school["technician"])[0]
    withdraw_calibration(school.store, school["technician"], line.calibrations[0].id)
    assert set(measured_rows(school, "scanner A")["calibrated"]) == {f"{now - timedelta(days=40):%Y-%m-%d}"}
    with pytest.raises(ConflictError, match="taken back before"):
        withdraw_calibration(school.store, school["technician"], line.calibrations[0].id)


def test_what_cannot_be_is_refused_in_a_sentence(school):
    sitting = school.sitting()
    with pytest.raises(MissingError, match="no piece of 'L1'"):
        sent(school, sitting)
    school.handed_in(sitting)
    with pytest.raises(ConflictError, match="not measured"):
        sent(school, sitting)
    technician = school["technician"]
    with pytest.raises(InputError, match="lies ahead"):
        note_calibration(
            school.store, technician, site_id=school.site, device="A", done_at=datetime.now(UTC) + timedelta(days=1)
        )
    with pytest.raises(InputError, match="device: 0 characters"):
        note_calibration(school.store, technician, site_id=school.site, device=" ", done_at=AUGUST)
    with pytest.raises(RightsError):
        note_calibration(school.store, technician, site_id=school.other_site, device="A", done_at=AUGUST)
    with pytest.raises(RightsError):
        devices(school.store, school["L1"])


def test_what_was_read_again_goes_with_the_learner_and_the_log_still_holds(school):
    sitting = school.sitting()
    school.measured(sitting)
    sent(school, sitting)
    read(school)
    erase_learner(school.store, PROGRAM, school.ids["L1"], reason="asked for it")
    with school.store.read() as tx:
        assert tx.all(Rereading) == []
        assert tx.all(Blob, Blob.erased_at.is_(None), Blob.bytes == len(b"the same piece, scanned again")) == []
    sweep(school.store)
    assert prove_audit(school.store, school["lead"]).holds
