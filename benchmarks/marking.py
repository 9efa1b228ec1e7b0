"""Marking a term again: 10,000 pieces on 12 criteria, as when a teacher drags a limit.

Run `python benchmarks/marking.py`. Compared with what a user would otherwise write: scipy.stats.norm in whole arrays,
and in a loop over pieces and criteria (timed on 200 pieces and scaled up).
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import scipy.stats

from kerfmark.marking import rule_many

PIECES, CRITERIA, LIMIT_MS, LOOP_PIECES = 10_000, 12, 50.0, 200


def best_ms(work: Callable[[], object], *, repeats: int = 7) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(1000.0 * (time.perf_counter() - start))
    return min(times)


def with_scipy(values, u, lower, upper):
    inside = scipy.stats.norm.cdf((upper - values) / u) - scipy.stats.norm.cdf((lower - values) / u)
    return inside, np.where(inside >= 0.95, 3, np.where(inside <= 0.05, 1, 2))


def looped(values, u, lower, upper):
    for i in range(len(values)):
        for j in range(values.shape[1]):
            norm = scipy.stats.norm(values[i, j], u[i, j])
            _ = norm.cdf(upper[j]) - norm.cdf(lower[j])


def main() -> int:
    rng = np.random.default_rng(12)
    values, u = rng.normal(0.0, 1.0, (PIECES, CRITERIA)), rng.uniform(0.01, 0.3, (PIECES, CRITERIA))
    lower, upper = np.full(CRITERIA, -1.0), np.full(CRITERIA, 1.0)
    rule_many(values[:1], u[:1], lower, upper)  # compiled, or read back from the cache
    ours = best_ms(lambda: rule_many(values, u, lower, upper))
    theirs = best_ms(lambda: with_scipy(values, u, lower, upper))
    loop = (
        best_ms(lambda: looped(values[:LOOP_PIECES], u[:LOOP_PIECES], lower, upper), repeats=1) * PIECES / LOOP_PIECES
    )
    worst = np.abs(rule_many(values, u, lower, upper)[0] - with_scipy(values, u, lower, upper)[0]).max()
    print(f"{PIECES} pieces x {CRITERIA} criteria: rule_many {ours:.1f} ms (limit {LIMIT_MS:.0f} ms)")
    print(f"scipy.stats.norm, whole arrays: {theirs:.1f} ms; in a loop, scaled up: {loop:.0f} ms")
    print(f"largest difference from scipy: {worst:.1e}")
    return 0 if ours < LIMIT_MS else 1


if __name__ == "__main__":
    raise SystemExit(main())
