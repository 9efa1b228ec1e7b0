"""What moderation looked at, what it changed, and by which rule."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict, counted
from kerfmark.evidence.marks import Marks, placed
from kerfmark.evidence.ratings import Pairs, examiner_pairs
from kerfmark.evidence.table import Table
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.estimates import FloatArray

__all__ = ["LogLine", "moderated_marks", "moderation", "moderation_log", "outcomes_of"]

LOG_MOST = 40
CHANGED = 0.05
"""A mark moved by less than this many points has not changed."""
OUTCOMES = ("pass", "borderline", "fail")


@dataclass(frozen=True, slots=True)
class LogLine:
    """One piece in the moderation log.

    Attributes
    ----------
    learner, exercise : str
    examiners : str
        Who marked it first, and what they said.
    difference : float
        Largest between two examiners, points; NaN where one alone marked it.
    beyond : bool
        More than error alone makes.
    before, after : float
        The mark that would have decided, and the mark that stands; `after` is NaN where moderation did not look.
    by, rule : str
        Who settled it, and by which rule.
    """

    learner: str
    exercise: str
    examiners: str
    difference: float
    beyond: bool
    before: float
    after: float
    by: str
    rule: str


def moderated_marks(last: Table, marks: Marks) -> FloatArray:
    """Marks after moderation, in the shape of `marks.marks`; first marks where moderation did not look."""
    rows = last.said_by("moderated", whole=True)
    after = placed(rows.where(~np.isnan(rows.number("score"))), "score", marks.learners, marks.exercises)
    return np.where(np.isnan(after), marks.marks, after)


def moderation_log(last: Table, marks: Marks, options: Options) -> list[LogLine]:
    """Every piece whose examiners differ by more than error, and every piece that was moderated; greatest difference first."""
    pairs = examiner_pairs(last)
    widest = _widest(pairs)
    limit = pairs.limit(options.pair_factor) if pairs is not None else math.nan
    rows = last.said_by("moderated", whole=True)
    moderated = {(str(l), str(e)): at for at, (l, e) in enumerate(zip(rows["learner"], rows["exercise"], strict=True))}  # noqa: E741
    beyond = {piece for piece, (difference, _) in widest.items() if difference > limit}
    made = []
    for piece in beyond | set(moderated):
        difference, words = widest.get(piece, (math.nan, ""))
        at = moderated.get(piece)
        after = math.nan if at is None else float(rows.number("score")[at])
        by, rule = ("", "") if at is None else (str(rows["examiner"][at]), str(rows["reason"][at]))
        made.append(LogLine(*piece, words, difference, piece in beyond, _mark_of(marks, *piece), after, by, rule))
    return sorted(
        made,
        key=lambda line: (-line.difference if line.difference == line.difference else 0.0, line.learner, line.exercise),
    )


def _widest(pairs: Pairs | None) -> dict[tuple[str, str], tuple[float, str]]:
    """The widest difference on each piece, and who said what."""
    found: dict[tuple[str, str], tuple[float, str]] = {}
    for at in range(len(pairs) if pairs is not None else 0):
        assert pairs is not None
        piece, difference = (str(pairs.learner[at]), str(pairs.exercise[at])), abs(float(pairs.difference[at]))
        if piece not in found or difference > found[piece][0]:
            words = f"{pairs.first[at]} {pairs.first_mark[at]:g}, {pairs.second[at]} {pairs.second_mark[at]:g}"
            found[piece] = (difference, words)
    return found


def _mark_of(marks: Marks, learner: str, exercise: str) -> float:
    row, column = np.flatnonzero(marks.learners == learner), np.flatnonzero(marks.exercises == exercise)
    return float(marks.marks[row[0], column[0]]) if len(row) and len(column) else math.nan


def outcomes_of(scores: FloatArray, cut: float, error: float) -> NDArray[np.intp]:
    """0 pass, 1 borderline, 2 fail: borderline lies within one standard error of the line.

    Examples
    --------
    >>> outcomes_of(np.array([60.0, 53.0, 40.0]), cut=52.0, error=2.0).tolist()
    [0, 1, 2]
    """
    return np.where(np.abs(scores - cut) <= error, 1, np.where(scores >= cut, 0, 2))


def moderation(table: Table, marks: Marks, cut: float | None, error: float | None, options: Options) -> Answer:
    """Pieces on which examiners differ, what was settled how, and who passes before and after.

    Parameters
    ----------
    table : Table
    marks : Marks
    cut, error : float or None
        The pass line and the standard error of a learner's mark, where they could be worked out.
    options : Options

    Raises
    ------
    EvidenceError
        If no piece was marked by two examiners and none was moderated.
    """
    last = table.last_attempts()
    pairs, log = examiner_pairs(last), moderation_log(last, marks, options)
    if pairs is None and not log:
        raise EvidenceError(
            "no piece was marked by two examiners and none was moderated. Have some pieces marked twice, and keep what was settled in moderated rows."
        )
    settled = [line for line in log if line.after == line.after]
    beyond = [line for line in log if line.beyond]
    grids = [_overview(pairs, log, options)]
    if settled:
        grids.append(_rules(settled))
        if cut is not None:
            grids.append(_before_after(last, marks, cut, error or 0.0))
    if options.codes and log:
        grids.append(_listed(log))
    open_ = [line for line in beyond if line.after != line.after]
    flags = [f"{len(open_)} pieces on which examiners differ by more than error were not moderated."] if open_ else []
    return Answer(
        "moderation", "What did moderation change?", _sentence(settled, beyond, open_), grids=tuple(grids), figures=_figures(pairs, options),
        claims=(_claim(beyond, open_, settled),) if pairs is not None else (), methods=_methods(pairs, options), flags=tuple(flags),
    )  # fmt: skip


def _sentence(settled: list[LogLine], beyond: list[LogLine], open_: list[LogLine]) -> str:
    said = (
        "On no piece do two examiners differ by more than error alone makes."
        if not beyond
        else f"On {len(beyond)} pieces two examiners differ by more than error alone makes; "
        + ("all of them were settled." if not open_ else f"{len(open_)} of them were left as they were.")
    )
    if not settled:
        return said + " The table holds no moderated mark."
    changed = sum(abs(line.after - line.before) > CHANGED for line in settled)
    return said + f" Moderation looked at {len(settled)} pieces and changed the mark of {changed}."


def _overview(pairs: Pairs | None, log: list[LogLine], options: Options) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    if pairs is not None:
        pieces = len({*zip(pairs.learner.tolist(), pairs.exercise.tolist(), strict=True)})
        limit = pairs.limit(options.pair_factor)
        over = int(np.sum(np.abs(pairs.difference) > limit))
        expected = 2 * (1 - _normal(options.pair_factor)) * len(pairs)
        rows += [
            ("pieces marked by two or more examiners", pieces),
            ("pairs of marks", len(pairs)),
            ("mean difference without sign, points", clustered_mean(np.abs(pairs.difference), pairs.learner)),
            ("a difference is more than error above, points", f"{limit:.1f}"),
            ("pairs beyond it", f"{counted(over)}; about {expected:.0f} by chance"),
        ]
    settled = [line for line in log if line.after == line.after]
    moved = [line for line in settled if abs(line.after - line.before) > CHANGED]
    rows += [("pieces moderated", len(settled)), ("marks changed", len(moved))]
    if len(moved) > 2:
        change = np.array([line.after - line.before for line in moved])
        rows.append(
            ("mean change of those, points", clustered_mean(change, np.array([line.learner for line in moved])))
        )
        rows.append(
            ("greatest change down and up, points", f"{min(0.0, change.min()):+.1f}, {max(0.0, change.max()):+.1f}")
        )
    return Grid("Differences and changes", ("", "value (95 %)"), tuple(rows), (0, 1), "The limit says which differences a second look should explain; a few lie beyond it by chance.")  # fmt: skip


def _normal(z: float) -> float:
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _rules(settled: list[LogLine]) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for rule in sorted({line.rule for line in settled}):
        own = [line for line in settled if line.rule == rule]
        change = np.array([line.after - line.before for line in own if line.before == line.before])
        mean: Cell = clustered_mean(change, np.array([line.learner for line in own if line.before == line.before])) if len(change) > 2 and np.ptp(change) > 0 else f"{change.mean():+.1f}" if len(change) else None  # fmt: skip
        rows.append((rule or "no rule named", len(own), int(np.sum(np.abs(change) > CHANGED)), mean))
    return Grid("Rules applied", ("rule", "pieces", "marks changed", "mean change, points (95 %)"), tuple(rows), (0, 0, 0, 1), "How each moderated mark came about.")  # fmt: skip


def _before_after(last: Table, marks: Marks, cut: float, error: float) -> Grid:
    before, after = marks.per_learner, moderated_marks(last, marks).mean(axis=1)
    known = ~np.isnan(before) & ~np.isnan(after)
    one, other = outcomes_of(before[known], cut, error), outcomes_of(after[known], cut, error)
    counts = np.zeros((3, 3), dtype=int)
    np.add.at(counts, (one, other), 1)
    rows: list[tuple[Cell, ...]] = [
        (f"{name} before", *(counted(int(n)) for n in counts[at]), counted(int(counts[at].sum())))
        for at, name in enumerate(OUTCOMES)
    ]
    rows.append(("all", *(counted(int(n)) for n in counts.sum(axis=0)), int(counts.sum())))
    passed = [int(np.sum(side[known] >= cut)) for side in (before, after)]
    said = (
        f"Learners; borderline lies within one standard error ({error:.1f} points) of the line. "
        f"At or above the line: {passed[0]} of {known.sum()} before, {passed[1]} after."
    )
    return Grid("Pass, borderline and fail before and after", ("", *(f"{name} after" for name in OUTCOMES), "all"), tuple(rows), (0,) * 5, said)  # fmt: skip


def _listed(log: list[LogLine]) -> Grid:
    shown = log[:LOG_MOST]
    rows: list[tuple[Cell, ...]] = [
        (line.learner, line.exercise, line.examiners or None, line.difference if line.difference == line.difference else None, "beyond error" if line.beyond else "",
         line.before if line.before == line.before else None, line.after if line.after == line.after else "not looked at", line.by, line.rule)
        for line in shown
    ]  # fmt: skip
    more = (
        f" The {len(shown)} widest of {len(log)} pieces are shown."
        if len(log) > len(shown)
        else f" All {len(log)} pieces."
    )
    header = ("learner", "exercise", "first marks", "differ by", "", "before", "after", "settled by", "rule")
    return Grid(
        "Moderation log",
        header,
        tuple(rows),
        (0, 0, 0, 0, 0, 1, 1, 0, 0),
        "Codes only: who they are stays with the school." + more,
    )


def _figures(pairs: Pairs | None, options: Options) -> tuple[Figure, ...]:
    if pairs is None or len(pairs) < 10 or not pairs.error > 0:
        return ()
    data = {"difference": pairs.difference.tolist(), "limit": pairs.limit(options.pair_factor)}
    return (
        Figure(
            "differences",
            f"Differences of two examiners on one piece, {len(pairs)} pairs; corridor: what error alone makes",
            data,
        ),
    )


def _methods(pairs: Pairs | None, options: Options) -> tuple[str, ...]:
    words = [
        "Before: the mark that decides without moderation, last attempt. After: the moderated mark where there is one. All other questions rest on first marks."
    ]
    if pairs is not None:
        words.append(
            f"Beyond error: a difference above {options.pair_factor:g} times the square root of 2 times {pairs.error:.1f} points, the standard error of one examiner's mark."
        )
    return tuple(words)


def _claim(beyond: list[LogLine], open_: list[LogLine], settled: list[LogLine]) -> Claim:
    done = len(beyond) - len(open_)
    verdict: Verdict = "stands" if not open_ else "with limits" if done >= 0.9 * len(beyond) else "not shown"
    because = f"{done} of {len(beyond)} pieces beyond error were settled, {len(settled)} looked at in all"
    if not beyond:
        because = "no two examiners differ by more than error"
    return Claim("Where examiners differ, somebody looked again", verdict, because, "moderation")
