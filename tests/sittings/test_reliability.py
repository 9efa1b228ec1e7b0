"""The reliability script at a small size: learners at once lose nothing, a killed server loses nothing it had said was done."""

import sys
from pathlib import Path

import pytest

from kerfmark.storage import open_store

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import store as script


@pytest.fixture(params=["sqlite", "postgresql"])
def addresses(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "store"), str(tmp_path / "files")
    return request.getfixturevalue("postgresql")(), str(tmp_path / "files")


def test_learners_who_hand_in_at_once_and_again_have_one_piece_each(addresses):
    opened = open_store(*addresses)
    found = script.rush(opened, learners=30, size=20_000, seconds=0.0, twice=0.5)
    opened.close()
    assert (found["lost"], found["twice"]) == (0, 0)


def test_what_a_killed_server_had_acknowledged_is_there_and_proves(addresses):
    found = script.kills(*addresses, rounds=3)
    assert found["pieces_acknowledged"] >= 3
    assert found["lost"] == 0
