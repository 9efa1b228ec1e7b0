import re
from dataclasses import replace

import pytest

from kerfmark.records import Component
from kerfmark.reports.budget import budget_lines, budget_svg
from kerfmark.reports.contents import contents_of


def test_shares_of_u_squared_add_up_to_one_largest_first(piece_report):
    # Source: JCGM 100, uncertainties of independent sources add in squares.
    reading = piece_report[0].readings[0]
    parts = budget_lines(reading)
    assert sum(part.share for part in parts) == pytest.approx(1.0)
    assert parts[0].share == pytest.approx(0.3**2 / (0.22**2 + 0.12**2 + 0.3**2))
    assert [p.share for p in parts] == sorted((p.share for p in parts), reverse=True)


def test_the_bar_is_parted_to_scale(piece_report):
    line = contents_of(piece_report[0], piece_report[2]).lines[0]
    widths = [
        float(w) for w in re.findall(r'<rect x="[0-9.]+" y="18" width="([0-9.]+)"', budget_svg(line, width=301.0))
    ]
    assert sum(widths) == pytest.approx(300.0, abs=0.05)
    assert "u = 0.40°" in budget_svg(line)


def test_a_reading_without_a_budget_draws_none(piece_report):
    lines = contents_of(piece_report[0], piece_report[2]).lines
    assert budget_svg(next(line for line in lines if not line.reading.budget)) == ""


def test_a_line_of_next_to_nothing_is_left_out(piece_report):
    # A component that fades out far from 0 came to 10⁻⁵⁰ mm, and was written with all its noughts over the sheet's edge.
    reading = piece_report[0].readings[0]
    tiny = replace(reading, budget=(*reading.budget, Component("a size is never below 0", 1e-50)))
    assert [part.source for part in budget_lines(tiny)] == [part.source for part in budget_lines(reading)]
