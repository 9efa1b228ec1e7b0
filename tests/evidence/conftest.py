"""One simulated term with all that stands beside it, gathered once."""

import csv
import io

import pytest

from kerfmark.demo.term import Term, term_text, write_beside
from kerfmark.evidence import Options, gather, read_actions, read_content, read_panel, read_table, table_of


def table_from(text):
    rows = list(csv.reader(io.StringIO(text)))
    return table_of(rows[0], rows[1:])


@pytest.fixture(scope="session")
def term_table():
    return table_from(term_text(Term(), seed=7))


@pytest.fixture(scope="session")
def beside(tmp_path_factory):
    files = write_beside(tmp_path_factory.mktemp("beside"), stem="term", seed=7)
    return {
        "panel": read_panel(files["panel"]), "content": read_content(files["content"]), "actions": read_actions(files["actions"]),
        "earlier": {"last year": read_table(files["earlier"])},
    }  # fmt: skip


@pytest.fixture(scope="session")
def term(term_table, beside):
    return gather(term_table, options=Options(draws=400, simulated=True), **beside)
