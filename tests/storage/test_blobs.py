"""Files by their SHA-256, on disk and at an fsspec address."""

import hashlib
import io
import os
import shutil
import sys

import fsspec.implementations.memory
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kerfmark.errors import InputError, StoreError
from kerfmark.storage.blobs import open_blobs


class Bucket(fsspec.implementations.memory.MemoryFileSystem):
    """Stands in for an object store: no folders to make, no moving, and a file is there only once its writing was ended."""

    protocol = ("s3", "s3a")
    cachable = False

    @classmethod
    def _strip_protocol(cls, path):
        return "/" + str(path).removeprefix("s3://").strip("/")

    def makedirs(self, path, exist_ok=False):
        """An object store has none."""

    def mkdir(self, path, create_parents=True, **kwargs):
        """An object store has none."""

    def mv(self, *_, **__):
        raise AssertionError("an object store moves nothing: a file has to be whole when it is closed")

    def _open(self, path, mode="rb", **kwargs):
        if "w" not in mode:
            return super()._open(path, mode, **kwargs)
        return Upload(path, lambda content: self.pipe_file(path, content))

    def pipe_file(self, path, value, **kwargs):
        self.store[self._strip_protocol(path)] = fsspec.implementations.memory.MemoryFile(self, path, value)


class Upload(io.BytesIO):
    """What is written, kept when it is closed."""

    def __init__(self, path, keep):
        super().__init__()
        self._path, self._keep = path, keep

    def close(self):
        if not self.closed:
            self._keep(self.getvalue())
        super().close()


@pytest.fixture(params=["disk", "file", "local", "memory", "s3"])
def blobs(request, tmp_path, monkeypatch):
    """A folder, the same as an address, the same through fsspec, its memory, and a stand-in for an object store."""
    if request.param == "disk":
        return open_blobs(tmp_path / "files")
    if request.param in ("file", "local"):
        return open_blobs(f"{request.param}://{tmp_path}/files")
    if request.param == "s3":
        monkeypatch.setitem(sys.modules["fsspec.registry"]._registry, "s3", Bucket)
    return open_blobs(f"{request.param}://{tmp_path.name}")


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


@pytest.mark.parametrize("address", ["file://{}/files", "local://{}/files"])
def test_a_store_keeps_its_files_at_an_address(tmp_path, address):
    """Handed over as `--files`: what is put through one opening is there in the next."""
    place = address.format(tmp_path)
    sha256, _ = open_blobs(place).put(b"a piece")
    assert open_blobs(place).get(sha256) == b"a piece"
    assert (tmp_path / "files" / sha256[:2] / sha256[2:]).read_bytes() == b"a piece"
    assert open_blobs(place).age_s(sha256) < 60.0
    assert open_blobs(place).local(sha256, tmp_path, "again.stl").read_bytes() == b"a piece"


def test_what_a_kill_left_half_written_goes_once_it_is_old(tmp_path):
    blobs = open_blobs(tmp_path)
    kept, _ = blobs.put(b"a piece")
    left, fresh = tmp_path / "passing" / "left", tmp_path / "passing" / "fresh"
    for file in (left, fresh):
        file.write_bytes(b"a pi")
    os.utime(left, (0, 0))
    assert blobs.drop_unfinished(86_400.0) == 1
    assert (left.exists(), fresh.exists(), blobs.has(kept)) == (False, True, True)


def test_a_place_that_is_gone_is_said_in_a_sentence(tmp_path):
    blobs = open_blobs(tmp_path / "files")
    shutil.rmtree(tmp_path / "files")
    with pytest.raises(StoreError, match="could not be kept"):
        blobs.put(b"a piece")


def test_an_unknown_address_says_what_is_taken():
    with pytest.raises(InputError, match="a folder or an address that fsspec knows"):
        open_blobs("nowhere://bucket")
