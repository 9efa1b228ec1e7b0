import math

import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.icc import FORMS, agreement_df, icc, mean_squares, rating_error

# Source: Shrout & Fleiss (1979), six targets rated by four judges; six-digit values recomputed with pingouin and R psych.
TABLE = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
EXPECTED = {
    "1,1": (0.165742, -0.132932, 0.722560),
    "2,1": (0.289764, 0.018787, 0.761084),
    "3,1": (0.714841, 0.342465, 0.945858),
    "1,k": (0.442797, -0.884442, 0.912415),
    "2,k": (0.620051, 0.071137, 0.927232),
    "3,k": (0.909316, 0.675675, 0.985892),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_and_its_interval_matches_the_published_example(form):
    found, (value, lower, upper) = icc(TABLE, form=form), EXPECTED[form]
    assert found.value == pytest.approx(value, abs=1e-6)
    assert (found.lower, found.upper) == pytest.approx((lower, upper), abs=1e-5)


def test_degrees_of_freedom_of_absolute_agreement_match_the_example():
    assert agreement_df(mean_squares(TABLE)) == pytest.approx(4.785143, abs=1e-5)


def test_errors_of_one_rating_match_the_example():
    found = rating_error(TABLE)
    assert (found.agreement, found.consistency) == pytest.approx((2.502776, 1.009675), abs=1e-6)
    assert found.smallest_change == pytest.approx(1.96 * math.sqrt(2) * 2.502776, abs=1e-5)


@pytest.mark.filterwarnings("ignore")  # pingouin's own, about pandas
def test_all_forms_agree_with_pingouin_on_its_wine_ratings():
    # Source: pingouin intraclass_corr on its data set `icc` (a second implementation).
    pingouin = pytest.importorskip("pingouin")
    data = pingouin.read_dataset("icc")
    theirs = pingouin.intraclass_corr(data, targets="Wine", raters="Judge", ratings="Scores")["ICC"].tolist()
    ours = [icc(data.pivot(index="Wine", columns="Judge", values="Scores").to_numpy(), form=f).value for f in FORMS]
    assert ours == pytest.approx(theirs, abs=1e-9)


def test_perfect_agreement_is_one():
    assert icc([[1, 1], [2, 2], [5, 5]]).value == pytest.approx(1.0)


def test_a_large_offset_does_not_cancel():
    # Source: NIST StRD's reason for its harder ANOVA sets: a constant added to all ratings must change nothing.
    moved = [[cell + 1e9 for cell in row] for row in TABLE]
    assert icc(moved).value == pytest.approx(icc(TABLE).value, abs=1e-6)


@pytest.mark.parametrize("table", [[[3, 3], [3, 3], [3, 3]], [[1, 2]], [[1], [2]]])
def test_ratings_that_cannot_say_anything_give_a_sentence(table):
    with pytest.raises(EvidenceError, match="ratings"):
        icc(table)


def test_raters_who_differ_over_equal_targets_are_no_reliability():
    with pytest.raises(EvidenceError, match="targets do not differ"):
        icc([[1, 2], [1, 2], [1, 2]], form="3,1")


def test_an_empty_cell_is_refused_and_counted():
    with pytest.raises(InputError, match="1 of 4"):
        icc([[1, float("nan")], [2, 3]])


def test_an_unknown_form_is_refused():
    with pytest.raises(InputError, match="expected one of"):
        icc(TABLE, form="4,1")
