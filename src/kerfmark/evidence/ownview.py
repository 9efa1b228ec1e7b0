"""Whether learners see their own work as it measures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Answer, Cell, Claim, Figure, Grid, Options, Verdict, counted
from kerfmark.evidence.ownhistory import HISTORY_LEAST
from kerfmark.evidence.ratings import first_device
from kerfmark.evidence.table import Table
from kerfmark.statistics.clustered import clustered_share
from kerfmark.statistics.confidence import brier, calibration_curve, recalibration
from kerfmark.statistics.estimates import FloatArray
from kerfmark.statistics.selfjudgement import judged_well, self_judgement

__all__ = ["own_view"]

ASKED = 0.7
CONFIDENCES_LEAST = 30
CLAIM = "Learners see their own work rightly"
METHODS = (
    "Own less measured; intervals by t over learners, who have several pieces each. A single attempt says little about one learner; histories need three.",
    "Own rulings: criteria too close to call are left out.",
    "Not drawn, since noise alone fills them: correlations alone, self-minus-measured against measured, quartiles, rankings by insight.",
)


def own_view(table: Table, options: Options, rng: np.random.Generator) -> Answer:
    """Own marks against measured ones, own rulings against measured rulings, confidence against what came true.

    Raises
    ------
    EvidenceError
        If no own view stands beside a measured one.
    """
    own, measured, people = _paired(table, "score", whole=True)
    parts = [_of_marks(own, measured, people)] if len(own) >= GROUP_LEAST else []
    views = _rulings(table)
    parts += [_of_rulings(*views, options, rng)] if len(views[0]) >= GROUP_LEAST else []
    if not parts:
        raise EvidenceError(
            f"fewer than {GROUP_LEAST} own views stand beside a measured one, so own judgement cannot be said. Ask learners before they see a reading."
        )
    unseen = Claim(CLAIM, "not shown", "no own mark stands beside a measured one", "ownview")
    return Answer(
        "ownview", "Do learners see their own work rightly?", " ".join(said for part in parts for said in part.said),
        grids=tuple(grid for part in parts for grid in part.grids), figures=tuple(figure for part in parts for figure in part.figures),
        claims=(next((part.claim for part in parts if part.claim is not None), unseen),), methods=METHODS,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Part:
    """What own marks, or own rulings, say."""

    grids: tuple[Grid, ...]
    figures: tuple[Figure, ...]
    said: tuple[str, ...]
    claim: Claim | None = None


def _of_marks(own: FloatArray, measured: FloatArray, people: NDArray[np.str_]) -> _Part:
    grid, sentence, claim = _marks(own, measured, people)
    keep = np.linspace(0, len(own) - 1, min(len(own), 1500)).astype(int)
    data = {"own": own[keep].tolist(), "measured": measured[keep].tolist()}
    figure = Figure("ownview", f"Own mark on measured mark, {len(own)} pieces; line: equal", data)
    history = _histories(own, measured, people)
    return _Part((grid, *((history,) if history is not None else ())), (figure,), (sentence,), claim)


def _of_rulings(
    agrees: FloatArray,
    confidence: FloatArray,
    criterion: NDArray[np.str_],
    who: NDArray[np.str_],
    options: Options,
    rng: np.random.Generator,
) -> _Part:
    said = f"Own rulings agree with the reading in {100 * agrees.mean():.0f} % of {len(agrees)} criteria."
    grid, rule, stated = _criteria(agrees, criterion, who), _rule(who), ~np.isnan(confidence)
    if stated.sum() < CONFIDENCES_LEAST:
        return _Part((grid, rule), (), (said,))
    more, figure, sentence = _confidence(confidence[stated], agrees[stated], who[stated], options, rng)
    return _Part((grid, more, rule), (figure,), (said, sentence))


def _keys(rows: Table, *names: str) -> NDArray[np.str_]:
    joined = rows[names[0]].astype(str)
    for name in names[1:]:
        joined = np.char.add(np.char.add(joined, "\x1f"), rows[name].astype(str))
    return joined


def _paired(table: Table, column: str, *, whole: bool) -> tuple[FloatArray, FloatArray, NDArray[np.str_]]:
    """Own and measured numbers of the same piece, and whose."""
    sides = []
    for speaker in ("own", "measured"):
        rows = table.said_by(speaker, whole=whole)
        rows = rows.where(~np.isnan(rows.number(column)) & (rows.number("repeat") == 1) & first_device(rows))
        sides.append((rows, _keys(rows, "learner", "exercise", "attempt") if len(rows) else np.zeros(0, dtype=str)))
    (own, own_key), (measured, key) = sides
    if not len(own) or not len(measured):
        return np.zeros(0), np.zeros(0), np.zeros(0, dtype=str)
    _, a, b = np.intersect1d(own_key, key, return_indices=True)
    return own.number(column)[a], measured.number(column)[b], own["learner"].astype(str)[a]


def _marks(own: FloatArray, measured: FloatArray, people: NDArray[np.str_]) -> tuple[Grid, str, Claim]:
    found = self_judgement(own, measured, people=people)
    total = found.parts.total or 1.0
    rows: list[tuple[Cell, ...]] = [
        ("bias, own less measured, points", found.bias), ("mean absolute error, points", found.mae), ("concordance (Lin)", found.concordance),
        ("closeness of the line, C_b", found.closeness if np.isfinite(found.closeness) else None),
        ("squared error from bias, unequal spread, scatter, %", ", ".join(f"{100 * part / total:.0f}" for part in (found.parts.bias, found.parts.spread, found.parts.scatter))),
    ]  # fmt: skip
    grid = Grid(
        "Own marks against measured marks",
        ("", f"{found.n} pieces of {len(np.unique(people))} learners"),
        tuple(rows),
        (0, 2),
        "Bias: on average too high or too low. Absolute error: how far off, either way. Concordance: 1 is own equals measured.",
    )
    word = "over" if found.bias.value > 0 else "under"
    sentence = f"Own marks lie {abs(found.bias.value):.1f} points {word} the measured ones on average, and {found.mae.value:.1f} points off either way."
    fair = found.bias.lower > -3 and found.bias.upper < 3
    verdict: Verdict = "stands" if fair and found.mae.upper < 5 else "with limits" if fair else "not shown"
    return (
        grid,
        sentence,
        Claim(
            CLAIM,
            verdict,
            f"bias {found.bias.value:+.1f}, 95 % {found.bias.lower:+.1f} to {found.bias.upper:+.1f}, off by {found.mae.value:.1f}, n {found.bias.n} learners",
            "ownview",
        ),
    )


def _histories(own: FloatArray, measured: FloatArray, people: NDArray[np.str_]) -> Grid | None:
    """How many learners' own history shows a bias: over, under, or neither."""
    code, d = np.unique(people, return_inverse=True)[1], own - measured
    counts = np.bincount(code)
    enough = np.flatnonzero(counts >= HISTORY_LEAST)
    if len(enough) < GROUP_LEAST:
        return None
    over = under = 0
    for at in enough:
        bias = self_judgement(own[code == at], measured[code == at]).bias
        over, under = over + int(bias.lower > 0), under + int(bias.upper < 0)
    rows: tuple[tuple[Cell, ...], ...] = (
        (f"learners with {HISTORY_LEAST} or more own marks", len(enough)), ("see themselves too high, interval above 0", counted(over)),
        ("see themselves too low, interval below 0", counted(under)), ("no bias shown", counted(len(enough) - over - under)),
    )  # fmt: skip
    spread = float(np.std([d[code == at].mean() for at in enough], ddof=1))
    return Grid(
        "Own histories",
        ("", "learners"),
        rows,
        (0, 0),
        f"Biases of learners spread by {spread:.1f} points, their own error included. Each learner's page shows their own history.",
    )


def _rulings(table: Table) -> tuple[FloatArray, FloatArray, NDArray[np.str_], NDArray[np.str_]]:
    """Agreement (0 or 1), stated chance, criterion and learner of every own ruling beside a settled reading."""
    own, measured = (table.said_by(s, whole=False) for s in ("own", "measured"))
    own = own.where(np.isin(own["ruling"], ("met", "not met")))
    measured = (
        measured.where(
            np.isin(measured["ruling"], ("met", "not met")) & (measured.number("repeat") == 1) & first_device(measured)
        )
        if len(measured)
        else measured
    )
    if not len(own) or not len(measured):
        return np.zeros(0), np.zeros(0), np.zeros(0, dtype=str), np.zeros(0, dtype=str)
    names = ("learner", "exercise", "attempt", "criterion")
    _, a, b = np.intersect1d(_keys(own, *names), _keys(measured, *names), return_indices=True)
    agrees = (own["ruling"][a] == measured["ruling"][b]).astype(float)
    return agrees, own.number("confidence")[a], own["criterion"].astype(str)[a], own["learner"].astype(str)[a]


def _criteria(agrees: FloatArray, criterion: NDArray[np.str_], who: NDArray[np.str_]) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    for name in np.unique(criterion):
        own = agrees[criterion == name]
        if len(own) < GROUP_LEAST:
            rows.append((str(name), counted(len(own)), "too few to show"))
            continue
        rows.append((str(name), len(own), clustered_share(own, who[criterion == name])))
    return Grid(
        "Own rulings against readings",
        ("criterion", "n", "share that agree (95 %)"),
        tuple(rows),
        (0, 0, 2),
        "How often a learner's own ruling is that of the reading, criterion by criterion.",
    )


def _confidence(
    stated: FloatArray, came: FloatArray, who: NDArray[np.str_], options: Options, rng: np.random.Generator
) -> tuple[Grid, Figure, str]:
    found = brier(stated, came, people=who, draws=options.draws, rng=rng, bins=np.linspace(0.1, 0.9, 9))
    rows: list[tuple[Cell, ...]] = [
        ("Brier score", found.score),
        ("reliability, resolution, uncertainty, within bins", f"{found.reliability:.4f}, {found.resolution:.4f}, {found.uncertainty:.4f}, {found.within:+.4f}"),
        ("skill against the overall share", found.skill if np.isfinite(found.skill) else None),
        ("stated, came true on average", f"{stated.mean():.2f}, {came.mean():.2f}"),
    ]  # fmt: skip
    try:
        again = recalibration(stated, came)
        rows += [
            ("recalibration intercept", again.intercept),
            ("recalibration slope; below 1 is overconfident", again.slope),
        ]
    except EvidenceError as why:
        rows.append(("recalibration", str(why)))
    points = calibration_curve(stated, came, bins=10)
    data = {
        "stated": [p.stated for p in points],
        "share": [p.share.value for p in points],
        "lower": [p.share.lower for p in points],
        "upper": [p.share.upper for p in points],
        "n": [p.n for p in points],
    }
    gap = float(stated.mean() - came.mean())
    word = "more" if gap > 0 else "less"
    sentence = f"They state {100 * stated.mean():.0f} % and are right in {100 * came.mean():.0f} %: {abs(100 * gap):.0f} points {word} sure than right."
    grid = Grid(
        "Confidence",
        ("", f"{len(stated)} own rulings with a stated chance"),
        tuple(rows),
        (0, 3),
        "Brier score: 0 is perfect, 0.25 is guessing. Recalibration: 0 and 1 would be chances that come true as stated.",
    )
    return (
        grid,
        Figure(
            "calibration",
            f"Share of own rulings that were right on stated chance, {len(stated)} rulings, 95 %; line: as stated",
            data,
        ),
        sentence,
    )


def _rule(who: NDArray[np.str_]) -> Grid:
    """What a passing rule on own judgement would be worth with as many criteria as learners judged."""
    judged = int(np.median(np.unique(who, return_counts=True)[1]))
    rows: list[tuple[Cell, ...]] = []
    for criteria in sorted({8, 12, 20, judged}):
        found = judged_well(criteria, criteria, asked=ASKED)
        rows.append((criteria, 100 * found.wrong_pass, 100 * found.wrong_fail))
    return Grid(f"A rule “{100 * ASKED:.0f} % of own rulings agree” and its error", ("criteria judged", "passes at 10 points too few, %", "fails at 10 points more, %"), tuple(rows), (0, 0, 0),
                "How often a learner whose true share is ten points below what is asked would pass, and one ten points above would fail.")  # fmt: skip
