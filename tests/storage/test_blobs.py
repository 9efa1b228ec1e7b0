"""Files by their SHA-256, on disk and at an fsspec address."""

import hashlib
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError, StoreError
from kerfmark.storage.blobs import open_blobs


@pytest.fixture(params=["disk", "memory"])
def blobs(request, tmp_path):
    if request.param == "disk":
        return open_blobs(tmp_path / "files")
    return open_blobs(f"memory://{tmp_path.name}")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25, deadline=None)
@given(content=st.binary(max_size=3000))
def test_what_is_kept_comes_back_under_its_digest(blobs, content):
    # Source of the name: SHA-256, FIPS 180-4, as the standard library computes it.
    sha256, size = blobs.put(io.BytesIO(content))
    assert (sha256, size) == (hashlib.sha256(content).hexdigest(), len(content))
    assert blobs.get(sha256) == content
    assert blobs.has(sha256)


def test_the_same_file_twice_is_one_file(blobs):
    first, second = blobs.put(b"a piece"), blobs.put(b"a piece")
    assert first == second
    assert list(blobs.names()) == [first[0]]


def test_an_erased_file_is_gone_and_erasing_again_does_nothing(blobs):
    sha256, _ = blobs.put(b"a piece")
    blobs.erase(sha256)
    blobs.erase(sha256)
    assert list(blobs.names()) == []
    with pytest.raises(StoreError, match="is not there"):
        blobs.get(sha256)


def test_a_file_above_the_limit_is_refused_and_nothing_of_it_stays(blobs):
    with pytest.raises(InputError, match="larger than"):
        blobs.put(io.BytesIO(bytes(5000)), limit_bytes=4096)
    assert list(blobs.names()) == []


def test_a_damaged_file_is_found_when_read(tmp_path):
    blobs = open_blobs(tmp_path)
    sha256, _ = blobs.put(b"a piece")
    (tmp_path / sha256[:2] / sha256[2:]).write_bytes(b"A piece")
    with pytest.raises(StoreError, match="is not what was kept"):
        blobs.get(sha256)


def test_a_torn_file_of_an_earlier_crash_is_written_over(tmp_path):
    blobs = open_blobs(tmp_path)
    sha256, _ = blobs.put(b"a piece")
    (tmp_path / sha256[:2] / sha256[2:]).write_bytes(b"a p")
    blobs.put(b"a piece")
    assert blobs.get(sha256) == b"a piece"


def test_an_unknown_address_says_what_is_taken():
    with pytest.raises(InputError, match="a folder or an address that fsspec knows"):
        open_blobs("nowhere://bucket")
