"""Curves through table points."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from kerfmark.records import FloatArray

__all__ = ["along_path", "monotone", "rounded_end", "smooth_step", "softened"]


def monotone(points: Sequence[tuple[float, float]], x: ArrayLike) -> FloatArray:
    """The curve through (x, y) points that has no extremes but theirs, with straight ends.

    Notes
    -----
    Source: Fritsch & Carlson (1980), with the three-point slopes of Fritsch & Butland (1984).
    """
    knots = np.array(sorted(points), dtype=float)
    width, rise = np.diff(knots[:, 0]), np.diff(knots[:, 1])
    secant = rise / width
    slope = np.concatenate([secant[:1], np.zeros(len(knots) - 2), secant[-1:]])
    before, after = secant[:-1], secant[1:]
    same = before * after > 0
    w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
    slope[1:-1][same] = ((w1 + w2) / (w1 / np.where(same, before, 1) + w2 / np.where(same, after, 1)))[same]
    at = np.asarray(x, dtype=float)
    cell = np.clip(np.searchsorted(knots[:, 0], at) - 1, 0, len(width) - 1)
    t, h = (at - knots[cell, 0]) / width[cell], width[cell]
    inner = np.clip(t, 0.0, 1.0)
    value = knots[cell, 1] + h * inner * (slope[cell] * (1 - inner) ** 2 - slope[cell + 1] * inner * (1 - inner))
    value += rise[cell] * inner**2 * (3 - 2 * inner)
    value += h * (np.minimum(t, 0.0) * slope[cell] + np.maximum(t - 1.0, 0.0) * slope[cell + 1])
    return np.asarray(value)


def smooth_step(x: ArrayLike) -> FloatArray:
    """0 below 0, 1 above 1, smooth between."""
    t = np.clip(np.asarray(x, dtype=float), 0.0, 1.0)
    return np.asarray(t * t * t * (t * (6.0 * t - 15.0) + 10.0))


def rounded_end(t: ArrayLike, *, start: float = 0.85, rest: float = 0.45) -> FloatArray:
    """Factor that brings a root's width down like a circle from `start` of its length to `rest` of itself at its end."""
    share = np.clip((np.asarray(t, dtype=float) - start) / (1.0 - start), 0.0, 1.0)
    return np.sqrt(1.0 - (1.0 - rest * rest) * share * share)


def softened(values: FloatArray, sigma: float) -> FloatArray:
    """Values along the first axis blurred by a Gaussian of `sigma` samples, ends held."""
    reach = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    padded = np.concatenate([np.repeat(values[:1], reach, 0), values, np.repeat(values[-1:], reach, 0)])
    return sum((w * padded[i : i + len(values)] for i, w in enumerate(kernel)), np.zeros_like(values))


def along_path(path: ArrayLike, samples: int) -> FloatArray:
    """Points evenly spaced along a smooth curve through the path's points; (samples, d)."""
    knots = np.asarray(path, dtype=float)
    if len(knots) == 2:
        return np.asarray(knots[0] + np.linspace(0, 1, samples)[:, None] * (knots[1] - knots[0]))
    chord = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    slope = np.gradient(knots, chord, axis=0)
    t = np.linspace(0, chord[-1], samples)
    cell = np.clip(np.searchsorted(chord, t) - 1, 0, len(knots) - 2)
    h = np.diff(chord)[cell][:, None]
    s = (t - chord[cell])[:, None] / h
    start, end = knots[cell], knots[cell + 1]
    bent = h * s * (1 - s) * (slope[cell] * (1 - s) - slope[cell + 1] * s)
    return np.asarray(start * (1 + 2 * s) * (1 - s) ** 2 + end * s**2 * (3 - 2 * s) + bent)
