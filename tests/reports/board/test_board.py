"""The evidence as page and sheets: self-contained, in the house's colours, every number with what it rests on."""

import json
import re

import lxml.html
import pytest

from kerfmark.evidence import Options, gather, table_of
from kerfmark.evidence.gather import QUESTIONS
from kerfmark.reports import tokens
from kerfmark.reports.board.cells import cell_text, sentence, written
from kerfmark.reports.board.charts import KINDS, SIZED, coloured
from kerfmark.reports.board.contents import as_json_text, summary_lines
from kerfmark.reports.board.drawings import paper_svg
from kerfmark.reports.board.sheets import board_pdf
from kerfmark.statistics.estimates import Estimate


def test_every_kind_of_figure_is_drawn_in_a_whole_term(specs):
    assert set(specs) == set(KINDS) | set(SIZED)


def test_no_chart_uses_the_colours_that_mean_which_way_it_is_wrong(specs):
    # Source: LOOK, principle 4: blue is material left, orange is cut too far, and nothing else is either.
    sides = ("left", "over", *(f"{side}{step}" for side in "lo" for step in range(1, 5)))
    for spec in specs.values():
        used = set(re.findall(r'"@([a-z]+[0-9]?)"', json.dumps(spec)))
        assert used & set(sides) == set()
        assert used - {"font"} <= set(tokens.LIGHT)


def test_no_token_is_left_once_coloured(specs):
    for spec in specs.values():
        assert '"@' not in json.dumps(coloured(spec, tokens.DARK, "Barlow"))


def test_a_chart_for_paper_keeps_to_the_width_it_is_given(gathered):
    figures = {figure.kind: figure for answer in gathered.answers.values() for figure in answer.figures}
    for kind in ("passline", "components"):
        assert paper_svg(figures[kind], width=338, height=205)["width"] <= 338 + 12


def test_the_page_needs_nothing_from_outside(page):
    tree = lxml.html.fromstring(page)
    assert tree.xpath("//script/@src | //link/@href | //img/@src") == []
    style = " ".join(tree.xpath("//style/text()"))
    assert re.findall(r"url\((?!data:)", style) == []


def test_the_page_answers_every_question_and_escapes_what_it_is_given(page):
    tree = lxml.html.fromstring(page)
    assert [s.get("id") for s in tree.xpath("//section[@class='question'][h2][@id]")][:-2] == list(QUESTIONS)
    assert "Marks &lt;b&gt;&amp;&lt;/b&gt; evidence" in page
    assert tree.xpath("//title/text()") == ["Marks <b>&</b> evidence, kerfmark"]
    assert "simulated" in tree.text_content()


def test_actions_stand_with_who_and_by_when(gathered, page):
    text = lxml.html.fromstring(page).xpath("//section[@id='actions']")[0].text_content()
    assert "L. Moreau (invented)" in text
    assert "2027-01-15" in text
    assert any("Actions agreed" in line for line in summary_lines(gathered))


def test_every_chart_on_the_page_has_its_place_and_its_words(page):
    tree = lxml.html.fromstring(page)
    specs = json.loads(tree.xpath("//script[@id='figures']/text()")[0])
    places = {div.get("id"): div.get("aria-label") for div in tree.xpath("//div[@role='img']")}
    assert set(specs) == set(places)
    assert all(places.values())


def test_numbers_on_the_page_have_true_minus_signs_and_no_nan(page):
    tree = lxml.html.fromstring(page)
    cells = [td.text_content() for td in tree.xpath("//td")]
    assert cells
    assert [c for c in cells if re.search(r"(?<![\w.])-\d|\bnan\b|\binf\b", c)] == []


def test_the_same_evidence_gives_the_same_sheets(gathered):
    one = board_pdf(gathered)
    assert one.startswith(b"%PDF-")
    assert one == board_pdf(gathered)


def test_evidence_that_can_say_little_still_prints():
    rows = [[f"L{n:03d}", "measured", "a", str(50 + n)] for n in range(20)]
    found = gather(table_of(["learner", "by", "exercise", "score"], rows), options=Options(draws=100))
    assert board_pdf(found).startswith(b"%PDF-")
    assert any("one exercise only" in line for line in summary_lines(found))


def test_the_json_has_every_answer_and_no_nan(gathered):
    made = json.loads(as_json_text(gathered), parse_constant=lambda c: pytest.fail(f"{c} in the JSON"))
    assert list(made["answers"]) == list(QUESTIONS)
    assert made["claims"]


def test_cells_are_rounded_once_and_written_plainly():
    estimate = Estimate(-0.26, -0.51, -0.04, n=12, method="m")
    assert cell_text(estimate, 1) == "−0.3 (−0.5 to 0.0)"
    assert (cell_text(None, 2), cell_text(3, 2), written(-0.001, 1)) == ("–", "3", "0.0")
    assert sentence("from -4.9 to +0.0") == "From −4.9 to 0.0."
