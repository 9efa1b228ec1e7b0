"""The simulated term: what was said of its pieces, and what became of them."""

import numpy as np
import pytest

from kerfmark.demo.moderated import APART, moderated
from kerfmark.demo.term import Term, simulated_term, write_beside
from kerfmark.evidence import read_actions, read_content, read_panel, read_table


@pytest.fixture(scope="module")
def rows():
    return list(simulated_term(Term(learners=60, attempts=3), seed=7))


def whole(rows, speaker):
    return [row for row in rows if row["by"] == speaker and "criterion" not in row]


def test_every_piece_whose_examiners_lie_apart_is_moderated(rows):
    marks = {}
    for row in whole(rows, "examiner"):
        if row.get("repeat", 1) == 1:
            marks.setdefault((row["learner"], row["exercise"]), []).append(row["score"])
    apart = {piece for piece, scores in marks.items() if max(scores) - min(scores) > APART}
    settled = {(row["learner"], row["exercise"]): row["reason"] for row in whole(rows, "moderated")}
    assert apart
    assert apart <= set(settled)
    assert set(settled.values()) == {"third examiner", "sample, upheld", "appeal, looked at again"}


def test_who_settles_a_piece_did_not_mark_it(rows):
    first = {(row["learner"], row["exercise"], row["examiner"]) for row in whole(rows, "examiner")}
    assert not first & {(row["learner"], row["exercise"], row["examiner"]) for row in whole(rows, "moderated")}


def test_a_piece_without_a_mark_says_why(rows):
    without = [row for row in whole(rows, "measured") if "score" not in row]
    assert {row["status"] for row in without} == {"absent", "set aside", "void"}
    assert all(row["reason"] for row in without)


def test_a_piece_nobody_measured_is_not_moderated():
    assert list(moderated([], examiners=3, rng=np.random.default_rng(1))) == []


def test_what_stands_beside_the_term_is_read_by_what_takes_it(tmp_path):
    files = write_beside(tmp_path, stem="t", seed=3)
    assert len(read_content(files["content"])) == 16
    assert len(read_panel(files["panel"]).angoff) == 6
    assert len(read_actions(files["actions"])) == 3
    assert len(read_table(files["earlier"])) > 1000
