import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.alpha import krippendorff_alpha
from kerfmark.statistics.categories import (
    agreement_weights,
    cohen_kappa,
    cross_table,
    fleiss_kappa,
    gwet,
    pass_fail_agreement,
)

NAN = float("nan")
# Source: R vcd, data set SexualFun, 91 couples.
VCD = [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]]
FLEISS = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip
# Source: four observers, twelve units with gaps, as in R irrCAC `cac.raw4raters`.
OBSERVERS = np.array([
    [1, 2, 3, 3, 2, 1, 4, 1, 2, NAN, NAN, NAN],
    [1, 2, 3, 3, 2, 2, 4, 1, 2, 5, NAN, 3],
    [NAN, 3, 3, 3, 2, 3, 4, 2, 2, 5, 1, NAN],
    [1, 2, 3, 3, 2, 4, 4, 1, 2, 5, 1, NAN],
]).T  # fmt: skip
COUNTS = (OBSERVERS[:, :, None] == np.arange(1, 6)).sum(axis=1)


def test_kappa_and_weighted_kappa_match_cohen_s_table():
    # Source: Cohen (1968), proportions, n = 200: kappa .492, weighted .348; standard error recomputed with statsmodels.
    table = [[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]]
    weights = 1 - np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]]) / 6
    weighted = cohen_kappa(table, weights=weights, total=200)
    assert cohen_kappa(table, total=200).value == pytest.approx(0.491525, abs=1e-6)
    assert (weighted.value, weighted.se) == pytest.approx((0.347826, 0.075504), abs=1e-6)


@pytest.mark.parametrize(
    ("weights", "value", "se"),
    [("identity", 0.129330, 0.068598), ("linear", 0.237381, 0.078316), ("quadratic", 0.332046, 0.097298)],
)
def test_kappas_and_their_errors_match_vcd(weights, value, se):
    found = cohen_kappa(VCD, weights=weights)
    assert (found.value, found.se) == pytest.approx((value, se), abs=1e-6)


def test_kappa_with_similarity_weights_matches_the_handbook_example():
    # Source: example of R psych's cohen.kappa: 3/7 with standard error 0.053711; with its weights 0.507070.
    table = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
    weights = [[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]]
    plain = cohen_kappa(table)
    assert (plain.value, plain.se) == pytest.approx((3 / 7, 0.053711), abs=1e-6)
    assert cohen_kappa(table, weights=weights).value == pytest.approx(0.507070, abs=1e-6)


def test_fleiss_kappa_and_z_match_the_example():
    # Source: Fleiss' ten subjects by fourteen raters; statsmodels gives the same.
    kappa, z = fleiss_kappa(FLEISS)
    assert (kappa.value, z) == (pytest.approx(0.209931, abs=1e-5), pytest.approx(12.3743, abs=1e-4))


def test_fleiss_kappa_agrees_with_statsmodels():
    from statsmodels.stats.inter_rater import fleiss_kappa as theirs

    assert fleiss_kappa(FLEISS)[0].value == pytest.approx(theirs(np.array(FLEISS)), abs=1e-12)


@pytest.mark.parametrize(
    ("scale", "value"), [("nominal", 0.743421), ("ordinal", 0.815388), ("interval", 0.849107), ("ratio", 0.797403)]
)
def test_alpha_matches_on_every_scale(scale, value):
    # Source: package krippendorff 0.9.0; R irrCAC gives .74342 and .84911 for nominal and interval.
    assert krippendorff_alpha(OBSERVERS, scale=scale, draws=0).value == pytest.approx(value, abs=1e-6)


def test_alpha_agrees_with_the_package_on_three_coders():
    # Source: three coders by fifteen units: nominal 0.691358, interval 0.810845; and the package itself.
    package = pytest.importorskip("krippendorff")
    table = np.array([
        [NAN] * 5 + [3, 4, 1, 2, 1, 1, 3, 3, NAN, 3],
        [1, NAN, 2, 1, 3, 3, 4, 3] + [NAN] * 7,
        [NAN, NAN, 2, 1, 3, 4, 4, NAN, 2, 1, 1, 3, 3, NAN, 4],
    ])  # fmt: skip
    for scale, level, value in (("nominal", "nominal", 0.691358), ("interval", "interval", 0.810845)):
        ours = krippendorff_alpha(table.T, scale=scale, draws=0).value
        assert ours == pytest.approx(value, abs=1e-6)
        assert ours == pytest.approx(package.alpha(reliability_data=table, level_of_measurement=level), abs=1e-12)


def test_alpha_s_interval_is_the_same_from_the_same_seed_and_holds_the_value():
    one, two = (
        krippendorff_alpha(OBSERVERS, scale="nominal", rng=np.random.default_rng(3), draws=500) for _ in range(2)
    )
    assert (one.lower, one.upper) == (two.lower, two.upper)
    assert one.holds(one.value)


@pytest.mark.parametrize(
    ("weights", "value", "se"),
    [("identity", 0.775444, 0.14295), ("linear", 0.858739, 0.11733), ("quadratic", 0.914001, 0.10396)],
)
def test_gwet_s_coefficients_match_irrcac(weights, value, se):
    found = gwet(COUNTS, weights=weights)
    assert found.value == pytest.approx(value, abs=1e-5)
    assert found.se == pytest.approx(se, abs=1e-4)


def test_gwet_s_ordinal_weights_match_irrcac():
    assert gwet(COUNTS, weights="ordinal").value == pytest.approx(0.89894, abs=1e-5)


def test_rare_failures_sink_kappa_but_not_the_rest():
    # Source: the prevalence paradox (Feinstein & Cicchetti 1990), computed: p_o .944, kappa −.023392, AC1 .940776.
    found = pass_fail_agreement([[118, 5], [2, 0]])
    assert found.percent.value == pytest.approx(0.944, abs=1e-9)
    assert (found.kappa.value, found.ac1.value) == pytest.approx((-0.023392, 0.940776), abs=1e-6)
    assert (found.on_pass.value, found.on_fail.value) == pytest.approx((236 / 243, 0.0), abs=1e-9)


def test_all_pass_gives_sentences_instead_of_kappa():
    found = pass_fail_agreement([[20, 0], [0, 0]])
    assert found.percent.value == 1.0
    assert "one and the same category" in found.kappa
    assert "neither rater" in found.on_fail


def test_quadratic_kappa_is_nearly_absolute_agreement():
    # Source: Fleiss & Cohen (1973): equal up to a factor of order 1/n.
    from kerfmark.statistics.icc import icc

    rng = np.random.default_rng(5)
    truth = rng.integers(0, 5, 400)
    first, second = (np.clip(truth + rng.integers(-1, 2, 400), 0, 4) for _ in range(2))
    kappa = cohen_kappa(cross_table(first, second, categories=5), weights="quadratic").value
    assert kappa == pytest.approx(icc(np.column_stack([first, second]), form="2,1").value, abs=0.005)


def test_what_cannot_be_said_is_said():
    with pytest.raises(EvidenceError, match="same category"):
        cohen_kappa([[9, 0], [0, 0]])
    with pytest.raises(EvidenceError, match="rated twice"):
        gwet([[1, 0], [0, 1]])
    with pytest.raises(EvidenceError, match="same"):
        krippendorff_alpha([[2, 2], [2, 2]], scale="nominal", draws=0)
    with pytest.raises(EvidenceError, match="one category"):
        agreement_weights(1)
    with pytest.raises(InputError, match="equally often"):
        fleiss_kappa([[1, 2], [3, 3]])
