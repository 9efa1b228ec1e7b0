"""A small simulated term, gathered once, and its reports."""

import csv
import io

import pytest

from kerfmark.demo.board import ACTIONS, PANEL, rows_text
from kerfmark.demo.term import Term, term_text
from kerfmark.evidence import Options, gather, read_actions, read_panel, table_of
from kerfmark.reports.board.charts import spec_of
from kerfmark.reports.board.page import board_page


@pytest.fixture(scope="session")
def gathered(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board")
    (folder / "panel.csv").write_text(rows_text(PANEL), encoding="utf-8")
    (folder / "actions.csv").write_text(rows_text(ACTIONS), encoding="utf-8")
    options = Options(draws=100, simulated=True, title="Marks <b>&</b> evidence", school="An invented school")
    return gather(
        _term(Term(learners=40, attempts=6), 5), panel=read_panel(folder / "panel.csv"), actions=read_actions(folder / "actions.csv"),
        earlier={"last year": _term(Term(learners=30, attempts=2), 6)}, options=options,
    )  # fmt: skip


def _term(term, seed):
    rows = list(csv.reader(io.StringIO(term_text(term, seed=seed))))
    return table_of(rows[0], rows[1:])


@pytest.fixture(scope="session")
def specs(gathered):
    """Every kind of figure as a specification, drawn once."""
    figures = {figure.kind: figure for answer in gathered.answers.values() for figure in answer.figures}
    return {kind: spec_of(figure, width=338, height=205) for kind, figure in figures.items()}


@pytest.fixture(scope="session")
def page(gathered):
    return board_page(gathered)
