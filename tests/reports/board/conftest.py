"""A small simulated term, gathered once, and its reports."""

import csv
import io

import pytest

from kerfmark.demo.term import Term, term_text
from kerfmark.evidence import Options, gather, table_of
from kerfmark.reports.board.charts import spec_of
from kerfmark.reports.board.page import board_page


@pytest.fixture(scope="session")
def gathered():
    rows = list(csv.reader(io.StringIO(term_text(Term(learners=40, attempts=6), seed=5))))
    options = Options(draws=100, simulated=True, title="Marks <b>&</b> evidence", school="An invented school")
    return gather(table_of(rows[0], rows[1:]), options=options)


@pytest.fixture(scope="session")
def specs(gathered):
    """Every kind of figure as a specification, drawn once."""
    figures = {figure.kind: figure for answer in gathered.answers.values() for figure in answer.figures}
    return {kind: spec_of(figure, width=338, height=205) for kind, figure in figures.items()}


@pytest.fixture(scope="session")
def page(gathered):
    return board_page(gathered)
