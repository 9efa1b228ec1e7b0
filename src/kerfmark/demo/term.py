"""A simulated term of an invented school, as the table evidence is asked of: nobody cut, judged or examined any of it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
from scipy.special import expit, ndtr

from kerfmark.demo.board import ACTIONS, PANEL, content_text, rows_text
from kerfmark.demo.moderated import absent, incident, moderated
from kerfmark.records import FloatArray

__all__ = ["HEADER", "Term", "simulated_term", "term_text", "write_term"]

HEADER: Final = (
    "learner", "exercise", "attempt", "by", "criterion", "examiner", "device", "repeat", "value", "u", "lower", "upper",
    "ruling", "score", "grade", "confidence", "site", "rig", "hand", "group", "status", "reason", "date", "calibrated",
)  # fmt: skip
EXERCISES: Final = (
    "full-crown",
    "inlay",
    "veneer",
    "layered-block",
    "endodontic-access",
    "class-two-box",
    "post-space",
    "onlay",
    "margin-drill",
    "endo-block",
)
SITES: Final = ("North Quay", "Old Mill", "Hillside")
STARTS: Final = date(2026, 8, 31)
CALIBRATED: Final = {"scanner A": "2026-08-24", "scanner B": "2026-02-10"}
AGAIN: Final = 0.08
"""Share of pieces an examiner is given a second time, unknown to them."""

CRITERIA: Final = (
    ("margin width", 0.8, 1.2),
    ("depth", 1.3, 1.8),
    ("taper", 4.0, 14.0),
    ("roughness", 0.0, 0.06),
)


@dataclass(frozen=True, slots=True)
class Term:
    """What is simulated.

    Attributes
    ----------
    learners, exercises, examiners : int
    attempts : int
        At the first exercise; the others are cut twice.
    marked_by : int
        Examiners on each piece of the last attempt.
    left_bias, examiner_sd, exercise_sd, learner_sd, rest_sd : float
        Mark points: what left-handed learners lose, and standard deviations of what makes marks differ.
    overconfidence : float
        Own marks above measured ones, points.
    """

    learners: int = 103
    exercises: int = 4
    examiners: int = 6
    attempts: int = 8
    marked_by: int = 2
    left_bias: float = 0.0
    learner_sd: float = 7.5
    exercise_sd: float = 3.0
    rest_sd: float = 5.0
    examiner_sd: float = 2.5
    overconfidence: float = 4.0


def simulated_term(term: Term, *, seed: int) -> Iterator[dict[str, object]]:
    """Rows of the table, one thing said about one piece each.

    Parameters
    ----------
    term : Term
    seed : int
        The same seed gives the same term.

    Yields
    ------
    row : dict
        Keys from `HEADER`; what was not said is left out.

    Examples
    --------
    >>> next(simulated_term(Term(learners=12), seed=1))["learner"]
    'L0001'
    """
    rng, after = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    severity = term.examiner_sd * rng.normal(size=term.examiners)
    hardness = term.exercise_sd * rng.normal(size=term.exercises)
    for at in range(term.learners):
        able = at % 4 == 0
        hand = "left" if rng.random() < 0.12 else "right"
        about: dict[str, object] = {
            "learner": f"L{at + 1:04d}", "site": SITES[at % 3], "rig": f"R{at % 5 + 1}", "hand": hand, "group": "able" if able else "novice",
        }  # fmt: skip
        level = 62 + 8 * able + term.learner_sd * rng.normal() - term.left_bias * (hand == "left")
        insight = term.overconfidence + 3 * rng.normal()
        for exercise in range(term.exercises):
            attempts = term.attempts if exercise == 0 else 2
            own_level = level - hardness[exercise] + term.rest_sd * rng.normal()
            for attempt in range(1, attempts + 1):
                late = attempts if exercise == 0 else 2
                true = (
                    own_level
                    - 14 * np.exp(-0.45 * (attempt - 1))
                    + 14 * np.exp(-0.45 * (late - 1))
                    + 2.5 * rng.normal()
                )
                day = date.fromordinal(STARTS.toordinal() + 14 * exercise + 7 * attempt).isoformat()
                piece = {**about, "exercise": EXERCISES[exercise], "attempt": attempt, "date": day}
                last = attempt == attempts
                made = list(
                    _piece(piece, float(np.clip(true, 2, 99)), insight, severity, last=last, term=term, rng=rng)
                )
                yield from incident(made, learner=at, exercise=exercise, attempt=attempt, last=last)
                if last:
                    yield from moderated(made, examiners=term.examiners, rng=after)
    yield from absent(EXERCISES[: term.exercises], first=term.learners)
    yield from _gauge_study(rng)


def _piece(
    piece: dict[str, object],
    true: float,
    insight: float,
    severity: FloatArray,
    *,
    last: bool,
    term: Term,
    rng: np.random.Generator,
) -> Iterator[dict[str, object]]:
    yield {**piece, "by": "measured", "score": round(true, 1)}
    yield {**piece, "by": "own", "score": round(float(np.clip(true + insight + 6 * rng.normal(), 0, 100)))}
    if last:
        for examiner in rng.permutation(term.examiners)[: term.marked_by]:
            seen = true - severity[examiner] + 4 * rng.normal()
            grade = 1 + int(np.searchsorted((48.0, 58.0, 70.0, 82.0), seen + 3 * rng.normal()))
            yield {
                **piece,
                "by": "examiner",
                "examiner": f"E{examiner + 1}",
                "score": round(float(np.clip(seen, 0, 100))),
                "grade": grade,
            }
            if rng.random() < AGAIN:
                again = true - severity[examiner] + 4 * rng.normal()
                yield {
                    **piece,
                    "by": "examiner",
                    "examiner": f"E{examiner + 1}",
                    "repeat": 2,
                    "score": round(float(np.clip(again, 0, 100))),
                }
        yield from _criteria(piece, true, rng)


def _criteria(piece: dict[str, object], true: float, rng: np.random.Generator) -> Iterator[dict[str, object]]:
    for name, lower, upper in CRITERIA:
        width, u = upper - lower, 0.04 * (upper - lower)
        miss = float(np.clip(0.285 * np.exp((62 - true) / 14), 0.05, 1.0))
        value = (lower + upper) / 2 + width * miss * rng.normal()
        if lower == 0.0:
            value = abs(value - (lower + upper) / 2) + 0.3 * width
        read = value + u * rng.normal()
        inside = float(ndtr((upper - read) / u) - ndtr((lower - read) / u))
        ruling = "met" if inside > 0.95 else "not met" if inside < 0.05 else "too close to call"
        yield {
            **piece,
            "by": "measured",
            "criterion": name,
            "value": round(read, 4),
            "u": round(u, 4),
            "lower": lower,
            "upper": upper,
            "ruling": ruling,
        }
        chance = float(np.clip(expit(2.4 * rng.random()), 0.5, 0.95))
        right = rng.random() < chance - 0.07
        met = lower <= value <= upper
        yield {
            **piece,
            "by": "own",
            "criterion": name,
            "ruling": "met" if met == right else "not met",
            "confidence": round(chance, 1),
        }
        if name == "margin width":
            probe = value + 0.01 + 0.06 * rng.normal()
            yield {
                **piece,
                "by": "examiner",
                "examiner": "E1",
                "criterion": name,
                "value": round(probe, 2),
                "ruling": "met" if lower <= probe <= upper else "not met",
            }


def _gauge_study(rng: np.random.Generator) -> Iterator[dict[str, object]]:
    """Twelve reference pieces read three times on two scanners."""
    for at in range(12):
        for name, lower, upper in CRITERIA[:3]:
            width = upper - lower
            true = (lower + upper) / 2 + 0.4 * width * rng.normal()
            for number, device in enumerate(("scanner A", "scanner B")):
                for repeat in (1, 2, 3):
                    value = true + 0.012 * width * number + 0.018 * width * rng.normal()
                    yield {
                        "learner": f"REF{at + 1:02d}", "exercise": "gauge study", "by": "measured", "criterion": name, "device": device,
                        "repeat": repeat, "value": round(float(value), 4), "lower": lower, "upper": upper,
                        "date": "2026-09-14", "calibrated": CALIBRATED[device],
                    }  # fmt: skip


def term_text(term: Term, *, seed: int) -> str:
    """The simulated term as the text of a CSV file."""
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=HEADER, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(simulated_term(term, seed=seed))
    return out.getvalue()


def write_beside(folder: Path, *, stem: str, seed: int) -> dict[str, Path]:
    """Write what stands beside a simulated term: what was asked, a panel, an earlier cohort, actions agreed.

    Parameters
    ----------
    folder : path
        An existing folder.
    stem : str
        Files are called `stem-content.csv` and so on.
    seed : int
        Of the term; the earlier cohort has another.

    Returns
    -------
    files : dict of str to path
        `content`, `panel`, `earlier`, `actions`.
    """
    from kerfmark.outputs import write_whole

    earlier = term_text(Term(learners=96, attempts=3), seed=seed + 1000)
    criteria = content_text(EXERCISES[: Term().exercises], CRITERIA)
    texts = {"content": criteria, "panel": rows_text(PANEL), "earlier": earlier, "actions": rows_text(ACTIONS)}
    files = {name: folder / f"{stem}-{name}.csv" for name in texts}
    for name, text in texts.items():
        write_whole(files[name], text.encode())
    return files


def write_term(out: Path, *, seed: int, say: Callable[[str], None]) -> None:
    """Write a simulated term and its signed evidence into a folder: `term.csv` and what stands beside it, `evidence.html`, `evidence.pdf`.

    Parameters
    ----------
    out : path
        An existing folder.
    seed : int
    say : callable
        Called with each line for the person.
    """
    from kerfmark.evidence import Options, gather, read_actions, read_content, read_panel, read_table
    from kerfmark.outputs import write_whole
    from kerfmark.reports.board.page import write_board_page
    from kerfmark.reports.board.sheets import write_board_pdf

    write_whole(out / "term.csv", term_text(Term(), seed=seed).encode())
    beside = write_beside(out, stem="term", seed=seed)
    options = Options(
        title="Evidence for the marks of four exercises", school="Ellisgarth School of Dentistry (invented), autumn term", simulated=True,
        chosen="borderline regression", reason="it uses every learner; the panel looked at the other lines", signed="R. Adeyemi (invented)",
    )  # fmt: skip
    found = gather(
        read_table(out / "term.csv"), panel=read_panel(beside["panel"]), content=read_content(beside["content"]),
        earlier={"last year": read_table(beside["earlier"])}, actions=read_actions(beside["actions"]), options=options,
    )  # fmt: skip
    write_board_page(out / "evidence.html", found)
    write_board_pdf(out / "evidence.pdf", found)
    say(
        f"The evidence of a simulated term stands in {out / 'evidence.html'} and {out / 'evidence.pdf'}, its table in {out / 'term.csv'}."
    )
