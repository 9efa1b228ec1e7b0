import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.components import crossed
from kerfmark.statistics.reml import RESIDUAL, reml_components, reml_fit

P, T, R, PI, PO, IO = ("p",), ("i",), ("o",), ("p", "i"), ("p", "o"), ("i", "o")
# Source: Davies & Goldsmith (1972), yield of dyestuff of six batches; R lme4 gives 1764.05 and 2451.25.
DYESTUFF = [
    1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
    1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445,
]  # fmt: skip
# Source: Davies & Goldsmith (1972), zones of penicillin, 24 plates by 6 samples; R lme4 standard deviations squared below.
PENICILLIN = [
    "272326232321", "272326232321", "252125242420", "262325232320", "252226222320", "242225232219", "242023212219",
    "262226242421", "242124222220", "242124232219", "262326242421", "252226242420", "262426242522", "262326232320",
    "262325242422", "252225232320", "252124232320", "252224232319", "242123212119", "262326242421", "252124222218",
    "252225222220", "242124222419", "242124222118",
]  # fmt: skip
# Source: Davies & Goldsmith (1972), strength of paste, ten batches of three casks, two tests each.
PASTES = [
    62.8, 62.6, 60.1, 62.3, 62.7, 63.1, 60.0, 61.4, 57.5, 56.9, 61.1, 58.9, 58.7, 57.5, 63.9, 63.1, 65.4, 63.7, 57.1, 56.4,
    56.9, 58.6, 64.7, 64.5, 55.1, 55.1, 54.7, 54.2, 58.8, 57.5, 63.4, 64.9, 59.3, 58.1, 60.5, 60.0, 62.5, 62.6, 61.0, 58.7,
    56.9, 57.7, 59.2, 59.4, 65.2, 66.0, 64.8, 64.1, 54.8, 54.8, 64.0, 64.0, 57.7, 56.8, 58.3, 59.3, 59.2, 59.2, 58.9, 56.6,
]  # fmt: skip


def test_one_way_components_match_lme4_on_dyestuff():
    found = reml_fit(DYESTUFF, {"p": np.repeat(np.arange(6), 5)}, [P])
    assert list(found.variance.values()) == pytest.approx([1764.05, 2451.25], rel=1e-5)


def test_crossed_components_match_lme4_on_penicillin():
    values = np.array([[int(row[i : i + 2]) for i in range(0, 12, 2)] for row in PENICILLIN])
    plate, sample = np.indices(values.shape)
    found = reml_fit(values.ravel(), {"p": plate.ravel(), "i": sample.ravel()}, [P, T])
    assert [found.variance[e] for e in (P, T, RESIDUAL)] == pytest.approx([0.716905, 3.731132, 0.302415], rel=1e-3)


def test_nested_components_match_lme4_on_pastes():
    found = reml_fit(PASTES, {"p": np.repeat(np.arange(10), 6), "c": np.repeat(np.arange(30), 2)}, [P, ("p", "c")])
    assert list(found.variance.values()) == pytest.approx([1.657311, 8.433666, 0.678000], rel=1e-3)


def _full(rng, people=20, items=4, raters=3):
    p, i, o = np.indices((people, items, raters))
    scores = rng.normal(size=people)[p] * 2 + rng.normal(size=items)[i] + rng.normal(size=raters)[o]
    scores += rng.normal(size=(people, items))[p, i] * 1.5 + rng.normal(size=(people, raters))[p, o]
    scores += rng.normal(size=(items, raters))[i, o] + rng.normal(size=p.shape)
    return scores, {"p": p.ravel(), "i": i.ravel(), "o": o.ravel()}


def test_a_full_table_gives_what_mean_squares_give():
    # Source: REML equals the mean-square estimates on balanced data while none is negative (Searle et al. 1992).
    scores, facets = _full(np.random.default_rng(3))
    expected = crossed(scores, ("p", "i", "o"))
    found = reml_components(scores.ravel(), facets, [P, T, R, PI, PO, IO])
    assert min(expected.variance.values()) > 0
    assert dict(found.variance) == pytest.approx(dict(expected.variance), rel=1e-4)


def test_a_table_with_gaps_agrees_with_statsmodels():
    # Source: statsmodels MixedLM, one group of all, components by formula; it stops at a looser gradient.
    import pandas
    import statsmodels.formula.api as smf

    scores, facets = _full(np.random.default_rng(8), people=12, items=3, raters=2)
    keep = np.random.default_rng(9).random(scores.size) < 0.8
    data = pandas.DataFrame({"y": scores.ravel()[keep], **{f: c[keep] for f, c in facets.items()}})
    formula = {"p": "0 + C(p)", "i": "0 + C(i)", "o": "0 + C(o)", "pi": "0 + C(p):C(i)"}
    theirs = smf.mixedlm("y ~ 1", data, groups=np.ones(len(data)), vc_formula=formula).fit(reml=True)
    found = reml_fit(data.y, {f: data[f].to_numpy() for f in facets}, [P, T, R, PI])
    assert found.criterion <= -2 * theirs.llf + 1e-6
    named = dict(zip(theirs.model.exog_vc.names, theirs.vcomp, strict=True))
    assert [found.variance[e] for e in (P, T, R, PI)] == pytest.approx(
        [named[k] for k in ("p", "i", "o", "pi")], abs=0.02
    )
    assert found.variance[RESIDUAL] == pytest.approx(theirs.scale, abs=0.02)


def test_the_gradient_is_the_slope_of_the_criterion():
    # Source: central differences of the criterion itself.
    from kerfmark.statistics.reml import _design, _evaluate

    scores, facets = _full(np.random.default_rng(5), people=8)
    keep = np.random.default_rng(6).random(scores.size) < 0.7
    design = _design(scores.ravel()[keep], {f: c[keep] for f, c in facets.items()}, [P, T, R, PI, PO, IO])
    at = np.array([0.3, 0.2, 0.1, 0.25, 0.15, 0.05, 0.4])
    slopes = [
        (_evaluate(design, at + step).criterion - _evaluate(design, at - step).criterion) / 2e-5
        for step in np.eye(7) * 1e-5
    ]
    assert _evaluate(design, at).gradient == pytest.approx(slopes, rel=1e-5, abs=1e-6)


def test_an_effect_that_is_not_there_ends_at_zero_and_says_so():
    rng = np.random.default_rng(1)
    values = np.tile([1.0, -1.0], 20) + 0.01 * rng.normal(size=40)
    found = reml_components(values, {"p": np.repeat(np.arange(20), 2)}, [P])
    assert found.variance[P] == 0.0
    assert "at the boundary" in found.estimate[P].method


@pytest.mark.parametrize(
    ("values", "facets", "effects", "words"),
    [
        ([1.0, 1.0, 1.0], {"p": [0, 0, 1]}, [P], "all 3 are equal"),
        ([1.0, 2.0, 3.0], {"p": [0, 0, 0]}, [P], "has 1 level"),
        ([1.0, 2.0, 3.0], {"p": [0, 1, 2]}, [P], "cannot be told from the residual"),
        ([1.0, 2.0, 3.0, 4.0], {"p": [0, 0, 1, 1], "i": [0, 0, 1, 1]}, [P, PI], "one p × i only"),
    ],
)
def test_designs_that_cannot_tell_give_a_sentence(values, facets, effects, words):
    with pytest.raises(EvidenceError, match=words):
        reml_fit(values, facets, effects)


def test_a_missing_column_is_refused():
    with pytest.raises(InputError, match="facet o"):
        reml_fit([1.0, 2.0, 3.0, 4.0], {"p": [0, 0, 1, 1]}, [P, R])


@pytest.mark.slow
def test_components_are_recovered_and_intervals_hold_them_as_often_as_they_say():
    # Source: simulation, 200 tables with gaps; 95 % intervals hold the truth in 95 ± 3.1 % (two binomial errors); 89 % is allowed
    # for the Satterthwaite approximation.
    rng, held, sums = np.random.default_rng(21), np.zeros(3), np.zeros(3)
    for _ in range(200):
        p, i = (axis.ravel() for axis in np.indices((60, 8)))
        values = 2 * rng.normal(size=60)[p] + rng.normal(size=8)[i] + 1.5 * rng.normal(size=480)
        keep = rng.random(480) < 0.8
        found = reml_components(values[keep], {"p": p[keep], "i": i[keep]}, [P, T])
        truth = [(P, 4.0), (T, 1.0), (PI, 2.25)]
        held += [found.estimate[e].holds(value) for e, value in truth]
        sums += [found.variance[e] for e, value in truth]
    assert np.all(held / 200 > 0.89)
    assert sums / 200 == pytest.approx([4.0, 1.0, 2.25], abs=0.15)
