"""Whether learners are learning, how far, and after how many attempts they meet the line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Answer, Cell, Claim, Figure, Grid, Options, Verdict, counted
from kerfmark.evidence.table import Table
from kerfmark.statistics.cusum import cusum_limits, cusum_path, learning_limit, learning_path
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.growth import mixed_growth
from kerfmark.statistics.learning import Curve, attempts_to, learning_curve

__all__ = ["learning"]

LEARNERS_MOST = 400
PATHS_MOST = 60


def learning(table: Table, cut: float | None, options: Options, rng: np.random.Generator) -> Answer:
    """Growth over attempts, each learner's curve, and attempts until the line is met.

    Raises
    ------
    EvidenceError
        If fewer than ten learners have a second attempt.
    """
    rows = table.said_by("measured", whole=True)
    rows = rows.where(~np.isnan(rows.number("score")) & (rows.number("repeat") == 1))
    exercise, who, attempt, score = _most_practised(rows)
    counts = np.unique(who, return_counts=True)[1]
    if np.sum(counts >= 2) < GROUP_LEAST:
        raise EvidenceError(
            f"{int(np.sum(counts >= 2))} learners have a second measured attempt at one exercise, at least {GROUP_LEAST} are needed to see learning."
        )
    grids: list[Grid] = []
    said, slope = _growth(grids, who, attempt, score, exercise)
    curves = _curves(who, attempt, score)
    figures = [
        Figure(
            "learning",
            f"{exercise}: marks by attempt, each learner a line ({min(PATHS_MOST, len(counts))} of {len(counts)} shown)",
            _paths(who, attempt, score),
        )
    ]
    if curves:
        grids.append(_curve_grid(curves))
    if cut is not None:
        figures += _towards(grids, said, who, attempt, score, cut, options, rng)
    verdict: Verdict = "not shown" if slope is None or slope.lower <= 0 else "stands"
    because = (
        f"{slope.value:+.1f} points an attempt, 95 % {slope.lower:+.1f} to {slope.upper:+.1f}, n {slope.n}"
        if slope
        else "growth could not be fitted"
    )
    methods = (
        f"Exercise with the most attempts: {exercise}. Growth: own start and slope for each learner, restricted maximum likelihood.",
        "Curves: each learner alone, flat, power or exponential by AICc, six attempts or more; the class mean is never fitted.",
        "Attempts to the line: Kaplan-Meier; learners not there yet are censored at their last attempt.",
        f"Charts: failure rates {options.acceptable:.0%} acceptable and {options.unacceptable:.0%} not; limits simulated for these rates.",
    )
    claim = Claim("Learners get better with practice", verdict, because, "learning")
    return Answer(
        "learning",
        "Are they learning?",
        " ".join(said),
        grids=tuple(grids),
        figures=tuple(figures),
        claims=(claim,),
        methods=methods,
    )


def _most_practised(rows: Table) -> tuple[str, NDArray[np.intp], FloatArray, FloatArray]:
    if not len(rows):
        raise EvidenceError("no measured mark has an attempt, so learning cannot be said.")
    names, counts = np.unique(rows.where(rows.number("attempt") > 1)["exercise"], return_counts=True)
    if not len(names):
        raise EvidenceError(
            "every exercise was cut once only, so learning cannot be said. Number attempts in the column attempt."
        )
    exercise = str(names[np.argmax(counts)])
    own = rows.where(rows["exercise"] == exercise)
    order = np.lexsort((own.number("attempt"), own["learner"]))
    own = own.where(np.ones(len(own), dtype=bool))
    who = np.unique(own["learner"], return_inverse=True)[1]
    return exercise, who[order], own.number("attempt")[order], own.number("score")[order]


def _growth(
    grids: list[Grid], who: NDArray[np.intp], attempt: FloatArray, score: FloatArray, exercise: str
) -> tuple[list[str], Estimate | None]:
    try:
        found = mixed_growth(who, attempt - 1.0, score)
    except EvidenceError as why:
        return [f"Growth over attempts cannot be fitted: {why}"], None
    rows: tuple[tuple[Cell, ...], ...] = (
        ("mark at the first attempt", found.start), ("points an attempt", found.slope), ("spread of learners' starts, SD", float(np.sqrt(max(0, found.var_start)))),
        ("spread of learners' slopes, SD", float(np.sqrt(max(0, found.var_slope)))), ("spread about own line, SD", float(np.sqrt(found.residual))),
    )  # fmt: skip
    grids.append(
        Grid(
            f"Growth over attempts at {exercise}",
            ("", f"{found.people} learners with two attempts or more"),
            rows,
            (0, 1),
            "Own lines: where each learner starts and how much an attempt adds, and how much these differ between learners.",
        )
    )
    return [
        f"At {exercise}, marks rise by {found.slope.value:.1f} points an attempt ({found.slope.lower:.1f} to {found.slope.upper:.1f}), n {found.people}."
    ], found.slope


def _curves(who: NDArray[np.intp], attempt: FloatArray, score: FloatArray) -> list[Curve]:
    made = []
    for at in range(min(int(who.max()) + 1, LEARNERS_MOST)):
        own = who == at
        try:
            made.append(learning_curve(attempt[own], score[own]))
        except EvidenceError:
            continue
    return made


def _curve_grid(curves: list[Curve]) -> Grid:
    shapes = [c.shape for c in curves]
    rising = [c for c in curves if c.shape != "flat" and c.gain < 0]
    rows: list[tuple[Cell, ...]] = [("learners with six attempts or more", len(curves))]
    rows += [(f"{name} curve", counted(shapes.count(name))) for name in ("flat", "power", "exponential")]
    if len(rising) >= GROUP_LEAST:
        low, middle, high = np.quantile([c.asymptote for c in rising], [0.25, 0.5, 0.75])
        rows.append(
            ("level approached: lower quartile, median, upper quartile", f"{low:.0f}, {middle:.0f}, {high:.0f}")
        )
    rows.append(("spread about own curve, median SD", float(np.median([c.residual_sd for c in curves]))))
    said = "Which curve fits each learner's own attempts best; the level is where a curve flattens out."
    return Grid("Curves of single learners", ("", "value"), tuple(rows), (0, 1), said)


def _paths(who: NDArray[np.intp], attempt: FloatArray, score: FloatArray) -> dict[str, list[object]]:
    keep = np.isin(who, np.linspace(0, who.max(), min(PATHS_MOST, int(who.max()) + 1)).astype(int))
    at = np.unique(attempt)
    at = np.array([a for a in at if np.sum(attempt == a) >= GROUP_LEAST])
    return {
        "learner": [int(w) for w in who[keep]], "attempt": [float(a) for a in attempt[keep]], "mark": [float(s) for s in score[keep]],
        "at": [float(a) for a in at], "median": [float(np.median(score[attempt == a])) for a in at],
    }  # fmt: skip


def _towards(
    grids: list[Grid],
    said: list[str],
    who: NDArray[np.intp],
    attempt: FloatArray,
    score: FloatArray,
    cut: float,
    options: Options,
    rng: np.random.Generator,
) -> list[Figure]:
    people = np.unique(who)
    met = score >= cut
    first = np.array(
        [attempt[(who == at) & met].min() if np.any((who == at) & met) else attempt[who == at].max() for at in people]
    )
    there = np.array([bool(np.any((who == at) & met)) for at in people])
    figures: list[Figure] = []
    try:
        found = attempts_to(first, there)
        median: Cell = found.median
        if isinstance(median, Estimate) and np.isinf(median.upper):
            median = f"{median.value:.0f} ({median.lower:.0f} to not yet known)"
        rows: list[tuple[Cell, ...]] = [
            (f"met {cut:.1f} at least once", f"{counted(found.reached)} of {found.n}"),
            ("median attempt at which it was first met", median),
        ]
        grids.append(
            Grid(
                "Attempts until the line is first met",
                ("", "learners"),
                tuple(rows),
                (0, 0),
                "Learners who have not met it yet count as not yet, not as never.",
            )
        )
        data = {
            "attempt": found.attempts.tolist(),
            "share": found.share.tolist(),
            "lower": found.lower.tolist(),
            "upper": found.upper.tolist(),
        }
        figures.append(Figure("attempts", f"Share of {found.n} learners who have met the line, by attempt; 95 %", data))
    except EvidenceError as why:
        said.append(str(why))
    most = int(np.median(np.unique(who, return_counts=True)[1]))
    if most >= 4:
        figures.append(_charts(grids, who, ~met, options, rng, most))
    return figures


def _charts(
    grids: list[Grid],
    who: NDArray[np.intp],
    failed: NDArray[np.bool_],
    options: Options,
    rng: np.random.Generator,
    most: int,
) -> Figure:
    """Failure charts with two limits, and the learning chart with its simulated limit."""
    limits = cusum_limits(options.acceptable, options.unacceptable)
    found = learning_limit(inadequate=options.unacceptable, adequate=options.acceptable, attempts=most, rng=rng)
    above = below = adequate = 0
    drawn: dict[str, list[float]] = {"learner": [], "attempt": [], "sum": []}
    for at in np.unique(who):
        own = failed[who == at].astype(float)
        path = cusum_path(own, limits)
        up, down = np.argmax(np.r_[path > limits.upper, True]), np.argmax(np.r_[path < -limits.lower, True])
        above, below = above + int(up < down), below + int(down < up)
        adequate += int(
            np.any(learning_path(own, inadequate=options.unacceptable, adequate=options.acceptable) >= found.h)
        )
        if at < PATHS_MOST:
            drawn["learner"] += [float(at)] * len(path)
            drawn["attempt"] += list(range(1, len(path) + 1))
            drawn["sum"] += path.tolist()
    n = len(np.unique(who))
    rows: tuple[tuple[Cell, ...], ...] = (
        (f"failure chart: crossed the upper limit first (failing at {options.unacceptable:.0%} rather than {options.acceptable:.0%})", counted(above)),
        ("failure chart: crossed the lower limit first", counted(below)), ("failure chart: undecided", counted(n - above - below)),
        (f"learning chart, limit {found.h:.2f} simulated: became adequate", counted(adequate)),
        (f"its chance of a false signal within {most} attempts", found.inadequate_signals), ("its chance to signal for an adequate learner", found.adequate_signals),
    )  # fmt: skip
    grids.append(
        Grid(
            "Attempt charts",
            ("", f"of {n} learners"),
            rows,
            (0, 3),
            "A chart says when failures are more, or fewer, than chance would give; its own error stands beside it.",
        )
    )
    return Figure(
        "cusum",
        f"Failure charts of {min(n, PATHS_MOST)} learners; limits for {options.acceptable:.0%} against {options.unacceptable:.0%}, both errors 10 %",
        {**drawn, "upper": limits.upper, "lower": -limits.lower},
    )
