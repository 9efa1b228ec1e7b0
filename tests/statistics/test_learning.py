import numpy as np
import pytest

from kerfmark.errors import EvidenceError, InputError
from kerfmark.statistics.cusum import cusum_limits, cusum_path, learning_limit, learning_path, run_length, signal_rate
from kerfmark.statistics.growth import mixed_growth
from kerfmark.statistics.learning import attempts_to, fitted_curve, learning_curve


def test_a_power_curve_matches_nist():
    # Source: NIST StRD DanWood, certified values.
    x, y = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680], [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]
    at, sd, rss = fitted_curve(lambda x, a, b: a * x**b, x, y, starts=[[1.0, 5.0], [0.7, 4.0]])
    assert at == pytest.approx([0.76886226176, 3.8604055871], rel=1e-6)
    assert sd == pytest.approx([0.018281973860, 0.051726610913], rel=1e-5)
    assert rss == pytest.approx(4.3173084083e-03, rel=1e-8)


def test_an_exponential_curve_matches_nist_in_spite_of_a_bad_start():
    # Source: NIST StRD BoxBOD, certified values; the start (1, 1) leads many optimisers astray.
    x, y = [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224]
    at, sd, rss = fitted_curve(lambda x, a, b: a * (1 - np.exp(-b * x)), x, y, starts=[[1, 1], [100, 0.75], [200, 0.2]])
    assert at == pytest.approx([213.80940889, 0.54723748542], rel=1e-6)
    assert sd == pytest.approx([12.354515176, 0.10455993237], rel=1e-5)
    assert rss == pytest.approx(1168.0088766, rel=1e-8)


@pytest.mark.parametrize(
    ("shape", "curve"), [("power", lambda t: 10 + 20 * t**-0.5), ("exponential", lambda t: 10 + 20 * np.exp(-0.5 * t))]
)
def test_a_curve_without_error_is_recovered(shape, curve):
    # Source: the curve itself.
    t = np.arange(1.0, 11.0)
    found = learning_curve(t, curve(t))
    assert found.shape == shape
    assert (found.asymptote, found.gain, found.rate) == pytest.approx((10, 20, 0.5), rel=1e-4)
    assert found.at(t) == pytest.approx(curve(t), abs=1e-4)


def test_noise_without_learning_is_called_flat():
    # Source: AICc chooses the smaller model for most series of pure noise; 50 series, 80 % or more.
    rng, t = np.random.default_rng(5), np.arange(1.0, 13.0)
    flat = [learning_curve(t, 60 + rng.normal(size=12)).shape == "flat" for _ in range(50)]
    assert np.mean(flat) >= 0.8


def test_growth_recovers_simulated_learners():
    # Source: simulation; three standard errors, variances within half.
    rng = np.random.default_rng(3)
    people, time = np.repeat(np.arange(60), 6), np.tile(np.arange(6.0), 60)
    u = rng.multivariate_normal([0, 0], [[36, 2], [2, 4]], size=60)
    marks = 50 + u[people, 0] + (3 + u[people, 1]) * time + 2 * rng.normal(size=360)
    found = mixed_growth(people, time, marks)
    assert abs(found.slope.value - 3) < 3 * found.slope.se
    assert (found.var_start, found.var_slope, found.residual) == pytest.approx((36, 4, 4), rel=0.5)


def test_growth_agrees_with_statsmodels_on_uneven_attempts():
    # Source: statsmodels MixedLM, which stops at a looser gradient.
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(8)
    people = np.repeat(np.arange(40), rng.integers(3, 9, 40))
    time = np.concatenate([np.arange(n) for n in np.bincount(people)]).astype(float)
    u = rng.multivariate_normal([0, 0], [[25, -2], [-2, 2]], size=40)
    marks = 50 + u[people, 0] + (3 + u[people, 1]) * time + 2 * rng.normal(size=len(people))
    design = np.column_stack([np.ones(len(time)), time])
    theirs = MixedLM(marks, design, groups=people, exog_re=design).fit(reml=True)
    ours = mixed_growth(people, time, marks)
    assert [ours.start.value, ours.slope.value] == pytest.approx(list(theirs.fe_params), rel=1e-4)
    assert [ours.start.se, ours.slope.se] == pytest.approx(list(theirs.bse_fe), rel=1e-3)
    expected = [theirs.cov_re[0, 0], theirs.cov_re[1, 1], theirs.cov_re[0, 1], theirs.scale]
    assert [ours.var_start, ours.var_slope, ours.covariance, ours.residual] == pytest.approx(expected, rel=5e-3)


def test_learners_who_do_not_differ_in_slope_have_a_slope_spread_near_nil():
    # Source: simulation without spread of slopes, where the general program fails to settle.
    rng = np.random.default_rng(2)
    people, time = np.repeat(np.arange(100), 8), np.tile(np.arange(8.0), 100)
    marks = 50 + 8 * rng.normal(size=100)[people] + 2 * time + 3 * rng.normal(size=800)
    found = mixed_growth(people, time, marks)
    assert found.var_slope < 0.05
    assert abs(found.slope.value - 2.0) < 3 * found.slope.se


def test_chart_limits_match_the_printed_ones():
    # Source: sequential test for trainees, alpha = beta = .1; .10 against .20 is often printed as 0.15 and 2.71 (memory).
    rows = {
        (0.05, 0.10): (0.072358, 2.940554),
        (0.10, 0.20): (0.145244, 2.709511),
        (0.15, 0.30): (0.218816, 2.476295),
        (0.20, 0.35): (0.270626, 2.863747),
    }
    for rates, (s, h) in rows.items():
        found = cusum_limits(*rates)
        assert (found.s, found.lower, found.upper) == pytest.approx((s, h, h), abs=1e-6)
    assert cusum_path([1, 0], cusum_limits(0.1, 0.2)) == pytest.approx([1 - 0.145244, 1 - 2 * 0.145244], abs=1e-6)


def test_the_learning_chart_matches_its_example():
    # Source: weights +.117783 and −.693147; failures at attempts 2, 5 and 19: 1.5312 after 18, .8380 after 19.
    failures = np.zeros(25)
    failures[[1, 4, 18]] = 1
    path = learning_path(failures, inadequate=0.2, adequate=0.1)
    assert (path[0], path[17], path[18]) == pytest.approx((0.117783, 1.5312, 0.8380), abs=1e-4)


@pytest.mark.parametrize(("h", "inadequate", "adequate"), [(1.25, 0.653, 0.972), (2.0, 0.235, 0.800)])
def test_signal_rates_match_the_simulated_ones(h, inadequate, adequate):
    # Source: 200 000 runs elsewhere, tolerance .005; 20 000 here add .01.
    rng = np.random.default_rng(7)
    for rate, expected in ((0.2, inadequate), (0.1, adequate)):
        found = signal_rate(h, rate, inadequate=0.2, adequate=0.1, attempts=50, runs=20_000, rng=rng)
        assert found.value == pytest.approx(expected, abs=0.012)


def test_a_simulated_limit_keeps_its_promise_on_fresh_runs():
    found = learning_limit(inadequate=0.2, adequate=0.1, attempts=50, false_signals=0.1, rng=np.random.default_rng(1))
    fresh = signal_rate(
        found.h, 0.2, inadequate=0.2, adequate=0.1, attempts=50, runs=20_000, rng=np.random.default_rng(2)
    )
    assert fresh.value <= 0.11
    assert found.adequate_signals.value > fresh.value


@pytest.mark.parametrize(
    ("k", "h", "shift", "two_sided", "expected"),
    [
        (0.5, 3, 0, False, 117.596),
        (0.5, 3, 1.5, False, 3.7491),
        (0.5, 4, 0, True, 167.68),
        (0.5, 4, 1.0, True, 8.383),
        (0, 10, 0.5, False, 20.3718),
    ],
)
def test_run_lengths_match_the_published_ones(k, h, shift, two_sided, expected):
    # Source: examples of R spc: 117.59, 3.75, 168, 8.38, 20.37.
    assert run_length(k, h, shift, two_sided=two_sided) == pytest.approx(expected, rel=1e-4)


def test_attempts_to_competence_agree_with_statsmodels():
    from statsmodels.duration.survfunc import SurvfuncRight

    rng = np.random.default_rng(4)
    attempts, reached = rng.integers(1, 12, 60), rng.random(60) < 0.7
    found, theirs = attempts_to(attempts, reached), SurvfuncRight(attempts, reached.astype(int))
    assert found.attempts.tolist() == theirs.surv_times.tolist()
    assert found.share == pytest.approx(1 - theirs.surv_prob, abs=1e-12)
    assert found.median.value == theirs.quantile(0.5)
    assert found.median.lower == theirs.quantile_ci(0.5, method="cloglog")[0]


def test_what_cannot_be_said_of_learning_is_said():
    with pytest.raises(EvidenceError, match="at least 6"):
        learning_curve([1, 2, 3], [50, 55, 60])
    with pytest.raises(EvidenceError, match="none of 3"):
        attempts_to([3, 4, 5], [0, 0, 0])
    with pytest.raises(EvidenceError, match="three attempts"):
        mixed_growth(np.arange(12), np.arange(12.0) % 2, np.arange(12.0))
    with pytest.raises(InputError, match="acceptable"):
        cusum_limits(0.3, 0.2)
    assert "cannot be said yet" in attempts_to([1, 5, 6, 7], [1, 0, 0, 0]).median
