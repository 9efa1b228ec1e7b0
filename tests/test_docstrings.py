"""Examples in docstrings are what the code answers."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import kerfmark

ROOT = Path(kerfmark.__file__).parent
SHOWN = sorted(path for path in ROOT.rglob("*.py") if ">>>" in path.read_text(encoding="utf-8"))


def test_there_are_examples():
    assert len(SHOWN) > 80


@pytest.mark.parametrize("path", SHOWN, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_examples_of_a_module_hold(path):
    parts = ("kerfmark", *path.relative_to(ROOT).with_suffix("").parts)
    module = importlib.import_module(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    done = doctest.testmod(module)
    assert done.failed == 0
