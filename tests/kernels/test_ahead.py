"""The usual loops, compiled beforehand: the list names loops that there are, and what it makes is what is wanted."""

import importlib

import pytest

from kerfmark.kernels import ahead
from kerfmark.kernels.compiled import Loop, kinds_of_text


def test_every_entry_of_the_list_names_a_loop():
    # Where this fails, write the list anew: benchmarks/usual_loops.py says how.
    gone = [
        f"{module}.{name}"
        for module, name, _ in ahead.usual()
        if not isinstance(getattr(importlib.import_module(module), name, None), Loop)
    ]
    assert gone == []
    assert len(ahead.usual()) > 50


def test_what_was_compiled_beforehand_is_found_and_not_compiled_again(tmp_path, monkeypatch):
    monkeypatch.setenv("KERFMARK_COMPILED_DIR", str(tmp_path))
    smallest = ahead.usual()[-1:]
    monkeypatch.setattr(ahead, "usual", lambda: smallest)
    assert ahead.compile_usual() == 1
    module, name, kinds = smallest[0]
    found: Loop = getattr(importlib.import_module(module), name)
    assert found._kept(tuple(kinds_of_text(k) for k in kinds)) is not None
    assert ahead.start_compiling(2) is None


def test_a_list_older_than_the_code_is_no_fault(tmp_path, monkeypatch):
    monkeypatch.setenv("KERFMARK_COMPILED_DIR", str(tmp_path))
    monkeypatch.setattr(ahead, "usual", lambda: [("kerfmark.kernels.mesh", "of_yesterday", ["d"])])
    assert ahead.compile_usual() == 0


@pytest.mark.parametrize("text", ["q", ["<f8", 2, "C", True]])
def test_kinds_go_into_the_list_and_out_of_it(text):
    from kerfmark.kernels.compiled import text_of_kind

    assert text_of_kind(kinds_of_text(text)) == text
