"""A command, setting, reading or built-in exercise without its page fails here."""

import importlib
from dataclasses import fields
from pathlib import Path

import pytest

from kerfmark.cli import app
from kerfmark.exercise import builtin
from kerfmark.exercise.builtin.accesses import AccessSpec
from kerfmark.exercise.builtin.bridges import BridgeSpec
from kerfmark.exercise.builtin.crowns import CrownSpec
from kerfmark.measurement import MEASURES
from kerfmark.settings import Limits
from kerfmark.storage.schema import Base

DOCS = Path(__file__).resolve().parents[1] / "docs"
PAGES = {"common": "surface"}


def test_every_command_stands_in_the_docs():
    page = (DOCS / "cli.md").read_text(encoding="utf-8")
    names = [c.name or c.callback.__name__ for c in app.registered_commands]
    assert [name for name in names if f"`kerfmark {name}" not in page] == []


def test_every_setting_stands_in_the_docs_with_its_default():
    page = (DOCS / "cli.md").read_text(encoding="utf-8")
    for limit in fields(Limits):
        assert f"| `KERFMARK_LIMIT_{limit.name.upper()}` | {limit.default} |" in page


@pytest.mark.parametrize("family", sorted({m.family for m in MEASURES}))
def test_every_reading_stands_on_its_family_s_page(family):
    page = (DOCS / "measures" / f"{PAGES.get(family, family)}.md").read_text(encoding="utf-8")
    missing = [
        m.id
        for m in MEASURES
        if m.family == family and f"`{m.id}`" not in page and f"`{m.id.partition('.')[2]}`" not in page
    ]
    assert missing == []


def test_every_built_in_exercise_stands_in_the_docs():
    page = (DOCS / "builtin.md").read_text(encoding="utf-8")
    assert [name for name in builtin.names() if f"(`{name}`)" not in page] == []


BY_ANATOMY = (CrownSpec, BridgeSpec, AccessSpec)
"""Their rules depend on a tooth, which takes a while to make where none is kept."""


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(n, marks=pytest.mark.slow) if isinstance(builtin.spec_of(n), BY_ANATOMY) else n
        for n in builtin.names()
    ],
)
def test_the_page_of_built_in_exercises_has_their_limits_weights_and_sources(name, monkeypatch):
    monkeypatch.syspath_prepend(str(DOCS))
    section = importlib.import_module("make_builtin").section(name)
    page = (DOCS / "builtin.md").read_text(encoding="utf-8")
    assert section.strip() in page, "run docs/make_builtin.py"


def test_the_picture_of_the_store_shows_its_tables_as_they_are(monkeypatch):
    monkeypatch.syspath_prepend(str(DOCS))
    script = importlib.import_module("make_store")
    assert sorted(name for _, names in script.COLUMNS for name in names) == sorted(Base.metadata.tables)
    assert script.PICTURE.read_text(encoding="utf-8") == script.drawn() + "\n"
