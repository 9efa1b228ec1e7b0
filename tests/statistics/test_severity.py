from itertools import product

import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.conditional import Counts, _likelihood, counted, maximise
from kerfmark.statistics.linking import linked_groups
from kerfmark.statistics.severity import _design, _slices, _thresholds, many_facet

TWO_RATERS = np.r_[np.tile([1, 0], 30), np.tile([0, 1], 12), np.tile([1, 1], 90), np.tile([0, 0], 68)]


def simulated(rng, *, people=200, severities, difficulties, steps, share=1.0, each=None):
    """Ratings by the model itself."""
    p, i, j = (a.ravel() for a in np.indices((people, len(difficulties), len(severities))))
    keep = rng.random(p.size) < share
    if each is not None:
        chosen = np.argsort(rng.random((people, len(severities))), axis=1)[:, :each]
        keep &= (chosen[p] == j[:, None]).any(axis=1)
    p, i, j = p[keep], i[keep], j[keep]
    place = rng.normal(size=people)[p] - np.asarray(difficulties)[i] - np.asarray(severities)[j]
    sums = np.r_[0.0, np.cumsum(steps)]
    eta = place[:, None] * np.arange(len(sums)) - sums
    chance = np.exp(eta)
    chance /= chance.sum(axis=1, keepdims=True)
    return p, i, j, (rng.random(len(p))[:, None] > np.cumsum(chance, axis=1)).sum(axis=1)


def test_two_raters_match_the_closed_form():
    # Source: conditional likelihood of two dichotomous raters: ln(n10/n01), error √(1/n10 + 1/n01); R eRm gives the same.
    found = many_facet(np.repeat(np.arange(200), 2), TWO_RATERS, examiners=np.tile(["A", "B"], 200))
    difference = found.examiners.difference("B", "A")
    assert difference.value == pytest.approx(np.log(30 / 12), abs=1e-6)
    assert (difference.value, difference.se) == pytest.approx((0.916291, 0.341565), abs=1e-5)
    assert found.examiners.measure["B"].se == pytest.approx(0.170775, abs=1e-5)


# Source: R eRm, data set pcmdat2 (300 people, 4 items, categories 0–2): how often each category and each total occurs, the
# sufficient statistics; PCM log-likelihood −485.01716, RSM −490.86712, thresholds as printed there.
USED = np.array([[76, 144, 80], [108, 112, 80], [14, 114, 172], [34, 118, 148]], dtype=float)
TOTALS = np.array([[7, 4, 23, 35, 80, 35, 51, 28, 37]], dtype=float)
PCM = [[-0.104285, 2.180090], [0.571347, 1.995534], [-2.314605, 0.596780], [-0.983243, 0.889169]]
RSM = [[0.59703, 2.61721], [0.91242, 2.93260], [-1.00678, 1.01340], [-0.50266, 1.51752]]


@pytest.mark.parametrize(
    ("steps", "log_likelihood", "expected"), [("by exercise", -485.01716, PCM), ("common", -490.86712, RSM)]
)
def test_partial_credit_and_rating_scale_match_erm(steps, log_likelihood, expected):
    counts = Counts(np.arange(4)[None], TOTALS, USED)
    kinds = np.column_stack([np.arange(4), np.zeros(4, dtype=int)])
    found = maximise(counts, _design(kinds, 4, 1, 3, steps))
    ours = np.array(list(_thresholds(found.parameters, list("abcd"), _slices(4, 1), 3, steps).values()))
    assert found.log_likelihood == pytest.approx(log_likelihood, abs=1e-4)
    assert ours - ours.mean() == pytest.approx(np.array(expected) - np.mean(expected), abs=1e-4)


def test_the_likelihood_is_the_sum_over_all_patterns_with_the_same_total():
    # Source: the definition, every pattern of three ratings written out.
    rng = np.random.default_rng(4)
    kinds = np.array([[0, 0], [1, 0], [1, 1]])
    design = _design(kinds, 2, 2, 3, "common")
    at = rng.normal(size=design.shape[2])
    eta = design @ at
    person, kind, rating = np.repeat([0, 1], 3), np.tile([0, 1, 2], 2), np.array([1, 0, 2, 2, 2, 0])
    plain = 0.0
    for row in (rating[:3], rating[3:]):
        ways = [
            sum(eta[k, x] for k, x in enumerate(way)) for way in product(range(3), repeat=3) if sum(way) == row.sum()
        ]
        plain += sum(eta[k, x] for k, x in enumerate(row)) - np.log(np.sum(np.exp(ways)))
    value, slope = _likelihood(counted(person, kind, rating, categories=3), design, at)
    assert value == pytest.approx(plain, abs=1e-12)
    counts = counted(person, kind, rating, categories=3)
    steps = np.eye(len(at)) * 1e-6
    slopes = [(_likelihood(counts, design, at + s)[0] - _likelihood(counts, design, at - s)[0]) / 2e-6 for s in steps]
    assert slope == pytest.approx(slopes, abs=1e-6)


def test_severities_difficulties_and_steps_are_recovered_with_gaps():
    # Source: the model itself, 5 examiners of whom each learner meets 2; three errors allowed.
    severities, difficulties = np.array([-0.6, -0.3, 0.0, 0.2, 0.7]), np.array([-0.5, 0.1, 0.4])
    rng = np.random.default_rng(6)
    p, i, j, rating = simulated(rng, severities=severities, difficulties=difficulties, steps=[-1.0, 0.0, 1.0], each=2)
    found = many_facet(p, rating, examiners=j, exercises=i)
    for facet, truth in ((found.examiners, severities), (found.exercises, difficulties)):
        for measure, value in zip(facet.measure.values(), truth - truth.mean(), strict=True):
            assert abs(measure.value - value) < 3 * measure.se
    assert found.examiners.equal_p < 0.001
    assert all(0.8 < fit.infit < 1.2 for fit in found.examiners.fit.values())


def test_a_lenient_examiner_does_not_raise_the_fair_mark():
    # Source: two halves of equal learners judged by a lenient or a severe examiner and one they share.
    rng = np.random.default_rng(7)
    p, i, j, rating = simulated(
        rng, people=600, severities=[-1.5, 0.0, 1.5], difficulties=[0.0, 0.3, -0.3], steps=[-0.8, 0.8]
    )
    keep = (j == 1) | ((p % 2 == 0) & (j == 0)) | ((p % 2 == 1) & (j == 2))
    found = many_facet(p[keep], rating[keep], examiners=j[keep], exercises=i[keep])
    order = np.argsort(np.array(found.people, dtype=int))
    fair, raw = found.fair_mark[order], np.bincount(p[keep], weights=rating[keep]) / np.bincount(p[keep])
    assert abs(raw[::2].mean() - raw[1::2].mean()) > 0.4
    assert abs(fair[::2].mean() - fair[1::2].mean()) < 0.12


def test_examiners_who_share_no_learner_are_refused_and_named():
    with pytest.raises(EvidenceError, match=r"E1, E2 and E3 share no learner.*Let E1 and E3"):
        many_facet(["a", "a", "b", "b", "c", "c"], [0, 1, 1, 0, 1, 0], examiners=["E1", "E2", "E1", "E2", "E3", "E3"])


def test_chains_of_shared_learners_link():
    assert linked_groups(["a", "a", "b", "b"], ["E1", "E2", "E2", "E3"]) == [["E1", "E2", "E3"]]


def test_examiners_who_keep_to_their_exercise_cannot_be_told_from_it():
    people, exercise = np.repeat(np.arange(30), 2), np.tile([0, 1], 30)
    rating = np.random.default_rng(1).integers(0, 2, 60)
    with pytest.raises(EvidenceError, match="always change together"):
        many_facet(people, rating, examiners=exercise, exercises=exercise)


@pytest.mark.parametrize(
    ("ratings", "words"),
    [([1, 1, 1, 1], "same category"), ([0, 2, 2, 0], "category 1 is never used"), ([1, 0, 1, 0], "highest category")],
)
def test_ratings_without_bound_give_a_sentence(ratings, words):
    with pytest.raises(EvidenceError, match=words):
        many_facet(["a", "a", "b", "b"], ratings, examiners=["X", "Y", "X", "Y"])


def test_ratings_that_are_no_categories_are_refused():
    with pytest.raises(InputError, match="whole numbers"):
        many_facet(["a", "b"], [0.5, 1], examiners=["X", "Y"])


@pytest.mark.slow
def test_intervals_hold_severities_as_often_as_they_say_and_errors_fall_with_ratings():
    # Source: simulation, 200 cohorts of 60 and 240 learners, 5 examiners of SD .5; 95 % ± 2 %, errors fall as 1/√n.
    rng, held, errors = np.random.default_rng(30), [], {60: [], 240: []}
    severities = np.array([-0.7, -0.3, 0.0, 0.3, 0.7])
    for people in errors:
        for _ in range(100):
            p, i, j, rating = simulated(
                rng, people=people, severities=severities, difficulties=[-0.3, 0.3], steps=[-0.8, 0.8], each=2
            )
            found = many_facet(p, rating, examiners=j, exercises=i).examiners
            held += [m.holds(t) for m, t in zip(found.measure.values(), severities, strict=True)]
            errors[people] += [m.value - t for m, t in zip(found.measure.values(), severities, strict=True)]
    assert 0.92 < np.mean(held) < 0.975
    assert np.std(errors[60]) / np.std(errors[240]) == pytest.approx(2.0, rel=0.15)
