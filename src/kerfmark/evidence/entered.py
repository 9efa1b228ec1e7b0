"""Who entered, whose pieces are accounted for, and what was out of order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.evidence.answer import Answer, Cell, Claim, Grid, Options, Verdict, counted
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.moderation import moderated_marks
from kerfmark.evidence.table import NO_MARK, Table

__all__ = ["cohort", "entered", "out_of_order", "passed_and_failed"]

LOG_MOST = 60


def cohort(table: Table, marks: Marks, cut: float | None) -> Grid:
    """How many entered, have every mark, and passed before and after moderation."""
    everyone, last = entered(table), table.last_attempts()
    scores, after = marks.per_learner, moderated_marks(last, marks).mean(axis=1)
    full = int(np.sum(~np.isnan(scores)))
    rows: list[tuple[Cell, ...]] = [
        ("entered", len(everyone)),
        ("with a mark in every exercise", full),
        ("without one in some or all", len(everyone) - full),
    ]
    for status in NO_MARK:
        whose = np.unique(last["learner"][last["status"] == status])
        rows.append((f"with a piece that is {status}", len(whose)))
    rows.append(("with an appeal", len(np.unique(table["learner"][table["status"] == "appeal"]))))
    moderated = bool(np.any(last["by"] == "moderated"))
    if cut is not None:
        for label, side in (("first marks", scores), ("after moderation", after)) if moderated else (("", scores),):
            passed = int(np.sum(side >= cut))
            words = f", {label}" if label else ""
            rows += [
                (f"at or above the line{words}", counted(passed)),
                (f"below the line{words}", counted(full - passed)),
            ]
    said = "Learners, last attempts. Only those with a mark in every exercise are held against the line."
    return Grid("Cohort", ("", "learners"), tuple(rows), (0, 0), said)


def passed_and_failed(table: Table, marks: Marks, cut: float | None) -> tuple[int, int] | None:
    """How many lie at or above the line after moderation, and how many below; None without a line."""
    if cut is None:
        return None
    scores = moderated_marks(table.last_attempts(), marks).mean(axis=1)
    return int(np.sum(scores >= cut)), int(np.sum(scores < cut))


def entered(table: Table) -> NDArray[np.str_]:
    """Everyone of whom a whole piece is known, handed in or not."""
    whole = table.where((table["criterion"] == "") & np.isin(table["by"], ("measured", "examiner")))
    return np.unique(whole["learner"].astype(str))


def out_of_order(table: Table, marks: Marks, options: Options) -> Answer:
    """Pieces without a mark and why, appeals and what came of them, and gaps in what was said."""
    everyone, last = entered(table), table.last_attempts()
    pieces, lost = _pieces(last, marks, everyone)
    grids = [pieces]
    stated = table.where(table["status"] != "")
    if len(stated) and options.codes:
        grids.append(_log(table, stated))
    grids.append(_gaps(last, marks))
    said = (
        "Every piece is accounted for."
        if not lost
        else f"{lost} pieces are not accounted for: no mark, and no word why."
    )
    said += (
        f" {len(stated)} pieces were reported absent, void, set aside or appealed."
        if len(stated)
        else " Nothing was reported out of order."
    )
    flags = [f"{lost} pieces have no mark and no status; say what became of them."] if lost else []
    flags += _open_appeals(table)
    verdict: Verdict = "stands" if not lost else "not shown"
    because = f"{len(everyone) * len(marks.exercises)} pieces expected, {lost} not accounted for"
    return Answer(
        "order", "Was anything out of order?", said, grids=tuple(grids), claims=(Claim("Nothing was lost", verdict, because, "order"),),
        methods=("Expected: one piece of each exercise from everyone who entered; last attempts. A piece that is absent, void or set aside has no mark, and no earlier attempt takes its place.",),
        flags=tuple(flags),
    )  # fmt: skip


def _pieces(last: Table, marks: Marks, everyone: NDArray[np.str_]) -> tuple[Grid, int]:
    rows: list[tuple[Cell, ...]] = []
    lost = 0
    for at, exercise in enumerate(marks.exercises):
        marked = int(np.sum(~np.isnan(marks.marks[:, at])))
        own = last.where((last["exercise"] == exercise) & (last["status"] != ""))
        counts = [len(np.unique(own["learner"][own["status"] == status])) for status in NO_MARK]
        open_ = len(everyone) - marked - sum(counts)
        lost += max(0, open_)
        rows.append((str(exercise), len(everyone), marked, *counts, open_))
    header = ("exercise", "expected", "marked", *NO_MARK, "not accounted for")
    return Grid(
        "Pieces",
        header,
        tuple(rows),
        (0,) * 7,
        "Each row adds up: expected is marked, absent, void, set aside and not accounted for.",
    ), lost


def _log(table: Table, stated: Table) -> Grid:
    order = np.lexsort((stated["learner"].astype(str), stated["exercise"].astype(str), stated["status"].astype(str)))
    shown = stated.where(order[:LOG_MOST])
    after = _moderated(table)
    rows: list[tuple[Cell, ...]] = []
    for at in range(len(shown)):
        piece = (str(shown["learner"][at]), str(shown["exercise"][at]), float(shown.number("attempt")[at]))
        score = float(shown.number("score")[at])
        first = f"{score:g}" if score == score else "no mark"
        came = f", {after[piece]:g} after" if piece in after else ""
        rows.append(
            (
                piece[0],
                piece[1],
                int(piece[2]),
                str(shown["status"][at]),
                first + came,
                str(shown["reason"][at]) or "no reason given",
            )
        )
    header = ("learner", "exercise", "attempt", "status", "mark", "reason")
    more = f" {len(shown)} of {len(stated)} are shown." if len(shown) < len(stated) else ""
    return Grid(
        "What was reported", header, tuple(rows), (0,) * 6, "Codes only: who they are stays with the school." + more
    )


def _moderated(table: Table) -> dict[tuple[str, str, float], float]:
    rows = table.said_by("moderated", whole=True)
    rows = rows.where(~np.isnan(rows.number("score")))
    keys = zip(rows["learner"].astype(str), rows["exercise"].astype(str), rows.number("attempt"), strict=True)
    return {(str(a), str(b), float(c)): float(s) for (a, b, c), s in zip(keys, rows.number("score"), strict=True)}


def _open_appeals(table: Table) -> list[str]:
    appeals = table.where(table["status"] == "appeal")
    after = _moderated(table)
    keys = zip(appeals["learner"].astype(str), appeals["exercise"].astype(str), appeals.number("attempt"), strict=True)
    open_ = sum((str(a), str(b), float(c)) not in after for a, b, c in keys)
    return [f"{open_} appeals have no moderated mark beside them; say what came of them."] if open_ else []


def _gaps(last: Table, marks: Marks) -> Grid:
    """Things that should have been said about pieces that have a mark, and were not."""
    criteria = last.said_by("measured", whole=False)
    criteria = criteria.where(np.isin(criteria["exercise"], marks.exercises))
    value, u = criteria.number("value"), criteria.number("u")
    examined = last.said_by("examiner", whole=True)
    score, grade = examined.number("score"), examined.number("grade")
    first = examined.number("repeat") == 1
    rows: tuple[tuple[Cell, ...], ...] = (
        (
            "readings without a standard uncertainty",
            int(np.sum(~np.isnan(value) & np.isnan(u))),
            int(np.sum(~np.isnan(value))),
        ),
        (
            "readings without a ruling",
            int(np.sum(~np.isnan(value) & (criteria["ruling"] == ""))),
            int(np.sum(~np.isnan(value))),
        ),
        (
            "rulings without a reading",
            int(np.sum(np.isnan(value) & (criteria["ruling"] != ""))),
            int(np.sum(criteria["ruling"] != "")),
        ),
        (
            "examiners' marks without an overall view",
            int(np.sum(first & ~np.isnan(score) & np.isnan(grade))),
            int(np.sum(first & ~np.isnan(score))),
        ),
        (
            "examiners' overall views without a mark",
            int(np.sum(first & np.isnan(score) & ~np.isnan(grade))),
            int(np.sum(first & ~np.isnan(grade))),
        ),
    )
    return Grid(
        "Gaps in what was said",
        ("", "missing", "of"),
        rows,
        (0, 0, 0),
        "Last attempts. A gap does not stop an answer, but it rests on less.",
    )
