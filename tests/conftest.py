"""What many tests share: settings with one cache for the whole run, the open data beside the checkout."""

import os
from dataclasses import replace
from pathlib import Path

import pytest

from kerfmark.settings import Settings, read_settings

SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def settings(tmp_path_factory) -> Settings:
    """Settings whose cache all tests share, so that each built-in exercise is made once a run."""
    kept = os.environ.get("KERFMARK_CACHE_DIR")
    return replace(read_settings(), cache_dir=Path(kept) if kept else tmp_path_factory.mktemp("cache"))


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The folder of open data; tests that need it are skipped where it is absent."""
    if not SHARED.is_dir():
        pytest.skip(
            "the open data are not beside this checkout (../shared/data); they are read from there, never copied in"
        )
    return SHARED
