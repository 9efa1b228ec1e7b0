"""Every question asked of a simulated term whose truth is known, and of tables that cannot answer."""

import dataclasses
import math

import numpy as np
import pytest

from kerfmark.demo.term import HEADER, Term, simulated_term, term_text
from kerfmark.errors import EvidenceError, InputError
from kerfmark.evidence import Options, Panel, gather, own_history, read_panel, table_of
from kerfmark.evidence.answer import Grid, counted, share_of
from kerfmark.evidence.functioning import criteria_by_group
from kerfmark.evidence.gather import QUESTIONS
from kerfmark.evidence.measuring import measuring
from kerfmark.evidence.severity import severity
from kerfmark.statistics.estimates import Estimate

from .conftest import table_from

SCORES = ["learner", "by", "exercise", "score"]


def cell(grid: Grid, label: str, column: int = 1):
    return next(row[column] for row in grid.rows if str(row[0]).startswith(label))


def grid(answer, caption):
    return next(g for g in answer.grids if g.caption.startswith(caption))


def test_every_question_is_answered_of_a_whole_term(term):
    assert list(term.answers) == list(QUESTIONS)
    assert [key for key, answer in term.answers.items() if not answer.answered] == []


def test_components_recover_what_was_simulated(term):
    # Source: the simulation: learner SD 7.5 with able learners 8 higher (variance 56.25 + 12), exercise by learner 5² + 2.5².
    found = term.sources.marks
    assert found.estimate["p",].holds(7.5**2 + 64 * 0.25 * 0.75)
    assert found.estimate["p", "i"].holds(25 + 6.25)


def test_own_bias_recovers_what_was_simulated(term):
    # Source: the simulation: own marks 4 points above measured ones, spread 3 between 103 learners.
    bias = cell(grid(term.answers["ownview"], "Own marks"), "bias")
    assert abs(bias.value - 4.0) < 3 * bias.se
    assert bias.n == 103


def test_severity_follows_what_was_simulated():
    # Source: the simulation's own draws of severity, the first numbers of its stream.
    table = table_from(term_text(Term(examiner_sd=6.0, attempts=2), seed=7))
    found = [row[2].value for row in sorted(grid(severity(table, Options(), None), "Examiners").rows)]
    assert np.corrcoef(found, np.random.default_rng(7).normal(size=6))[0, 1] > 0.9


def test_the_line_lies_where_borderline_views_were_simulated(term):
    # Source: the simulation gives grade 2 to views between 48 and 58; the line at 2 lies near their middle, 53.
    assert term.line.cut.value == pytest.approx(53.0, abs=2.0)


def test_a_planted_loss_of_left_handers_is_found_and_none_is_not(term):
    # Source: the simulation takes 9 points off left-handed learners' marks after examiners have seen the work as well:
    # matching on views hides it, so the plain difference must show it, and the claim must not be "stands".
    lost = gather(
        table_from(term_text(Term(learners=150, attempts=2, left_bias=12.0), seed=3)), options=Options(draws=200)
    )
    row = next(r for r in grid(lost.answers["fairness"], "Groups").rows if r[0].startswith("hand left"))
    assert row[2].upper < 0
    claim = next(c for c in term.claims if c.claim.endswith("hand"))
    assert claim.verdict == "with limits"


def test_the_same_table_gives_the_same_answers(term_table, beside, term):
    again = gather(term_table, options=Options(draws=400, simulated=True), **beside)
    for one, other in zip(term.answers.values(), again.answers.values(), strict=True):
        assert one.said == other.said
        assert [g.rows for g in one.grids] == [g.rows for g in other.grids] or "nan" in repr(one.grids)
    assert again.digest == term.digest


def test_no_cell_is_a_number_without_meaning(term):
    for answer in term.answers.values():
        for found in answer.grids:
            for row in found.rows:
                for value in row:
                    number = value.value if isinstance(value, Estimate) else value
                    assert not (isinstance(number, float) and math.isinf(number)), (answer.key, found.caption, row)
                    assert not (isinstance(value, Estimate) and math.isnan(value.value))


def test_every_estimate_has_its_number_and_method(term):
    for answer in term.answers.values():
        assert answer.methods
        for found in answer.grids:
            assert all(len(row) == len(found.header) for row in found.rows), found.caption
            assert all(e.n > 0 and e.method for row in found.rows for e in row if isinstance(e, Estimate))


def test_every_table_says_in_a_plain_sentence_what_it_shows(term):
    bare = [(a.key, g.caption) for a in term.answers.values() for g in a.grids if not g.said.strip().endswith(".")]
    assert bare == []


def test_every_share_and_correlation_has_an_interval_or_says_why_not(term):
    for answer in term.answers.values():
        cells = [c for g in answer.grids for row in g.rows for c in row if isinstance(c, Estimate)]
        assert [c.method for c in cells if not c.has_interval and "no interval" not in c.method and c.se is None] == []


def test_marks_alone_answer_what_they_can_and_say_why_not_otherwise():
    rng = np.random.default_rng(1)
    rows = [[f"L{n:03d}", "measured", e, f"{60 + 8 * rng.normal():.1f}"] for n in range(40) for e in "abc"]
    found = gather(table_of(SCORES, rows), options=Options(draws=200))
    assert found.answers["marks"].answered
    assert found.answers["sources"].answered
    assert "overall view" in found.answers["passline"].said
    assert "pass line" in found.answers["decisions"].said
    assert "grade" in found.answers["severity"].said
    assert "own views" in found.answers["ownview"].said
    assert "once only" in found.answers["learning"].said
    assert "read more than once" in found.answers["measuring"].said


@pytest.mark.parametrize(
    ("rows", "key", "words"),
    [
        ([["L1", "measured", "a", "60"]], "marks", "at least 3"),
        ([[f"L{n}", "measured", e, "60"] for n in range(20) for e in "ab"], "sources", "are equal"),
        ([[f"L{n}", "measured", "a", str(50 + n)] for n in range(20)], "sources", "one exercise only"),
    ],
)
def test_degenerate_tables_give_a_sentence(rows, key, words):
    found = gather(table_of(SCORES, rows), options=Options(draws=200))
    assert not found.answers[key].answered
    assert words in found.answers[key].said


def test_a_table_without_marks_is_refused():
    with pytest.raises(EvidenceError, match="no score"):
        gather(table_of(["learner", "by", "criterion", "ruling"], [["L1", "own", "a", "met"]]))


def test_examiners_who_share_no_learner_are_named_in_the_answer():
    header = ["learner", "by", "examiner", "exercise", "score", "grade"]
    rows = [
        [f"L{n}", "examiner", "E1" if n < 20 else "E2", e, str(50 + n % 17), str(1 + n % 4)]
        for n in range(40)
        for e in "ab"
    ]
    found = gather(table_of(header, rows), options=Options(draws=200))
    assert "E1 and E2 share no learner" in found.answers["severity"].said


def test_small_groups_and_counts_are_not_printed():
    assert (counted(4), share_of(4, 40)) == ("under 5", "–")
    found = gather(table_from(term_text(Term(learners=40), seed=2)), options=Options(draws=200))
    fair = found.answers["fairness"]
    assert "Too small to show" in fair.said
    assert not any("hand left" in str(row[0]) for g in fair.grids for row in g.rows)


def test_the_line_chosen_decides_and_is_signed(term_table):
    options = Options(
        draws=200, chosen="contrasting groups, midpoint", reason="the panel agreed it", signed="A. Person"
    )
    found = gather(term_table, options=options)
    assert found.line.name == "contrasting groups, midpoint"
    assert "Chosen by A. Person: the panel agreed it" in found.answers["passline"].said
    with pytest.raises(InputError, match="reason"):
        Options(chosen="Ebel")


def test_a_line_that_cannot_be_set_is_not_replaced_silently(term_table):
    options = Options(draws=200, chosen="Hofstee", reason="r", signed="s")
    panel = Panel(hofstee={"cut_min": 95.0, "cut_max": 99.0, "fail_min": 0.0, "fail_max": 0.02})
    found = gather(term_table, panel=panel, options=options)
    assert found.line is None
    assert "no solution" in found.answers["passline"].said


def test_a_panel_s_file_is_read(tmp_path):
    path = tmp_path / "panel.csv"
    path.write_text(
        "method,judge,item,value,count\nangoff,A,1,60,\nangoff,A,2,50,\nangoff,B,1,62,\nangoff,B,2,54,\nebel,A,easy,0.9,10\nhofstee,A,cut_min,50,\nhofstee,A,cut_max,65,\nhofstee,A,fail_min,0.05,\nhofstee,A,fail_max,0.4,\n"
    )
    panel = read_panel(path)
    assert list(map(list, panel.angoff)) == [[60.0, 50.0], [62.0, 54.0]]
    assert dict(panel.hofstee) == {"cut_min": 50.0, "cut_max": 65.0, "fail_min": 0.05, "fail_max": 0.4}
    path.write_text("method,judge,item,value\nangoff,A,1,60\nangoff,B,2,50\n")
    with pytest.raises(InputError, match="no angoff value"):
        read_panel(path)
    path.write_text("method,judge,item,value\nguess,A,1,60\n")
    with pytest.raises(InputError, match="guess"):
        read_panel(path)


def test_a_criterion_that_is_harder_for_one_group_is_found():
    # Source: two learners in five are made left-handed, and two in three of their rulings on one criterion "not met".
    rows = [
        dict(row)
        for row in simulated_term(Term(learners=300, attempts=2, exercises=2), seed=9)
        if row["learner"][0] == "L"
    ]
    for at, row in enumerate(rows):
        row["hand"] = "left" if int(row["learner"][1:]) % 5 < 2 else "right"
        if row["hand"] == "left" and row["by"] == "measured" and row.get("criterion") == "depth" and at % 3:
            row["ruling"] = "not met"
    table = table_of(HEADER, [[str(row.get(name, "")) for name in HEADER] for row in rows])
    found = criteria_by_group(table.last_attempts())
    harder = {row[0] for row in found.grid.rows if row[1] == "hand left / right" and row[4] < -1.5}
    assert harder == {"full-crown: depth", "inlay: depth"}
    assert any("depth, hand left" in flag for flag in found.flags)


def test_a_learner_s_own_history_needs_three_pieces(term_table):
    history = own_history(term_table, "L0001")
    assert len(history.own) == len(history.measured) == 14
    assert history.bias.n == 14
    rows = [["L1", by, "1", "60"] for by in ("own", "measured")]
    assert "says little" in own_history(table_of(["learner", "by", "attempt", "score"], rows), "L1").bias


def test_examiners_own_repeats_are_shown(term):
    found = grid(term.answers["agreement"], "The same examiner again")
    # Source: the simulation's error of one view is 4 points; drift is nil.
    assert np.mean([row[2] for row in found.rows]) == pytest.approx(4.0, abs=1.2)


def test_options_are_frozen_and_checked():
    with pytest.raises(dataclasses.FrozenInstanceError):
        Options().seed = 2
    with pytest.raises(InputError, match="draws"):
        Options(draws=10)


def test_a_panel_that_is_not_there_is_said_so(tmp_path):
    with pytest.raises(InputError, match=r"nope\.csv: cannot be read \(No such file or directory\)"):
        read_panel(tmp_path / "nope.csv")


def test_a_panels_line_without_overall_views_draws_what_there_is():
    rows = [[f"L{n:03d}", "measured", str(50 + (n * 7) % 31)] for n in range(30)]
    panel = Panel(angoff=[[55.0, 60.0], [57.0, 64.0], [60.0, 66.0]])
    answer = gather(table_of(["learner", "by", "score"], rows), panel=panel, options=Options(draws=100)).answers[
        "passline"
    ]
    assert [figure.kind for figure in answer.figures] == ["cumulative"]


def test_a_criterion_open_on_one_side_has_no_width_and_no_bar():
    rows = [
        [f"R{piece}", "measured", criterion, device, str(repeat), str(5.0 + piece + 0.01 * (piece * repeat % 3)), low, "20.0"]
        for piece in range(6) for criterion, low in (("depth", "0.0"), ("flatness", "")) for device in ("A", "B") for repeat in (1, 2)
    ]  # fmt: skip
    answer = measuring(
        table_of(["learner", "by", "criterion", "device", "repeat", "value", "lower", "upper"], rows), Options()
    )
    gauge = next(figure for figure in answer.figures if figure.kind == "gauge")
    assert gauge.data["names"] == ["depth"]
    assert "1 limited on one side only" in answer.said
