"""The command as a person types it: what it prints, where, and its exit status."""

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import jsonschema
import pytest

import kerfmark
from kerfmark.demo.learners import simulated_piece
from kerfmark.demo.term import Term, term_text
from kerfmark.settings import compiled_dir


def environment(settings, home):
    """What a process of its own is given."""
    passed_on = {k: v for k, v in os.environ.items() if k in ("PYTHONPATH", "LANG", "LD_LIBRARY_PATH", "TMPDIR")}
    if "PYTHONPATH" in passed_on:
        passed_on["PYTHONPATH"] = os.pathsep.join(
            str(Path(p).resolve()) for p in passed_on["PYTHONPATH"].split(os.pathsep)
        )
    return passed_on | {
        "KERFMARK_CACHE_DIR": str(settings.cache_dir),
        "KERFMARK_COMPILED_DIR": str(compiled_dir()),
        "PATH": "/usr/bin:/bin",
        "HOME": str(home),
        "COLUMNS": "100",
    }


def run(*arguments, settings, cwd):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "kerfmark", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env=environment(settings, cwd),
        check=False,
    )


@pytest.fixture(scope="module")
def block(settings, tmp_path_factory):
    path = tmp_path_factory.mktemp("block") / "block.stl"
    simulated_piece("layered-block", level="middle", seed=2, settings=settings).write(path)
    return path


RESULT = {
    "type": "object",
    "required": ["kerfmark", "exercise", "piece", "alignment", "readings", "rulings", "mark", "warnings"],
    "properties": {
        "exercise": {"required": ["id", "version"], "properties": {"version": {"pattern": "^sha256:[0-9a-f]{64}$"}}},
        "piece": {"required": ["sha256", "kind"], "properties": {"kind": {"enum": ["scan", "motion", "volume"]}}},
        "alignment": {"required": ["matrix", "rms_um", "overlap"]},
        "readings": {"items": {"required": ["id", "where", "value", "unit", "u", "status", "reason"]}},
        "rulings": {"items": {"required": ["reading", "where", "limits", "probability_inside", "ruling"], "properties": {"ruling": {"enum": ["met", "not met", "too close to call", "not measurable", "not applicable"]}}}},
        "mark": {"required": ["percent", "outcome", "critical_not_met"]},
        "warnings": {"items": {"required": ["code", "where", "message"]}},
    },
}  # fmt: skip


def test_help_comes_quickly(settings, tmp_path):
    # The assignment: under 0.3 s; the best of five, since machines are noisy.
    took = []
    for _ in range(5):
        began = time.perf_counter()
        done = run("--help", settings=settings, cwd=tmp_path)
        took.append(time.perf_counter() - began)
    assert done.returncode == 0
    assert "assess" in done.stdout
    assert min(took) < 0.3


def test_the_version_is_said(settings, tmp_path):
    assert run("--version", settings=settings, cwd=tmp_path).stdout == f"kerfmark {kerfmark.__version__}\n"


def test_assess_loads_neither_the_compiler_nor_the_large_libraries(block, settings, tmp_path):
    # They cost 0.1 to 0.5 s each to load, which is most of what a whole assessment may take.
    program = (
        "import sys\n"
        "from kerfmark.cli import app\n"
        f"app(['assess', 'layered-block', {str(block)!r}, '--json', 'out.json'], standalone_mode=False)\n"
        "print([name for name in ('numba', 'scipy', 'skimage', 'pyarrow', 'statsmodels', 'manifold3d') if name in sys.modules])"
    )
    # The first may have to prepare the exercise and compile.
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", program],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
            env=environment(settings, tmp_path),
        )
        assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"


def test_assess_writes_the_json_of_the_formats_to_a_pipe(block, settings, tmp_path):
    done = run("assess", "layered-block", block, settings=settings, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout, parse_constant=lambda c: pytest.fail(f"{c} in the JSON"))
    jsonschema.validate(result, RESULT)
    open_ended = [r["limits"] for r in result["rulings"] if None in r["limits"]]
    assert open_ended, "an open limit is null"
    assert len(result["alignment"]["matrix"]) == 4


def test_assess_writes_reports_and_leaves_nothing_else(block, settings, tmp_path):
    done = run(
        "assess",
        "layered-block",
        block,
        "--html",
        "p.html",
        "--pdf",
        "p.pdf",
        "--json",
        "p.json",
        settings=settings,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in tmp_path.iterdir()) == ["p.html", "p.json", "p.pdf"]
    assert (tmp_path / "p.pdf").read_bytes()[:5] == b"%PDF-"
    assert done.stdout == ""


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["asess"], 2, "Did you mean 'assess'?"),
        (["assess", "layered-block"], 2, "missing argument 'PIECE'"),
        (["assess", "layered-block", "x.stl", "--jsno", "-"], 2, "no such option: --jsno"),
        (["assess", "layered-block", "rubbish.stl", "--json", "rubbish.stl"], 2, "is what is to be read"),
        (["assess", "layered-block", "rubbish.stl", "--html", "x", "--pdf", "./x"], 2, "is named twice"),
        (["assess", "layered-block", "rubbish.stl", "--grid-um", "nan"], 2, "5 to 1000"),
        (["assess", "layered-block", "rubbish.stl", *["--neighbour", "mesial=a.stl"] * 2], 2, "mesial twice"),
        (["replay", "layered-block", "rubbish.stl", "--surface", "x.stl"], 2, "expected one of ply, glb"),
        (["replay", "layered-block", "rubbish.stl", "--field", "nowhere/x"], 2, "does not exist"),
        (["simulate", "layered-block", "--out", "x.stl", "--hand", "both"], 2, "right or left"),
        (["assess", "full-crown-64", "x.stl"], 2, "full-crown-46"),
        (["assess", "layered-block", "missing.stl"], 2, "missing.stl"),
        (["assess", "layered-block", "rubbish.stl"], 2, "rubbish.stl"),
        (["assess", "layered-block", "rubbish.stl", "--unit", "furlong"], 2, "furlong"),
        (["assess", "layered-block", "rubbish.stl", "--neighbour", "mesial"], 2, "SIDE=FILE"),
        (["assess", "layered-block", "rubbish.stl", "--html", "nowhere/x.html"], 2, "does not exist"),
        (["check", "nothing-here"], 2, "nothing-here"),
        (["evidence", "missing.csv"], 2, "missing.csv: cannot be read (No such file or directory)"),
        (["simulate", "layered-block", "--out", "x.stl", "--level", "master"], 2, "novice"),
        (["simulate", "layered-block", "--out", "x.docx"], 2, "x.docx"),
    ],
)
def test_bad_input_is_one_sentence_and_leaves_nothing(arguments, status, words, settings, tmp_path):
    (tmp_path / "rubbish.stl").write_bytes(b"not a mesh\x1b[31m")
    done = run(*arguments, settings=settings, cwd=tmp_path)
    assert done.returncode == status
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr
    assert done.stdout == ""
    assert [p.name for p in tmp_path.iterdir()] == ["rubbish.stl"]


def test_a_piece_that_is_no_such_piece_ends_with_3(settings, tmp_path):
    from kerfmark.geometry.mesh_files import write_surface
    from kerfmark.geometry.solids import sphere

    write_surface(tmp_path / "ball.stl", sphere(7.0).refined(0.5).surface())
    done = run("assess", "layered-block", "ball.stl", "--json", "out.json", settings=settings, cwd=tmp_path)
    assert done.returncode == 3
    assert [p.name for p in tmp_path.iterdir()] == ["ball.stl"]


def test_list_names_every_built_in_exercise(settings, tmp_path):
    from kerfmark.exercise import builtin

    done = run("list", settings=settings, cwd=tmp_path)
    assert [line.split()[0] for line in done.stdout.splitlines()] == list(builtin.names())


def test_schema_is_a_json_schema(settings, tmp_path):
    done = run("schema", settings=settings, cwd=tmp_path)
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


def test_check_proves_a_built_in_exercise(settings, tmp_path):
    done = run("check", "layered-block", settings=settings, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "can be cut" in done.stdout


def test_a_bad_setting_stops_the_start(settings, tmp_path):
    import os

    environment = dict(os.environ) | {"KERFMARK_LIMIT_TRIANGLES": "many"}
    done = subprocess.run(
        [sys.executable, "-m", "kerfmark", "assess", "layered-block", "x.stl"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=environment,
        check=False,
    )
    assert done.returncode == 2
    assert "KERFMARK_LIMIT_TRIANGLES is 'many'" in done.stderr


def test_a_reader_that_leaves_is_no_fault_of_ours(settings, tmp_path):
    # POSIX shells show a process that a closed pipe ended as 128 + SIGPIPE = 141.
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb") as pipe:
        done = subprocess.run(
            [sys.executable, "-m", "kerfmark", "list"], stdout=pipe, stderr=subprocess.PIPE, text=True,
            env=environment(settings, tmp_path), check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (141, "")


def test_an_output_or_a_cache_that_takes_nothing_is_said_in_a_sentence(settings, tmp_path):
    with Path("/dev/full").open("w", encoding="utf-8") as full:  # Linux: every write says that the disk is full
        done = subprocess.run(
            [sys.executable, "-m", "kerfmark", "list"], stdout=full, stderr=subprocess.PIPE, text=True,
            env=environment(settings, tmp_path), check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("error: standard output: No space left")
    (tmp_path / "file").touch()
    done = subprocess.run(
        [sys.executable, "-m", "kerfmark", "check", "layered-block"], capture_output=True, text=True,
        env=environment(settings, tmp_path) | {"KERFMARK_CACHE_DIR": str(tmp_path / "file")}, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "(KERFMARK_CACHE_DIR)" in done.stderr


def test_a_mesh_that_is_named_like_a_motion_is_read_as_what_it_holds(block, settings, tmp_path):
    path = tmp_path / "piece.csv"
    path.write_bytes(block.read_bytes())
    done = run("assess", "layered-block", path, "--json", "-", settings=settings, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["piece"]["kind"] == "scan"


def test_a_pass_line_that_is_not_known_is_refused_with_those_that_are(settings, tmp_path):
    table = tmp_path / "term.csv"
    table.write_text(term_text(Term(), seed=7), encoding="utf-8")
    done = run(
        "evidence",
        table,
        "--chosen",
        "by feel",
        "--reason",
        "none",
        "--signed",
        "nobody",
        settings=settings,
        cwd=tmp_path,
    )
    assert done.returncode == 2
    assert "expected one of 'borderline regression'" in done.stderr


def test_how_long_files_stay_is_chosen_by_a_command(tmp_path, capsys):
    from kerfmark.cli import main
    from kerfmark.sittings.keeping import Retention, retention
    from kerfmark.storage import open_store

    open_store(tmp_path).close()

    def asked(*arguments):
        with pytest.raises(SystemExit) as left:
            main(["retention", "--store", str(tmp_path), *arguments])
        said = capsys.readouterr()
        return left.value.code, said.out + said.err

    assert asked() == (0, "files of practice stay as long as the store\nfiles of exams stay as long as the store\n")
    status, said = asked("--practice", "30", "--exam", "400", "--now")
    assert status == 0
    assert "files of practice stay 30 days after their sitting has closed" in said
    assert said.endswith("0 files were let go\n")
    assert asked("--practice", "always")[0] == 0
    opened = open_store(tmp_path)
    assert retention(opened) == Retention(None, 400)
    opened.close()
    assert asked("--exam", "30")[0] == 2
    assert asked("--exam", "soon") == (
        2,
        "error: --exam is 'soon', expected a number of days or 'always'. Correct it.\n",
    )


def test_a_rig_tells_the_server_of_what_runs_and_of_what_is_over():
    from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

    from kerfmark.cli.telling import Teller
    from kerfmark.spool import Target

    asked = []

    class Taking(BaseHTTPRequestHandler):
        def do_PUT(self):
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            asked.append((self.command, self.path, body, self.headers["Authorization"]))
            self.send_response(200)
            self.end_headers()

        def do_DELETE(self):
            self.do_PUT()

        def log_message(self, *_):
            """Nothing is said."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Taking) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        target = Target(f"http://127.0.0.1:{server.server_port}", "ks_key")
        teller = Teller(target, learner="L-1", sitting="s", under_way=dict)
        teller.tell({"a": 2.5})
        teller.tell({})
        server.shutdown()
    teller.tell({"a": 3.5})  # nobody answers: cutting goes on
    told = {"learner": "L-1", "sitting": "s", "recorded_s": 2.5}
    assert asked == [
        ("PUT", "/api/v1/running/a", told, "Bearer ks_key"),
        ("DELETE", "/api/v1/running/a", {}, "Bearer ks_key"),
    ]
