"""Where the pass line is, how sure it is, and who would pass by another rule."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from kerfmark.errors import EvidenceError, InputError, printable
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Panel, counted, share_of
from kerfmark.evidence.marks import Marks
from kerfmark.evidence.stations import stations
from kerfmark.evidence.table import Table
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.intervals import wilson_interval
from kerfmark.statistics.panels import angoff, hofstee
from kerfmark.statistics.passline import (
    borderline_cuts,
    borderline_group,
    borderline_regression,
    contrasting_groups,
)
from kerfmark.statistics.resampling import draws_of, percentile_interval

__all__ = ["DEFAULT", "PassLine", "pass_line"]

DEFAULT = "borderline regression"
FEW_DRAWS = 200


@dataclass(frozen=True, slots=True)
class PassLine:
    """The line that decides, and all lines that could have been.

    Attributes
    ----------
    name : str
    cut : Estimate
    lines : dict of str to Estimate or str
        Every method's line, or why it has none.
    """

    name: str
    cut: Estimate
    lines: dict[str, Estimate | str]


def pass_line(
    table: Table, marks: Marks, panel: Panel, options: Options, rng: np.random.Generator
) -> tuple[Answer, PassLine]:
    """Every pass line side by side with who would pass, the chosen one, and each exercise as a station."""
    scores = marks.per_learner[~np.isnan(marks.per_learner)]
    if len(scores) < 3:
        raise EvidenceError(
            f"{len(scores)} learners have a mark in every exercise, at least 3 are needed to say who would pass."
        )
    regression, rows, flags = _regressions(marks, options, rng)
    lines = {DEFAULT: regression, **_group_lines(marks, options, rng)}
    _panel_lines(lines, panel, scores)
    line = _chosen(lines, options)
    grids = [_side_by_side(line, scores)]
    if rows:
        said = "Borderline regression of each exercise; below: share of pieces under its line."
        grids.append(
            Grid(
                "Exercises against overall views",
                ("exercise", "n", "line (95 %)", "below (95 %)"),
                rows,
                (0, 0, 1, 2),
                said,
            )
        )
    stood, more = stations(table, marks, options)
    answer = Answer(
        "passline", "Where is the pass line?", _said(line, scores, options), grids=(*grids, *((stood,) if stood else ())),
        figures=_figures(line, marks, scores, panel, options), claims=(_claim(line.cut),), methods=_methods(line, panel), flags=(*flags, *more),
    )  # fmt: skip
    return answer, line


def _group_lines(marks: Marks, options: Options, rng: np.random.Generator) -> dict[str, Estimate | str]:
    """Borderline group and contrasting groups, each by its rules."""
    lines: dict[str, Estimate | str] = {}
    learner, _, y, g = marks.pieces()
    group = partial(borderline_group, y, g, people=learner, borderline=options.borderline, rng=rng)
    lines["borderline group, mean"] = _or_why(partial(group, middle="mean", draws=options.draws))
    lines["borderline group, median"] = _or_why(partial(group, middle="median", draws=FEW_DRAWS))
    contrast = partial(contrasting_groups, y, g >= options.competent, people=learner, draws=FEW_DRAWS, rng=rng)
    for rule in ("logistic", "midpoint", "equal density"):
        lines[f"contrasting groups, {rule}"] = _or_why(partial(contrast, rule=rule))
    return lines


def _chosen(lines: dict[str, Estimate | str], options: Options) -> PassLine:
    """The line that decides: the one chosen, else the first that could be set."""
    if options.chosen and options.chosen not in lines:
        known = ", ".join(f"'{n}'" for n in lines)
        raise InputError(
            f"--chosen is '{printable(options.chosen, limit=60)}', expected one of {known}. Choose one of them, as the report names them."
        )
    name = options.chosen or next((n for n, line in lines.items() if isinstance(line, Estimate)), "")
    cut = lines.get(name)
    if not isinstance(cut, Estimate):
        reasons = "; ".join(f"{n}: {line}" for n, line in lines.items() if isinstance(line, str))
        wanted = f"the line chosen, {name}, cannot be set" if name else "no method gives a pass line"
        raise EvidenceError(f"{wanted}. {reasons}")
    return PassLine(name, cut, lines)


def _or_why(make: Callable[[], Estimate]) -> Estimate | str:
    """A line, or why there is none; one whose interval leaves the marks' scale says nothing."""
    try:
        found = make()
    except EvidenceError as why:
        return str(why)
    if found.has_interval and (found.lower < 0.0 or found.upper > 100.0):
        return f"its interval, {found.lower:.0f} to {found.upper:.0f}, leaves the scale of marks: these groups do not set a line."
    return found


def _regressions(
    marks: Marks, options: Options, rng: np.random.Generator
) -> tuple[Estimate | str, tuple[tuple[Cell, ...], ...], list[str]]:
    """Borderline regression of each exercise; the line is their mean, its interval draws learners over all exercises."""
    learner, exercise, y, g = marks.pieces()
    if not len(y):
        return "no piece has both a mark and an examiner's overall view.", (), []
    weights = draws_of(len(marks.learners), options.draws, rng)
    values, draws, rows, flags = [], [], [], []
    for at, name in enumerate(marks.exercises):
        own = exercise == at
        try:
            found = borderline_regression(y[own], g[own], borderline=options.borderline, draws=options.draws, rng=rng)
        except EvidenceError as why:
            flags.append(f"Exercise {name}: no borderline regression; {why}")
            continue
        values.append(found.cut.value)
        draws.append(borderline_cuts(y[own], g[own], learner[own], weights, borderline=options.borderline))
        failed, n = int(np.sum(y[own] < found.cut.value)), int(own.sum())
        below = Estimate(failed / n, *wilson_interval(failed, n), n=n, method="share; Wilson interval")
        rows.append((str(name), n, found.cut, below))
    if not values:
        return "no exercise has marks that rise with overall views.", (), flags
    made = np.mean(draws, axis=0)
    lower, upper = percentile_interval(made)
    se = float(np.nanstd(made, ddof=1))
    n = len(np.unique(learner))
    words = f"borderline regression read at {options.borderline:g}, mean over {len(values)} exercises; bootstrap over learners"
    return Estimate(float(np.mean(values)), lower, upper, n=n, method=words, se=se), tuple(rows), flags


def _panel_lines(lines: dict[str, Estimate | str], panel: Panel, scores: FloatArray) -> None:
    if panel.angoff:
        lines["modified Angoff"] = _or_why(lambda: angoff(panel.angoff).cut)
    if panel.ebel:
        total = sum(count for count, _ in panel.ebel)
        value = 100 * sum(count * share for count, share in panel.ebel) / total if total else float("nan")
        lines["Ebel"] = Estimate(
            value, np.nan, np.nan, n=len(panel.ebel), method="Ebel, percent of the cells' marks; no interval"
        )
    if panel.hofstee:
        h = panel.hofstee
        found = hofstee(scores, cut=(h["cut_min"], h["cut_max"]), fail=(h["fail_min"], h["fail_max"]))
        lines["Hofstee"] = (
            "no solution: the curve of fail rates misses the panel's box; ask the panel again."
            if found is None
            else Estimate(
                found.cut,
                np.nan,
                np.nan,
                n=found.n,
                method=f"Hofstee, interpolated; step rule {found.step_cut:g}; no interval",
            )
        )


def _side_by_side(line: PassLine, scores: FloatArray) -> Grid:
    rows: list[tuple[Cell, ...]] = []
    base = scores < line.cut.value
    for name, cut in line.lines.items():
        if isinstance(cut, str):
            rows.append((name, None, None, None, None, cut))
            continue
        fails = scores < cut.value
        changed = int(np.sum(fails != base))
        rows.append(
            (
                name,
                cut,
                cut.se,
                counted(int(fails.sum())),
                share_of(int(fails.sum()), len(scores)),
                "chosen" if name == line.name else f"{counted(changed)} decided otherwise",
            )
        )
    return Grid("Pass lines side by side", ("method", "line (95 %)", "SE", "fail", "share", ""), tuple(rows), (0, 1, 2, 0, 0, 0),
                f"What {len(scores)} learners' marks would decide by each rule. A mark on the line passes.")  # fmt: skip


def _said(line: PassLine, scores: FloatArray, options: Options) -> str:
    cut = line.cut
    near = int(np.sum(np.abs(scores - cut.value) <= (cut.se or 0.0)))
    error = f" with a standard error of {cut.se:.1f}" if cut.se is not None else ""
    said = (
        f"The line stands at {cut.value:.1f}{error}, by {line.name}. {counted(int(np.sum(scores < cut.value))).capitalize()} of {len(scores)} learners lie below it; "
        f"{counted(near)} lie within one error of it. "
    )
    return said + (
        f"Chosen by {options.signed}: {options.reason.rstrip('.')}." if options.chosen else "It is not yet signed."
    )


def _figures(line: PassLine, marks: Marks, scores: FloatArray, panel: Panel, options: Options) -> tuple[Figure, ...]:
    cut, (_, _, y, g) = line.cut, marks.pieces()
    fit = np.polyfit(g, y, 1) if len(y) > 2 and np.ptp(g) > 0 else np.array([0.0, cut.value])
    data = {
        "marks": y.tolist(), "grades": g.tolist(), "cut": cut.value, "lower": cut.lower, "upper": cut.upper, "se": cut.se or 0.0,
        "borderline": options.borderline, "slope": float(fit[0]), "intercept": float(fit[1]),
    }  # fmt: skip
    box = "; dashed: the panel's box, its diagonal crosses the curve at the Hofstee line" if panel.hofstee else ""
    below = {
        "marks": np.sort(scores).tolist(),
        "cut": cut.value,
        "lower": cut.lower,
        "upper": cut.upper,
        "box": dict(panel.hofstee),
    }
    said = (
        f"Marks of {len(y)} pieces on examiners' overall view, and their spread; band: one standard error of the line"
    )
    on_views = (Figure("passline", said, data),) if len(y) else ()  # a panel's line needs no overall views
    share = f"Share of {len(scores)} learners below each mark, with the line and its 95 % interval{box}"
    return (*on_views, Figure("cumulative", share, below))


def _claim(cut: Estimate) -> Claim:
    stable = cut.se is not None and cut.se <= 2.0
    because = (
        f"standard error {cut.se:.1f} points, n {cut.n}"
        if cut.se is not None
        else "no error can be given for this method"
    )
    return Claim(
        "Another cohort would set much the same line", "stands" if stable else "with limits", because, "passline"
    )


def _methods(line: PassLine, panel: Panel) -> tuple[str, ...]:
    words = ["A mark on the line passes; a mark below it fails."]
    words += [c.method[0].upper() + c.method[1:] + "." for c in line.lines.values() if isinstance(c, Estimate)]
    if panel.angoff:
        words.append(f"Panel: {len(panel.angoff)} judges.")
    return tuple(words)
