"""The frames of a live connection: samples one way, forces the other; little-endian, no padding.

Samples: u64 number of the first sample, then nine float64 each: time_s, x_mm, y_mm, z_mm, qw, qx, qy, qz, spindle_rpm.
Answer: u64 samples taken in all, then four float32 for each sample newly taken: fx_n, fy_n, fz_n, depth_mm.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kerfmark.errors import InputError
from kerfmark.records import FloatArray

__all__ = ["ANSWER_WIDTH", "SAMPLE_WIDTH", "answer_frame", "read_answer", "read_samples", "sample_frame"]

SAMPLE_WIDTH, ANSWER_WIDTH = 9, 4
HEAD = struct.Struct("<Q")


def sample_frame(first: int, samples: ArrayLike) -> bytes:
    """Samples (n, 9), numbered from `first`, as a frame."""
    return HEAD.pack(first) + np.asarray(samples, dtype="<f8").reshape(-1, SAMPLE_WIDTH).tobytes()


def read_samples(frame: bytes) -> tuple[int, FloatArray]:
    """Number of the first sample, and the samples (n, 9).

    Raises
    ------
    InputError
        If the frame is no whole number of samples.
    """
    body = len(frame) - HEAD.size
    if body < 0 or body % (8 * SAMPLE_WIDTH):
        raise InputError(
            f"live frame: has {len(frame)} bytes, expected 8 and then 72 for each sample. Correct the client and send it again."
        )
    values = np.frombuffer(frame, dtype="<f8", offset=HEAD.size).reshape(-1, SAMPLE_WIDTH)
    return HEAD.unpack_from(frame)[0], values.astype(float)


def answer_frame(taken: int, answers: ArrayLike) -> bytes:
    """How many samples are taken, and force and depth (n, 4) of those newly taken, as a frame."""
    return HEAD.pack(taken) + np.asarray(answers, dtype="<f4").reshape(-1, ANSWER_WIDTH).tobytes()


def read_answer(frame: bytes) -> tuple[int, NDArray[np.float32]]:
    """What `answer_frame` packed."""
    values = np.frombuffer(frame, dtype="<f4", offset=HEAD.size).reshape(-1, ANSWER_WIDTH)
    return HEAD.unpack_from(frame)[0], values
