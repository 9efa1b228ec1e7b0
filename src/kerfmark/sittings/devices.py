"""Scanners and rigs: when they were calibrated, and pieces read once more to know how well they repeat."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import BinaryIO

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.rights import Actor, may, require, require_anywhere
from kerfmark.storage import Store, Transaction, func, select
from kerfmark.storage import schema as kept

__all__ = ["CalibrationLine", "DeviceLine", "devices", "note_calibration", "read_again", "withdraw_calibration"]

NAME_LIMIT, NOTE_LIMIT = 100, 500


@dataclass(frozen=True, slots=True)
class CalibrationLine:
    """A calibration as lists show it."""

    id: str
    done_at: datetime
    note: str


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """A scanner or rig of a site, as lists show it.

    Attributes
    ----------
    device, site_id : str
    calibrations : tuple of CalibrationLine
        Newest first.
    pieces, again : int
        Pieces it handed in, and readings made on it once more.
    failed : int
        Files that could not be read again.
    """

    device: str
    site_id: str
    calibrations: tuple[CalibrationLine, ...]
    pieces: int
    again: int
    failed: int


def devices(store: Store, actor: Actor) -> list[DeviceLine]:
    """Every device of the sites whose stations the actor manages: with a station key, a calibration or a piece read again on it.

    Raises
    ------
    RightsError
        If the actor manages stations nowhere.
    """
    require_anywhere(actor, "stations.manage")
    with store.read() as tx:
        calibrated: dict[tuple[str, str], list[CalibrationLine]] = {}
        for row in tx.all(
            kept.Calibration, kept.Calibration.withdrawn_at.is_(None), order=[kept.Calibration.done_at.desc()]
        ):
            calibrated.setdefault((row.device, row.site_id), []).append(CalibrationLine(row.id, row.done_at, row.note))
        keys = {row.id: (row.rig, row.site_id) for row in tx.all(kept.StationKey)}
        pieces, again, failed = _counts(tx, keys)
    names = sorted({*calibrated, *keys.values(), *again, *failed})
    return [
        DeviceLine(*name, tuple(calibrated.get(name, ())), pieces.get(name, 0), again.get(name, 0), failed.get(name, 0))
        for name in names
        if may(actor, "stations.manage", name[1])
    ]


_Counts = dict[tuple[str, str], int]


def _counts(tx: Transaction, keys: dict[str, tuple[str, str]]) -> tuple[_Counts, _Counts, _Counts]:
    """By device and site: pieces handed in, readings made once more, files that could not be."""
    pieces: _Counts = {}
    handed_in = select(kept.Piece.station_id, func.count()).where(kept.Piece.station_id.is_not(None))
    for station, n in tx.rows(handed_in.group_by(kept.Piece.station_id)):
        pieces[keys[station]] = pieces.get(keys[station], 0) + n
    reread = select(kept.Rereading.device, kept.Sitting.site_id, func.count())
    reread = reread.join(kept.Piece, kept.Piece.id == kept.Rereading.piece_id)
    reread = reread.join(kept.Sitting, kept.Sitting.id == kept.Piece.sitting_id)
    grouped = tx.rows(reread.group_by(kept.Rereading.device, kept.Sitting.site_id))
    again = {(device, site): n for device, site, n in grouped}
    failed: _Counts = {}
    jobs = select(kept.Job.again, kept.Sitting.site_id).join(kept.Piece, kept.Piece.id == kept.Job.piece_id)
    jobs = jobs.join(kept.Sitting, kept.Sitting.id == kept.Piece.sitting_id).where(kept.Job.state == "failed")
    for wanted, site in tx.rows(jobs.where(kept.Job.again.is_not(None))):
        failed[wanted["device"], site] = failed.get((wanted["device"], site), 0) + 1
    return pieces, again, failed


def note_calibration(
    store: Store, actor: Actor, *, site_id: str, device: str, done_at: datetime, note: str = ""
) -> str:
    """Write down that a device was calibrated; returns the entry's id.

    Parameters
    ----------
    site_id, device : str
        `device` is what its station key calls it.
    done_at : datetime
        With its zone.
    note : str
        With what, by whose instructions, with which result.

    Raises
    ------
    InputError
        If it lies ahead, or a text is empty or too long.
    """
    require(actor, "stations.manage", site_id)
    device, note = _named(device), note.strip()
    if len(note) > NOTE_LIMIT:
        raise InputError(f"note: {len(note)} characters, expected at most {NOTE_LIMIT}. Shorten it.")
    with store.write() as tx:
        if tx.get(kept.Site, site_id) is None:
            raise MissingError("there is no such site. Choose one of the list.")
        if done_at > tx.now:
            raise InputError(
                f"calibrated: {done_at:%Y-%m-%d %H:%M} UTC lies ahead, expected a time that has passed. Correct it."
            )
        row = kept.Calibration(
            id=kept.new_id(), site_id=site_id, device=device, done_at=done_at, note=note, made_by=actor.person_id, made_at=tx.now
        )  # fmt: skip
        tx.add(row)
        tx.say(str(actor), "calibration noted", f"calibration {row.id}", site=site_id, at=done_at.isoformat())
        return row.id


def withdraw_calibration(store: Store, actor: Actor, calibration_id: str) -> None:
    """Take back a calibration that was written down by mistake; the entry stays in the log."""
    with store.write() as tx:
        row = tx.get(kept.Calibration, calibration_id)
        if row is None or not may(actor, "stations.manage", row.site_id):
            raise MissingError("there is no such calibration. Choose one of the list.")
        if row.withdrawn_at is not None:
            raise ConflictError("the calibration was taken back before.")
        row.withdrawn_at = tx.now
        tx.say(str(actor), "calibration withdrawn", f"calibration {row.id}", site=row.site_id)


def read_again(
    store: Store,
    actor: Actor,
    *,
    sitting_id: str,
    learner: str,
    device: str,
    content: bytes | BinaryIO,
    file_name: str,
    unit: str | None = None,
    limit_bytes: int | None = None,
) -> str:
    """Have a piece that was measured read once more, from another file of it; returns the job's id.

    The mark stays as it is: what comes of it says how well devices repeat and agree (`docs/evidence/data.md`).

    Parameters
    ----------
    learner : str
        The learner's code; the piece is their last one in the sitting.
    device : str
        The scanner or rig it was read on now.

    Raises
    ------
    MissingError
        If the learner has no seat in a sitting this actor may hand in for.
    ConflictError
        If their piece is not measured.
    """
    device = _named(device)
    if unit not in (None, "mm", "cm", "m", "in", "um"):
        raise InputError(f"unit is '{printable(unit)}', expected mm, cm, m, in or um. Correct it.")
    with store.read() as tx:
        piece_id = _last_piece(tx, actor, sitting_id, learner)
    digest, size = store.blobs.put(content, limit_bytes=limit_bytes)
    if size == 0:
        raise InputError(f"{printable(file_name)} is empty (0 bytes), expected a scan of the piece. Export it again.")
    wanted = {"device": device, "blob": digest, "file_name": file_name[:200], "unit": unit, "by": actor.person_id}
    with store.write() as tx:
        tx.note_blob(digest, size)
        job = kept.Job(id=kept.new_id(), piece_id=piece_id, state="queued", tries=0, made_at=tx.now, again=wanted)
        tx.add(job)
        tx.say(str(actor), "sent to be read again", f"piece {piece_id}", sha256=digest)
        return job.id


def _last_piece(tx: Transaction, actor: Actor, sitting_id: str, learner: str) -> str:
    sitting = tx.get(kept.Sitting, sitting_id)
    if sitting is None or not may(actor, "piece.hand_in", sitting.site_id):
        raise MissingError("there is no such sitting. Choose one of the list.")
    person = tx.one(kept.Person, kept.Person.code == learner.strip())
    found = [] if person is None else tx.all(
        kept.Piece, kept.Piece.sitting_id == sitting_id, kept.Piece.learner_id == person.id, kept.Piece.erased_at.is_(None),
        order=[kept.Piece.attempt.desc()], limit=1,
    )  # fmt: skip
    if not found:
        raise MissingError(
            f"learner: no piece of '{printable(learner, limit=40)}' in this sitting, expected the code of one who handed in. Correct it."
        )
    if found[0].state != "assessed":
        raise ConflictError(
            "the piece is not measured, expected one that is: a second reading is held against the first. Choose another."
        )
    return str(found[0].id)


def _named(device: str) -> str:
    device = device.strip()
    if not device or len(device) > NAME_LIMIT:
        raise InputError(
            f"device: {len(device)} characters, expected 1 to {NAME_LIMIT}: what its station key calls it. Correct it."
        )
    return device
