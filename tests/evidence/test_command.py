"""`kerfmark evidence` as a person types it."""

import json

import pytest

from kerfmark.cli import main
from kerfmark.demo.term import Term, term_text, write_beside


@pytest.fixture(scope="module")
def term_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("term") / "term.csv"
    path.write_text(term_text(Term(learners=24, attempts=2), seed=4), encoding="utf-8")
    return path


def run(*arguments):
    with pytest.raises(SystemExit) as stopped:
        main([str(a) for a in arguments])
    return stopped.value.code


def test_without_outputs_the_answers_are_shown(term_file, capsys):
    assert run("evidence", term_file, "--draws", 100) == 0
    shown = capsys.readouterr().out
    assert "Where is the pass line?" in shown
    assert "What may be said, and what may not" in shown


def test_page_sheets_and_json_are_written(term_file, tmp_path, capsys):
    outputs = [tmp_path / name for name in ("e.html", "e.pdf", "e.json")]
    options = [word for name, path in zip(("--html", "--pdf", "--json"), outputs, strict=True) for word in (name, path)]
    assert run("evidence", term_file, "--draws", 100, *options, "--simulated") == 0
    assert outputs[0].read_text(encoding="utf-8").startswith("<!doctype html>")
    assert outputs[1].read_bytes().startswith(b"%PDF-")
    assert json.loads(outputs[2].read_text(encoding="utf-8"))["counts"]["learners"] == 24
    assert capsys.readouterr().out == ""


def test_what_stands_beside_the_table_is_asked_too(term_file, tmp_path):
    files = write_beside(tmp_path, stem="t", seed=4)
    out = tmp_path / "e.json"
    options = ["--exercise", files["content"], "--panel", files["panel"], "--earlier", f"last year={files['earlier']}"]
    assert (
        run("evidence", term_file, "--draws", 100, *options, "--actions", files["actions"], "--no-codes", "--json", out)
        == 0
    )
    made = json.loads(out.read_text(encoding="utf-8"))
    assert made["answers"]["content"]["claims"][0]["verdict"] == "stands"
    assert made["answers"]["cohorts"]["answered"]
    assert list(made["earlier"]) == ["last year"]
    assert len(made["actions"]) == 3
    assert "L0006" not in json.dumps(made["answers"]["order"])


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (["--chosen", "Ebel"], 2, "without a reason"),
        (["--html", "missing/e.html"], 2, "folder does not exist"),
        (["--panel", "missing.csv"], 2, "expected a panel's file"),
        (["--exercise", "missing.csv"], 2, "expected an exercise or a CSV of criteria"),
        (["--exercise", "a=nothing-46"], 2, "neither a path that is there nor a built-in exercise"),
        (["--earlier", "last.csv"], 2, "expected NAME=FILE"),
        (["--earlier", "a=missing.csv"], 2, "missing.csv: cannot be read"),
        (["--actions", "missing.csv"], 2, "expected a CSV of actions"),
    ],
)
def test_what_is_wrong_is_one_sentence(term_file, options, status, words, capsys):
    assert run("evidence", term_file, *options) == status
    failure = capsys.readouterr().err
    assert words in failure
    assert "Traceback" not in failure


def test_a_table_without_marks_has_its_own_exit_status(tmp_path, capsys):
    path = tmp_path / "t.csv"
    path.write_text("learner,by,criterion,ruling\nL1,own,a,met\n", encoding="utf-8")
    assert run("evidence", path) == 3
    assert "no score" in capsys.readouterr().err
