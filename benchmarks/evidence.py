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


def report() -> None:
    """1,000 simulated learners × 10 exercises × 3 examiners, 2,000 bootstrap draws: table to page and sheets."""
    from pathlib import Path
    from tempfile import TemporaryDirectory

    from kerfmark.demo.term import Term, term_text
    from kerfmark.evidence import Options, gather, read_table
    from kerfmark.reports.board.page import write_board_page
    from kerfmark.reports.board.sheets import write_board_pdf

    with TemporaryDirectory() as folder:
        path = Path(folder) / "term.csv"
        path.write_text(
            term_text(Term(learners=1000, exercises=10, examiners=3, marked_by=3, attempts=8), seed=3), encoding="utf-8"
        )
        began = time.perf_counter(), time.process_time()
        seconds, table = timed(lambda: read_table(path))
        print(f"{len(table)} rows read: {seconds:.1f} s")
        seconds, found = timed(lambda: gather(table, options=Options(draws=2000)))
        print(f"every question, 2,000 draws: {seconds:.1f} s")
        seconds, _ = timed(lambda: write_board_page(Path(folder) / "e.html", found))
        print(f"page: {seconds:.1f} s")
        seconds, _ = timed(lambda: write_board_pdf(Path(folder) / "e.pdf", found))
        print(f"sheets: {seconds:.1f} s")
        print(
            f"altogether {time.perf_counter() - began[0]:.1f} s on the clock, {time.process_time() - began[1]:.1f} s of processor"
        )


if __name__ == "__main__":
    import warnings

    warnings.simplefilter("ignore")
    chosen = sys.argv[1:] or ["reml", "ratio", "report"]
    for name in chosen:
        {"reml": reml, "ratio": ratio, "report": report}[name]()
