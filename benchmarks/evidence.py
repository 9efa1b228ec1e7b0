"""How fast the evidence is worked out: `python benchmarks/evidence.py [reml|ratio|report]`. Ratios are of one run on one machine."""

from __future__ import annotations

import sys
import time

import numpy as np

from kerfmark.statistics.reml import reml_fit

EFFECTS = [("p",), ("i",), ("o",), ("p", "i"), ("p", "o"), ("i", "o")]


def ratings(people: int, items: int, raters: int, share: float) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    rng = np.random.default_rng(1)
    p, i, o = (axis.ravel() for axis in np.indices((people, items, raters)))
    y = 8 * rng.normal(size=people)[p] + 4 * rng.normal(size=items)[i] + 2 * rng.normal(size=raters)[o]
    y += 5 * rng.normal(size=(people, items))[p, i] + 2 * rng.normal(size=(people, raters))[p, o]
    y += rng.normal(size=(items, raters))[i, o] + 3 * rng.normal(size=p.size)
    keep = rng.random(p.size) < share
    return y[keep], {"p": p[keep], "i": i[keep], "o": o[keep]}


def timed(task) -> tuple[float, object]:
    start = time.perf_counter()
    made = task()
    return time.perf_counter() - start, made


def reml() -> None:
    """Unbalanced p × i × o: a tenth of 33 334 ratings missing."""
    y, facets = ratings(1112, 10, 3, 0.9)
    seconds, fit = timed(lambda: reml_fit(y, facets, EFFECTS))
    print(f"components of {len(y)} ratings with gaps: {seconds:.1f} s, {fit.steps} steps")
    for effect, value in fit.variance.items():
        print(f"  {' × '.join(effect):<12} {value:8.3f}")


def ratio() -> None:
    """The same model by statsmodels MixedLM, on as many ratings as it takes in a minute or so."""
    import pandas
    import statsmodels.formula.api as smf

    for people in (12, 24, 48, 96):
        y, facets = ratings(people, 5, 2, 0.9)
        data = pandas.DataFrame({"y": y, **facets})
        formula = {"".join(e): "0 + " + ":".join(f"C({f})" for f in e) for e in EFFECTS}
        ours, fit = timed(lambda y=y, facets=facets: reml_fit(y, facets, EFFECTS))
        model = smf.mixedlm("y ~ 1", data, groups=np.ones(len(y)), vc_formula=formula)
        theirs, other = timed(lambda model=model: model.fit(reml=True))
        print(
            f"{len(y):5d} ratings: here {ours:.2f} s, statsmodels {theirs:.1f} s, {theirs / ours:.0f} times; "
            f"−2 log likelihood here less theirs {fit.criterion + 2 * other.llf:+.4f}"
        )


if __name__ == "__main__":
    import warnings

    warnings.simplefilter("ignore")
    chosen = sys.argv[1:] or ["reml", "ratio"]
    for name in chosen:
        {"reml": reml, "ratio": ratio}[name]()
