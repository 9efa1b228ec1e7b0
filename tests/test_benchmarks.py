"""Every benchmark and example can be begun: what it takes from the project and from its neighbours is there."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SCRIPTS = sorted(path for folder in ("benchmarks", "examples") for path in (ROOT / folder).glob("*.py"))
OF_OTHER_MACHINES = {"cupy", "torch", "warp"}


def test_there_are_scripts():
    assert len(SCRIPTS) > 15


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.stem)
def test_a_script_finds_all_that_it_imports(script):
    code = f"import sys; sys.path.insert(0, {str(script.parent)!r}); import {script.stem}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    missing = done.stderr.rpartition("No module named ")[2].strip().strip("'")
    if missing and missing in OF_OTHER_MACHINES:
        pytest.skip(f"{missing} is not installed")
    assert done.returncode == 0, done.stderr
