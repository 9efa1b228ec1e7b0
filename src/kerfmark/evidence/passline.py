"""Where the pass line is, how sure it is, and who would pass by another rule."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from kerfmark.errors import EvidenceError, InputError, printable
from kerfmark.evidence.answer import Answer, Cell, Claim, Figure, Grid, Options, Panel, counted, share_of
from kerfmark.evidence.marks import Marks
from kerfmark.statistics.estimates import Estimate, FloatArray
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


def pass_line(marks: Marks, panel: Panel, options: Options, rng: np.random.Generator) -> tuple[Answer, PassLine]:
    """Every pass line side by side with who would pass, and the chosen one."""
    scores = marks.per_learner[~np.isnan(marks.per_learner)]
    if len(scores) < 3:
        raise EvidenceError(
            f"{len(scores)} learners have a mark in every exercise, at least 3 are needed to say who would pass."
        )
    lines: dict[str, Estimate | str] = {}
    regression, stations, flags = _regressions(marks, options, rng)
    lines[DEFAULT] = regression
    learner, _, y, g = marks.pieces()
    group = partial(borderline_group, y, g, people=learner, borderline=options.borderline, rng=rng)
    lines["borderline group, mean"] = _or_why(partial(group, middle="mean", draws=options.draws))
    lines["borderline group, median"] = _or_why(partial(group, middle="median", draws=FEW_DRAWS))
    contrast = partial(contrasting_groups, y, g >= options.competent, people=learner, draws=FEW_DRAWS, rng=rng)
    for rule in ("logistic", "midpoint", "equal density"):
        lines[f"contrasting groups, {rule}"] = _or_why(partial(contrast, rule=rule))
    _panel_lines(lines, panel, scores)
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
    line = PassLine(name, cut, lines)
    return _answer(line, marks, scores, stations, options, flags), line


def _or_why(make: Callable[[], Estimate]) -> Estimate | str:
    try:
        return make()
    except EvidenceError as why:
        return str(why)


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
        failed = float(np.mean(y[own] < found.cut.value))
        rows.append((str(name), int(own.sum()), found.cut, failed, found.r2, found.slope))
        if found.r2 < options.r2_flag:
            flags.append(
                f"Exercise {name}: R² of marks on overall views is {found.r2:.2f}, below {options.r2_flag:.2f}."
            )
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


def _answer(
    line: PassLine,
    marks: Marks,
    scores: FloatArray,
    stations: tuple[tuple[Cell, ...], ...],
    options: Options,
    flags: list[str],
) -> Answer:
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
    grids = [Grid("Pass lines side by side", ("method", "line (95 %)", "SE", "fail", "share", ""), tuple(rows), (0, 1, 2, 0, 0, 0),
                  f"What {len(scores)} learners' marks would decide by each rule. A mark on the line passes.")]  # fmt: skip
    if stations:
        grids.append(Grid("Exercises against overall views", ("exercise", "n", "line (95 %)", "below", "R²", "marks a grade"), stations, (0, 0, 1, 2, 2, 1),
                          "Borderline regression of each exercise; below: share of pieces under its line."))  # fmt: skip
    cut = line.cut
    near = int(np.sum(np.abs(scores - cut.value) <= (cut.se or 0.0)))
    error = f" with a standard error of {cut.se:.1f}" if cut.se is not None else ""
    said = (
        f"The line stands at {cut.value:.1f}{error}, by {line.name}. {counted(int(base.sum())).capitalize()} of {len(scores)} learners lie below it; "
        f"{counted(near)} lie within one error of it. "
    )
    said += f"Chosen by {options.signed}: {options.reason.rstrip('.')}." if options.chosen else "It is not yet signed."
    _, _, y, g = marks.pieces()
    fit = np.polyfit(g, y, 1) if len(y) > 2 and np.ptp(g) > 0 else np.array([0.0, cut.value])
    data = {
        "marks": y.tolist(), "grades": g.tolist(), "cut": cut.value, "lower": cut.lower, "upper": cut.upper, "se": cut.se or 0.0,
        "borderline": options.borderline, "slope": float(fit[0]), "intercept": float(fit[1]),
    }  # fmt: skip
    figures = (
        Figure(
            "passline",
            f"Marks of {len(y)} pieces on examiners' overall view, and their spread; band: one standard error of the line",
            data,
        ),
        Figure(
            "cumulative",
            f"Share of {len(scores)} learners below each mark, with the line and its 95 % interval",
            {"marks": np.sort(scores).tolist(), "cut": cut.value, "lower": cut.lower, "upper": cut.upper},
        ),
    )
    stable = cut.se is not None and cut.se <= 2.0
    claim = Claim(
        "Another cohort would set much the same line",
        "stands" if stable else "with limits",
        f"standard error {cut.se:.1f} points, n {cut.n}"
        if cut.se is not None
        else "no error can be given for this method",
        "passline",
    )
    methods = (
        "A mark on the line passes; a mark below it fails.",
        *(c.method[0].upper() + c.method[1:] + "." for c in line.lines.values() if isinstance(c, Estimate)),
    )
    return Answer(
        "passline",
        "Where is the pass line?",
        said,
        grids=tuple(grids),
        figures=figures,
        claims=(claim,),
        methods=methods,
        flags=tuple(flags),
    )
