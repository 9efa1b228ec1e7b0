"""What the error of a mark does to pass and fail, and what a guard would cost."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Verdict, counted, share_of
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.passline import PassLine
from kerfmark.evidence.sources import Sources
from kerfmark.statistics.decisions import decision_quality, guard_table
from kerfmark.statistics.dependability import conditional_error
from kerfmark.statistics.estimates import Estimate, FloatArray

__all__ = ["decisions"]

NAMES = {
    "accuracy": "right decisions (accuracy)", "consistency": "same on a second sitting (consistency)", "kappa": "consistency beyond chance (kappa)",
    "false_pass": "passed in error", "false_fail": "failed in error",
}  # fmt: skip


def decisions(marks: Marks, line: PassLine, sources: Sources, options: Options, rng: np.random.Generator) -> Answer:
    """Accuracy and consistency of pass and fail, wrong passes and failures, the conditional error, and guards.

    Raises
    ------
    EvidenceError
        If marks have no spread or dependability is 0 or 1.
    """
    scores = marks.per_learner[~np.isnan(marks.per_learner)]
    if len(scores) < 10:
        raise EvidenceError(
            f"{len(scores)} learners have a mark in every exercise, at least 10 are needed to judge decisions."
        )
    cut, sem = line.cut.value, sources.study.sem
    quality = decision_quality(scores, sources.study.dependability, cut, draws=options.draws, rng=rng)
    n, near = len(scores), float(np.mean(np.abs(scores - cut) <= sem))
    wrong = n * (quality["false_pass"].value + quality["false_fail"].value)
    said = (
        f"Of {n} decisions about {wrong:.0f} are in error: {n * quality['false_pass'].value:.0f} passed and {n * quality['false_fail'].value:.0f} failed in error. "
        f"On a second like sitting {100 * quality['consistency'].value:.0f} % would be decided the same."
    )
    flag = f"{100 * near:.0f} % of learners lie within one standard error of the line, above {100 * options.near_flag:.0f} %."
    consistency = quality["consistency"]
    methods = (
        f"{consistency.method[0].upper()}{consistency.method[1:]}, dependability {sources.study.dependability:.2f}.",
        f"Guards: the line moved k standard errors ({sem:.1f} points); true marks normal.",
    )
    return Answer(
        "decisions", "How many decisions are right?", said, grids=(_quality(quality, marks, scores, cut, sem), _guards(scores, cut, sem, sources)),
        figures=(_squares(quality, n), _conditional(marks, cut)), claims=(_claim(consistency, n),), methods=methods,
        flags=(flag,) if near > options.near_flag else (),
    )  # fmt: skip


def _quality(quality: Mapping[str, Estimate], marks: Marks, scores: FloatArray, cut: float, sem: float) -> Grid:
    n, near = len(scores), int(np.sum(np.abs(scores - cut) <= sem))
    rows: list[tuple[Cell, ...]] = [
        (NAMES[key], quality[key], f"about {n * quality[key].value:.0f} of {n}" if "in error" in NAMES[key] else "")
        for key in NAMES
    ]
    rows.append(("within one SEM of the line", share_of(near, n), counted(near)))
    at_line = _error_at(marks, cut)
    if at_line is not None:
        rows.append(("standard error of marks near the line, points", at_line, "conditional, learners within 5 points"))
    said = f"How often pass and fail agree with what learners can truly do, and with a second like sitting, n {n}."
    return Grid("Quality of decisions", ("", "share (95 %)", "learners"), tuple(rows), (0, 3, 0), said)


def _claim(consistency: Estimate, n: int) -> Claim:
    verdict: Verdict = (
        "stands" if consistency.lower >= 0.9 else "with limits" if consistency.value >= 0.8 else "not shown"
    )
    because = f"consistency {consistency.value:.2f}, 95 % {consistency.lower:.2f} to {consistency.upper:.2f}, n {n}"
    return Claim("Pass and fail are stable on a second sitting", verdict, because, "decisions")


def _squares(quality: Mapping[str, Estimate], n: int) -> Figure:
    data = {key: quality[key].value * n for key in ("true_pass", "false_pass", "true_fail", "false_fail")}
    data |= {f"{key}_half": n * (quality[key].upper - quality[key].lower) / 2 for key in ("false_pass", "false_fail")}
    return Figure("decisions", f"{n} decisions, area to scale; dark: in error", {**data, "n": n})


def _error_at(marks: Marks, cut: float) -> float | None:
    full = marks.complete
    own = full[np.abs(full.mean(axis=1) - cut) <= 5.0] if len(full) else full
    if len(own) < 10 or own.shape[1] < 2:
        return None
    return float(np.sqrt(np.mean(conditional_error(own) ** 2)))


def _guards(scores: FloatArray, cut: float, sem: float, sources: Sources) -> Grid:
    sd = float(np.sqrt(max(sources.study.universe, 1e-12)))
    rows: list[tuple[Cell, ...]] = []
    for guard in guard_table(float(scores.mean()), sd, max(sem, 1e-9), cut, ks=(-1.0, 0.0, 1.0, 1.645)):
        fails = int(np.sum(scores < guard.cut))
        rows.append(
            (
                f"{guard.k:+.3g} SEM" if guard.k else "no guard",
                guard.cut,
                100 * guard.false_pass,
                100 * guard.false_fail,
                counted(fails),
            )
        )
    return Grid("A guard on the line", ("line moved by", "line", "passed in error, %", "failed in error, %", "fail here"), tuple(rows), (0, 1, 1, 1, 0),
                "Fewer wrong passes are bought with more wrong failures; both are always shown.")  # fmt: skip


def _conditional(marks: Marks, cut: float) -> Figure:
    full = marks.complete
    error = conditional_error(full) if len(full) and full.shape[1] > 1 else np.zeros(0)
    mean = full.mean(axis=1) if len(full) else np.zeros(0)
    keep = np.linspace(0, max(0, len(mean) - 1), min(len(mean), 1500)).astype(int)
    smooth: dict[str, list[float]] = {"at": [], "error": []}
    order = np.argsort(mean)
    for part in np.array_split(order, max(1, min(12, len(order) // 15))):
        if len(part) >= 10:
            smooth["at"].append(float(mean[part].mean()))
            smooth["error"].append(float(np.sqrt(np.mean(error[part] ** 2))))
    data = {"mark": mean[keep].tolist(), "error": error[keep].tolist(), "smooth": smooth, "cut": cut}
    return Figure(
        "conditional",
        f"Standard error of each of {len(mean)} learners' own mark, and its mean over learners of like marks",
        data,
    )
