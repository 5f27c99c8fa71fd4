"""The statistics of the years against certified values, published examples and reference libraries."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from gaswitness.learn.drift import drifts
from gaswitness.learn.records import DetectorTest, Figure, SharedTerm
from gaswitness.learn.regression import covariance_of, fit_linear
from gaswitness.learn.reliability import (
    Interval,
    clopper_pearson,
    pfd_average,
    rate_bounds_per_hour,
    rate_per_hour,
)

# NIST Statistical Reference Datasets, linear regression: Norris (36 observations, level of difficulty "lower").
# https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""
NORRIS_B = (-0.262323073774029, 1.00211681802045)
NORRIS_SD = (0.232818234301152, 0.429796848199937e-03)
NORRIS_RESIDUAL_SD = 0.884796396144373

# NIST StRD Longley (16 observations, 7 coefficients, nearly collinear, "higher"); data as distributed with statsmodels.
# https://www.itl.nist.gov/div898/strd/lls/data/Longley.shtml
LONGLEY_B = (
    -3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359,
    -0.511041056535807e-01, 1829.15146461355,
)  # fmt: skip
LONGLEY_SD = (
    890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
    0.226073200069370, 455.478499142212,
)  # fmt: skip


def test_norris_certified():
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    fit = fit_linear(np.column_stack([np.ones(36), x]), y, np.eye(36), from_scatter=True)
    np.testing.assert_allclose(fit.coefficients, NORRIS_B, rtol=1e-11)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), NORRIS_SD, rtol=1e-11)
    assert math.sqrt(fit.scatter) == pytest.approx(NORRIS_RESIDUAL_SD, rel=1e-12)
    assert fit.dof == 34


def test_longley_certified():
    data = sm.datasets.longley.load_pandas()
    design = np.column_stack([np.ones(16), data.exog.to_numpy()])
    fit = fit_linear(design, data.endog.to_numpy(), np.eye(16), from_scatter=True)
    np.testing.assert_allclose(fit.coefficients, LONGLEY_B, rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), LONGLEY_SD, rtol=1e-7)


def test_shared_bottles_as_generalised_least_squares():
    """Against statsmodels' GLS with the same covariance matrix."""
    stream = np.random.default_rng(7)
    figures = [
        Figure(kind="span", value=1.0, u=1.0, shared=(SharedTerm(name=f"cylinder:{n // 4}", u=0.8),)) for n in range(12)
    ]
    v = covariance_of(figures, [one.own_u for one in figures])
    x = np.column_stack([np.ones(12), np.arange(12.0)])
    y = x @ [1.0, -0.2] + np.linalg.cholesky(v) @ stream.normal(size=12)
    ours, theirs = fit_linear(x, y, v), sm.GLS(y, x, sigma=v).fit()
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-10)
    np.testing.assert_allclose(ours.covariance / max(ours.scatter, 1.0), theirs.normalized_cov_params, rtol=1e-9)


def test_slope_against_theil_sen():
    """The robust slope that stands beside ours is scipy's; without wild points both say the same."""
    days = [date(2016, 5, 1) + timedelta(days=365 * n) for n in range(9)]
    stream = np.random.default_rng(3)
    values = [220.0 * (1 - 0.015 * n) + stream.normal(0, 0.5) for n in range(9)]
    tests = [
        DetectorTest(
            visit=str(n), source="paper", site="S", tag="A", gas="NH3", at=day.isoformat(), outcome="pass",
            as_found="pass", found=(Figure(kind="span", value=value, u=0.5, target=220.0, lower=190.0, upper=250.0),),
        )
        for n, (day, value) in enumerate(zip(days, values, strict=True))
    ]  # fmt: skip
    [drift] = drifts(tests, ["span"])
    years = [(day - days[0]).days / 365.25 for day in days]
    expected = stats.theilslopes([value / 220 - 1 for value in values], years)
    assert drift.now.robust_per_year == pytest.approx(expected.slope, rel=1e-12)
    assert drift.now.per_year == pytest.approx(expected.slope, abs=3 * drift.now.u_per_year)
    assert drift.now.flags == ()


@pytest.mark.parametrize(("failures", "tests"), [(0, 10), (1, 70), (4, 20), (10, 10), (3, 1000)])
@pytest.mark.parametrize("confidence", [0.90, 0.95])
def test_chance_on_demand_as_statsmodels(failures, tests, confidence):
    expected = proportion_confint(failures, tests, alpha=1 - confidence, method="beta")
    np.testing.assert_allclose(clopper_pearson(failures, tests, confidence), expected, rtol=1e-10, atol=1e-15)


def test_clopper_and_pearson_cover_what_they_promise():
    """The bounds are those p at which the tails of the binomial distribution hold a half of alpha each (1934)."""
    low, high = clopper_pearson(3, 40)
    assert stats.binom.sf(2, 40, low) == pytest.approx(0.025, rel=1e-9)
    assert stats.binom.cdf(3, 40, high) == pytest.approx(0.025, rel=1e-9)


def test_rate_bounds_of_the_handbook():
    """NIST/SEMATECH e-Handbook 8.4.5.1: T = 800 h, 2 failures, 90 %: factors 0.3177 and 5.6281 on 400 h (from memory).

    Formula read again there: 2 T / chi2(1 - a/2; 2 (r + 1)) <= MTBF <= 2 T / chi2(a/2; 2 r).
    """
    low, high = rate_bounds_per_hour(2, 800.0, 0.90)
    assert 1 / high / 400 == pytest.approx(0.3177, abs=5e-5)
    assert 1 / low / 400 == pytest.approx(5.6281, abs=5e-5)


def test_no_failure_in_the_handbook():
    """The same page: with no failure, one-sided, MTBF is above T / -ln(alpha) = T / ln(1 / alpha)."""
    alpha, hours = 0.05, 3000.0
    assert rate_bounds_per_hour(0, hours, 1 - 2 * alpha)[1] == pytest.approx(-math.log(alpha) / hours, rel=1e-12)


def test_rate_bounds_are_exact_poisson():
    low, high = rate_bounds_per_hour(5, 1e6)
    assert stats.poisson.sf(4, low * 1e6) == pytest.approx(0.025, rel=1e-9)
    assert stats.poisson.cdf(5, high * 1e6) == pytest.approx(0.025, rel=1e-9)


def test_rate_found_only_at_tests_as_a_binomial_model():
    """Unequal intervals: the same likelihood as a binomial regression with complementary log-log link and offset ln T,
    whose intercept is ln(rate) (McCullagh and Nelder, Generalized Linear Models, from memory); by statsmodels."""
    stream = np.random.default_rng(11)
    hours = stream.uniform(2000, 20000, size=300)
    failed = stream.random(300) < -np.expm1(-2e-5 * hours)
    model = sm.GLM(
        failed.astype(float), np.ones((300, 1)), family=sm.families.Binomial(sm.families.links.CLogLog()),
        offset=np.log(hours),
    ).fit(tol=1e-12)  # fmt: skip
    ours = rate_per_hour([Interval(float(h), bool(f)) for h, f in zip(hours, failed, strict=True)])
    assert ours.value == pytest.approx(math.exp(model.params[0]), rel=1e-6)
    low, high = np.exp(model.conf_int()[0])
    assert ours.low == pytest.approx(low, rel=0.02)  # Wald there, likelihood here: alike with this many
    assert ours.high == pytest.approx(high, rel=0.02)


def test_rates_cover_the_truth():
    """95 % of 400 invented services of 60 detectors over 8 years; the interval must hold the true rate."""
    stream, truth, held = np.random.default_rng(5), 3e-6, 0
    for _ in range(400):
        failed = stream.random(480) < -math.expm1(-truth * 8766)
        found = rate_per_hour([Interval(8766.0, bool(one)) for one in failed])
        held += found.low <= truth <= found.high
    assert 0.92 <= held / 400 <= 0.98


def test_mean_chance_to_be_failed_is_the_mean():
    """Against the mean of 1 - exp(-r t) over the interval, by quadrature."""
    rate, interval = 4e-5, 8766.0
    t = np.linspace(0.0, interval, 200_001)
    assert pfd_average(rate, interval) == pytest.approx(np.trapezoid(-np.expm1(-rate * t), t) / interval, rel=1e-9)
    assert pfd_average(1e-9, interval) == pytest.approx(1e-9 * interval / 2, rel=1e-5)
