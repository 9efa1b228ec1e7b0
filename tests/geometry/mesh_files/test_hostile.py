"""Damaged and hostile files: an InputError or a surface, never anything else, in bounded time and memory."""

from __future__ import annotations

import os
import time
import tracemalloc

import numpy as np
import pytest

from kerfmark.errors import InputError
from kerfmark.geometry.mesh import mend
from kerfmark.geometry.mesh_files import read_mesh_file
from kerfmark.settings import Limits

LIMITS = Limits(triangles=100_000, file_mib=8, unpacked_mib=16)
NAMES = ("ball.stl", "ball.ply", "ball.obj", "ball.3mf", "ball.glb", "ascii.stl", "ascii.ply", "big.ply")
JUNK = (
    b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x7f\xff\xff\xff", b"nan", b"-1", b"99999999999999999999", b"1e999", b"\xc3\x28", b"\n",
    b"<!DOCTYPE x>", b"&a;", b"{[" * 3000, b"facet", b"endsolid", b"element vertex 4000000000\n", b"f 1 2 3 4 5 6 7 8 9\n",
    b"\0" * 500,
)  # fmt: skip
SECONDS, MIB = 3.0, 128


def flipped(data: bytearray, rng: np.random.Generator) -> bytearray:
    for at in rng.integers(0, len(data), rng.integers(1, 12)):
        data[at] ^= 1 << int(rng.integers(8))
    return data


def cut(data: bytearray, rng: np.random.Generator) -> bytearray:
    return data[: rng.integers(0, len(data))]


def stuffed(data: bytearray, rng: np.random.Generator) -> bytearray:
    at = int(rng.integers(0, min(len(data), 2000) if rng.random() < 0.6 else len(data)))
    return data[:at] + JUNK[rng.integers(len(JUNK))] + data[at:]


def overwritten(data: bytearray, rng: np.random.Generator) -> bytearray:
    junk = JUNK[rng.integers(len(JUNK))]
    at = int(rng.integers(0, min(len(data), 600) if rng.random() < 0.6 else len(data)))
    data[at : at + len(junk)] = junk
    return data


def shuffled(data: bytearray, rng: np.random.Generator) -> bytearray:
    a, b = np.sort(rng.integers(0, len(data), 2))
    return data[:a] + data[b:] + data[a:b]


def recounted(data: bytearray, rng: np.random.Generator) -> bytearray:
    """A run of digits replaced by another number."""
    digits = [i for i in range(min(len(data), 3000)) if 48 <= data[i] <= 57]
    if digits:
        at = digits[rng.integers(len(digits))]
        data[at : at + 1] = str(int(10 ** rng.uniform(0, 14))).encode()
    return data


MUTATIONS = (flipped, cut, stuffed, overwritten, shuffled, recounted)


def mutated(data: bytes, rng: np.random.Generator) -> bytes:
    made = bytearray(data)
    for _ in range(rng.integers(1, 4)):
        made = MUTATIONS[rng.integers(len(MUTATIONS))](made, rng) or made
    return bytes(made)


def survive(data: bytes, name: str) -> bool:
    """Read and mend; whether a surface came of it."""
    try:
        surface, *_ = mend(read_mesh_file(data, name=name, limits=LIMITS).surface)
    except InputError as error:
        message = str(error)
        assert "\n" not in message
        assert message.isprintable()
        assert len(message) < 600
        return False
    assert np.isfinite(surface.vertices_mm).all()
    assert len(surface.faces) == 0 or 0 <= surface.faces.min() <= surface.faces.max() < len(surface.vertices_mm)
    return True


def fuzz(files: dict[str, bytes], name: str, *, rounds: int, seed: int) -> None:
    rng, slowest, read = np.random.default_rng(seed), 0.0, 0
    for number in range(rounds):
        data, started = mutated(files[name], rng), time.perf_counter()
        try:
            read += survive(data, name)
        except BaseException as error:
            error.add_note(f"{name}, seed {seed}, round {number}")
            raise
        slowest = max(slowest, time.perf_counter() - started)
    assert slowest < SECONDS
    assert read < rounds  # the mutations do break files


@pytest.mark.parametrize("name", NAMES)
def test_a_mutated_file_is_read_or_refused_in_words(valid_files, name):
    survive(valid_files[name], name)  # compile first: the time is that of reading
    fuzz(valid_files, name, rounds=120, seed=20_260_101)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_thousands_of_mutated_files_are_read_or_refused_in_words(valid_files, name):
    survive(valid_files[name], name)
    fuzz(valid_files, name, rounds=int(os.environ.get("KERFMARK_FUZZ_ROUNDS", "3000")), seed=7)


@pytest.mark.parametrize("name", NAMES)
def test_a_mutated_file_takes_little_memory(valid_files, name):
    survive(valid_files[name], name)
    rng = np.random.default_rng(99)
    tracemalloc.start()
    for _ in range(25):
        survive(mutated(valid_files[name], rng), name)
    peak = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    assert peak < MIB  # the files are 16 to 80 kB


@pytest.mark.parametrize(
    "head", [b"", b"solid x\nfacet ", b"ply\nformat ascii 1.0\n", b"glTF\x02\0\0\0", b"PK\x03\x04", b"v 0 0 0\nf "]
)
def test_noise_behind_any_head_is_refused(head):
    rng = np.random.default_rng(3)
    for size in (0, 1, 50, 84, 5000):
        survive(head + rng.bytes(size), "piece.stl")
