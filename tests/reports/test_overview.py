"""The page of a sitting: everyone is accounted for, truth stands beside the readings."""

import re
from dataclasses import replace

import pytest

from kerfmark.records import Mark
from kerfmark.reports.overview import SittingRow, mark_strip_svg, overview_of, write_overview


@pytest.fixture(scope="module")
def rows(piece_report):
    assessment = piece_report[0]
    width = next(r for r in assessment.readings if r.id == "crown.finish_line_width_mm")
    marks = (Mark(82.0, "pass"), Mark(41.0, "fail"), Mark(None, "refer"))
    made = [
        SittingRow(
            f"P-{i:02d}", "novice hand", replace(assessment, mark=mark), html=f"reports/P-{i:02d}.html", pdf=f"reports/P-{i:02d}.pdf",
            faults=("leaning wall",), truth={width.key: width.value - (0.5 + 2 * i) * width.u},
        )
        for i, mark in enumerate(marks)
    ]  # fmt: skip
    return [*made, SittingRow("P-09", "novice hand", None, failure="P-09.ply could not be aligned.")]


@pytest.fixture(scope="module")
def page(rows, piece_report):
    return overview_of(rows, piece_report[2], title="Crown practice", school="An invented school")


def test_everyone_is_accounted_for(page):
    assert "Nothing lost: 4 of 4 accounted for" in page
    for words in (
        "4 handed in",
        "3 assessed",
        "1 set aside",
        "2 settled",
        "1 wait for an examiner",
        "1 pass",
        "1 not passed",
    ):
        assert words in page


def test_a_row_without_result_or_reason_is_the_headline(rows, piece_report):
    lost = [*rows, SittingRow("P-10", "novice hand", None)]
    text = overview_of(lost, piece_report[2], title="t", school="s")
    assert "<h2>1 not accounted for</h2>" in text


def test_each_piece_links_to_its_page_and_sheets(page):
    links = re.findall(r'href="([^"]+)"', page)
    assert links == [f"reports/P-0{i}.{kind}" for i in range(3) for kind in ("html", "pdf")]


def test_what_lies_outside_u_is_marked(page):
    # The truths were set 0.5, 2.5 and 4.5 u off: one within U = 2 u, two outside.
    assert "1 of 3 within U" in page
    assert page.count("<b>outside</b>") == 2


def test_the_mark_stands_at_its_percent_and_the_pass_line_at_its_own():
    svg = mark_strip_svg(82.0, 60.0)
    assert re.findall(r'<line x1="([0-9.]+)%" x2="\1%"', svg) == ["60", "82"]
    assert "mark 82 of 100, pass line 60" in svg
    assert len(re.findall(r'<line x1="([0-9.]+)%" x2="\1%"', mark_strip_svg(None, 60.0))) == 1


def test_the_page_is_written_whole_and_needs_nothing(rows, piece_report, tmp_path):
    write_overview(tmp_path / "overview.html", rows, piece_report[2], title="t", school="s")
    text = (tmp_path / "overview.html").read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?:|@import|<script", text)
    assert "simulated" in text
    assert "nothing here is for use on patients" in text
