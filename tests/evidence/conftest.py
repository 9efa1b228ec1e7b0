"""One simulated term, gathered once."""

import csv
import io

import pytest

from kerfmark.demo.term import Term, term_text
from kerfmark.evidence import Options, gather, table_of


def table_from(text):
    rows = list(csv.reader(io.StringIO(text)))
    return table_of(rows[0], rows[1:])


@pytest.fixture(scope="session")
def term_table():
    return table_from(term_text(Term(), seed=7))


@pytest.fixture(scope="session")
def term(term_table):
    return gather(term_table, options=Options(draws=400, simulated=True))
