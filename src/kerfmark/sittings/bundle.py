"""Everything needed to make a mark again, as one zip."""

from __future__ import annotations

import io
import json
import zipfile
from typing import Any

from kerfmark.errors import ConflictError, RightsError
from kerfmark.sittings.marks import Standing
from kerfmark.sittings.packed import as_json_bytes
from kerfmark.sittings.rights import Actor
from kerfmark.sittings.sight import seen
from kerfmark.storage import Store, Transaction
from kerfmark.storage import schema as kept

__all__ = ["appeal_zip"]


def appeal_zip(store: Store, actor: Actor, piece_id: str) -> bytes:
    """Everything needed to make a piece's mark again, as one zip.

    The exercise, the files, readings, rulings, decisions, signatures, the audit entries, and a page that says how. For the piece's learner once the mark is shown (other people's names left out), and for who sees every piece at the site.
    """
    with store.read() as tx:
        found, sight = seen(tx, actor, piece_id)
        if not sight.mark or found.marked is None:
            raise ConflictError("the mark is not made and shown yet, so there is nothing to make again. Wait for it.")
        if sight.as_ == "examiner":
            raise RightsError("the bundle is for the learner and for who oversees the site. Ask the lead.")
        members = _members(tx, store, found, named=sight.as_ == "overseer")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return packed.getvalue()


def _members(tx: Transaction, store: Store, found: Standing, *, named: bool) -> dict[str, bytes]:
    """The bundle's files by name."""
    assert found.marked is not None
    row = found.piece
    exercise, assessment = (
        tx.get(kept.ExerciseVersion, row.exercise_version_id),
        tx.get(kept.Assessment, found.marked.assessment_id),
    )
    sitting = tx.get(kept.Sitting, row.sitting_id)
    assert exercise is not None
    assert assessment is not None
    assert sitting is not None
    suffix = "." + row.file_name.rpartition(".")[2].lower()
    members = {"exercise.zip": store.blobs.get(exercise.blob), f"piece{suffix}": store.blobs.get(row.blob)}
    members |= {f"{side}{suffix}": store.blobs.get(sha) for side, sha in row.neighbours.items()}
    if row.rig_blob is not None:
        members["rig.toml"] = store.blobs.get(row.rig_blob)
    if assessment.blob is not None:
        members["assessment.json"] = store.blobs.get(assessment.blob)
    mark = {
        "piece": {"id": row.id, "sha256": row.blob, "attempt": row.attempt, "received_at": row.received_at},
        "exercise": {"id": exercise.exercise, "version": exercise.version, "pass": exercise.definition["pass"]},
        "sitting": {"kind": sitting.kind, "second": sitting.second, "agree_percent": sitting.agree_percent, "limits": sitting.limits},
        "kerfmark": assessment.kerfmark,
        "readings": [
            {"criterion": r.criterion, "reading": r.reading, "where": r.where, "stat": r.stat, "unit": r.unit, "value": r.value,
             "u": r.u, "status": r.status, "reason": r.reason}
            for r in tx.all(kept.Reading, kept.Reading.assessment_id == assessment.id, order=[kept.Reading.position])
        ],
        "markings": [_marking(tx, m) for m in tx.all(kept.Marking, kept.Marking.piece_id == row.id, order=[kept.Marking.number])],
        "examinations": [_examination(tx, e, named=named) for e in tx.all(kept.Examination, kept.Examination.piece_id == row.id, order=[kept.Examination.made_at])],
        "signatures": [
            {"number": s.number, "by": _name(tx, s.person_id) if named else "a named person", "at": s.made_at, "percent": s.percent,
             "outcome": s.outcome, "basis": s.basis}
            for s in tx.all(kept.Signature, kept.Signature.piece_id == row.id, order=[kept.Signature.number])
        ],
        "now": {"percent": found.percent, "outcome": found.outcome, "rule": found.rule, "rulings": [r.ruling for r in found.rulings]},
    }  # fmt: skip
    audit = [
        {
            "seq": a.seq,
            "at": a.at,
            "action": a.action,
            "details": json.loads(a.details),
            "before": a.before,
            "hash": a.hash,
        }
        | ({"actor": a.actor} if named else {})
        for a in tx.all(kept.AuditEntry, kept.AuditEntry.about == f"piece {row.id}", order=[kept.AuditEntry.seq])
    ]
    members["mark.json"] = as_json_bytes(mark)
    members["audit.json"] = as_json_bytes(audit)
    members["README.txt"] = HOW.format(suffix=suffix, kerfmark=assessment.kerfmark).encode()
    return members


HOW = """How to make this mark again
---------------------------
1. Install Kerfmark {kerfmark} and run, in this folder:
       kerfmark assess exercise.zip piece{suffix} --json again.json
   (with --neighbour mesial=mesial{suffix} or distal=distal{suffix} where they are here, and --rig rig.toml).
2. The readings and rulings in again.json are those of assessment.json and of "readings" in mark.json.
3. "markings" holds the limits' rulings, each with its limits; "examinations" what examiners decided on top; "now" what it comes to:
   a criterion takes the examiners' word where there is one, the weights of the met ones over all weights are the percent, and
   two examiners are averaged where they lie within "agree_percent" and agree on the outcome, else a moderator decides.
4. "signatures" says who stood for it, audit.json what was written down when.
Files have the SHA-256 that mark.json gives. Exercises only: nothing here is for use on patients.
"""


def _marking(tx: Transaction, row: kept.Marking) -> dict[str, Any]:
    rulings = tx.all(kept.Ruling, kept.Ruling.marking_id == row.id, order=[kept.Ruling.criterion])
    return {
        "number": row.number, "why": row.why, "at": row.made_at, "percent": row.percent, "outcome": row.outcome,
        "rulings": [
            {"criterion": r.criterion, "limits": [r.lower, r.upper], "probability_inside": r.probability_inside, "ruling": r.ruling}
            for r in rulings
        ],
    }  # fmt: skip


def _examination(tx: Transaction, row: kept.Examination, *, named: bool) -> dict[str, Any]:
    criteria = tx.all(
        kept.ExaminedCriterion,
        kept.ExaminedCriterion.examination_id == row.id,
        order=[kept.ExaminedCriterion.criterion],
    )
    return {
        "id": row.id, "marking": row.round, "part": row.part, "at": row.made_at, "percent": row.percent, "grade": row.grade, "note": row.note,
        "rulings": [{"criterion": c.criterion, "ruling": c.ruling, "note": c.note} for c in criteria],
        **({"by": _name(tx, row.examiner_id)} if named else {}),
    }  # fmt: skip


def _name(tx: Transaction, person_id: str) -> str:
    row = tx.get(kept.Person, person_id)
    return "" if row is None else row.name
