"""The reliability script at a small size, against a real `kerfmark serve`: what it has acknowledged is there after a kill, once."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import server as script


@pytest.fixture(params=["sqlite", "postgresql"])
def addresses(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "store"), str(tmp_path / "files")
    return request.getfixturevalue("postgresql")(), str(tmp_path / "files")


def test_learners_who_hand_in_at_once_and_again_have_one_piece_each(addresses):
    found = script.rush(*addresses, learners=20, seconds=0.0, twice=0.5, edge_mm=0.8)
    assert (found["requests"], found["lost"], found["twice"]) == (30, 0, 0)


@pytest.mark.parametrize(
    "moments",
    [("handing in", "measuring"), pytest.param(("marking", "signing", "measuring"), marks=pytest.mark.slow)],
    ids=["taking in", "deciding"],
)
def test_what_a_server_had_acknowledged_when_it_was_killed_is_there_and_proves(tmp_path, moments):
    """The script itself asserts that nothing acknowledged is lost, that rows, files and log agree, and that all is measured in the end."""
    found = script.kills(str(tmp_path / "store"), str(tmp_path / "files"), rounds=len(moments), moments=moments)
    assert found["kills_while_measuring"] >= 1
    assert found["pieces_acknowledged"] >= 1
    assert found["measured_after_the_last_start"] >= 1
