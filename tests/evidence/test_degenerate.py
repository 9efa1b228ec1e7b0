"""Tables with holes, single voices and constant columns: every answer is a number that means something, or a sentence."""

import csv
import io
import math
import random

import pytest

from kerfmark.demo.term import Term, term_text
from kerfmark.errors import KerfmarkError
from kerfmark.evidence import ContentLine, Options, Panel, gather, table_of
from kerfmark.statistics.estimates import Estimate

SMALL = Term(learners=24, attempts=3, exercises=3, examiners=3)
HEADER, *ROWS = csv.reader(io.StringIO(term_text(SMALL, seed=0)))
CONTENT = [ContentLine(e, c, "O1", weight=1.0) for e in ("full-crown", "inlay") for c in ("depth", "taper")]
AT = {name: HEADER.index(name) for name in HEADER}


def emptied(rows, rng):
    column = AT[
        rng.choice(
            [
                "score",
                "grade",
                "ruling",
                "site",
                "hand",
                "confidence",
                "value",
                "group",
                "device",
                "attempt",
                "lower",
                "date",
                "calibrated",
                "status",
            ]
        )
    ]
    return [[*row[:column], "", *row[column + 1 :]] for row in rows]


def constant(rows, rng):
    column, value = rng.choice(
        [("score", "50"), ("score", "63.5"), ("grade", "3"), ("ruling", "met"), ("confidence", "1"), ("value", "1.0")]
    )
    return [[*row[: AT[column]], value if row[AT[column]] else "", *row[AT[column] + 1 :]] for row in rows]


def thinned(rows, rng):
    share = rng.choice([0.02, 0.1, 0.3, 0.8])
    return [row for row in rows if rng.random() < share]


def few_people(rows, rng):
    everyone = sorted({row[0] for row in rows})
    kept = set(rng.sample(everyone, min(len(everyone), rng.choice([1, 2, 5, 12]))))
    return [row for row in rows if row[0] in kept]


def one_voice_less(rows, rng):
    gone = rng.choice(["own", "measured", "examiner", "moderated"])
    return [row for row in rows if row[AT["by"]] != gone]


def two_islands(rows, rng):
    return [
        [
            *row[: AT["examiner"]],
            ("E1" if row[0] < "L0012" else "E2") if row[AT["examiner"]] else "",
            *row[AT["examiner"] + 1 :],
        ]
        for row in rows
    ]


def one_exercise_less(rows, rng):
    gone = rng.choice(["full-crown", "inlay", "veneer"])
    return [row for row in rows if row[AT["exercise"]] != gone]


HARMS = (emptied, constant, thinned, few_people, one_voice_less, two_islands, one_exercise_less)


def harmed(seed):
    rng, rows = random.Random(seed), ROWS
    for harm in rng.choices(HARMS, k=rng.randint(1, 3)):
        rows = harm(rows, rng)
    once = {tuple(row[:8]): row for row in rows}
    return table_of(HEADER, list(once.values()))


def meaningless(evidence):
    """Every cell and sentence that holds a number that means nothing."""
    found = []
    for answer in evidence.answers.values():
        cells = [cell for grid in answer.grids for row in grid.rows for cell in row]
        values = [cell.value if isinstance(cell, Estimate) else cell for cell in cells]
        found += [(answer.key, v) for v in values if isinstance(v, float) and not math.isfinite(v)]
        found += [(answer.key, word) for word in answer.said.split() if word.strip("().,;+-") in ("nan", "inf")]
    return found + [c for c in evidence.claims if "nan" in c.because or " inf" in c.because]


def check(seed):
    refusal, evidence = "", None
    try:
        evidence = gather(
            harmed(seed), options=Options(draws=100), content=CONTENT, earlier={"then": harmed(seed + 1000)},
            panel=Panel(hofstee={"cut_min": 45.0, "cut_max": 65.0, "fail_min": 0.02, "fail_max": 0.4}),
        )  # fmt: skip
    except KerfmarkError as why:
        refusal = str(why)
    assert refusal.endswith(".") if evidence is None else meaningless(evidence) == []


@pytest.mark.parametrize("seed", range(12))
def test_a_harmed_table_is_answered_or_refused_in_words(seed):
    check(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12, 212))
def test_many_harmed_tables_are_answered_or_refused_in_words(seed):
    check(seed)
