"""The step fit: parameters, what is held, what is flagged, what is left out."""

from __future__ import annotations

import contextlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.errors import InputError, OutOfDomain
from gaswitness.response import FLAGS, SensorPath, StepFit, fit_step, response_figures, step_curve
from gaswitness.response.meaning import MEANING

T = np.arange(-60.0, 301.0)
PATH = SensorPath(6.0, (30.0, 8.0))


def trace(path: SensorPath = PATH, t: np.ndarray = T, *, noise: float = 2.0, seed: int = 1, **how: float) -> np.ndarray:
    clean = step_curve(path, t, room_ppm=400.0, bottle_ppm=1000.0, **how)
    return clean + np.random.default_rng(seed).normal(0.0, noise, t.size)


@settings(max_examples=60, deadline=None)
@given(
    dead=st.floats(0, 20),
    tau=st.floats(5, 60),
    ratio=st.floats(0.1, 1.0),
    gain=st.floats(-2000, 2000).filter(lambda g: abs(g) > 50),
)
def test_a_noise_free_trace_gives_its_parameters_back(dead: float, tau: float, ratio: float, gain: float) -> None:
    path = SensorPath(dead, (tau, tau * ratio))
    t = np.arange(-30.0, 600.0)
    fit = fit_step(t, step_curve(path, t, room_ppm=3.7, bottle_ppm=3.7 + gain), 0.0, drift=False)
    assert fit.plateau == pytest.approx(3.7 + gain, rel=1e-6)
    assert fit.t90_s == pytest.approx(path.time_to_fraction_s(0.9), rel=1e-6)
    assert fit.t50_s == pytest.approx(path.time_to_fraction_s(0.5), rel=1e-6)


def test_equal_lags_are_found_without_falling_into_a_hole() -> None:
    path = SensorPath(4.0, (20.0, 20.0))
    fit = fit_step(T, trace(path, noise=1.0), 0.0)
    assert abs(fit.t90_s - path.time_to_fraction_s(0.9)) < 4 * fit.u_t90_s
    assert math.isfinite(fit.u_t90_s)


def test_first_order_fit_has_the_first_order_ratio() -> None:
    fit = fit_step(T, trace(SensorPath(0.0, (26.0,)), noise=0.0), 0.0, order=1, dead_time_s=0.0)
    assert fit.t90_s / fit.t50_s == pytest.approx(math.log2(10.0), rel=1e-12)  # 3.3219, elementary
    assert fit.t90_s / fit.taus_s[0] == pytest.approx(math.log(10.0), rel=1e-12)  # 2.3026


def test_held_parameters_stay_and_have_no_uncertainty() -> None:
    fit = fit_step(T, trace(), 0.0, zero=400.0, dead_time_s=6.0)
    assert (fit.zero, fit.u_zero) == (400.0, 0.0)
    assert (fit.dead_time_s, fit.u_dead_time_s) == (6.0, 0.0)
    assert abs(fit.plateau - 1000) < 4 * fit.u_plateau


def test_recovery_alone_is_a_step_down() -> None:
    t = np.arange(0.0, 400.0)
    y = trace(t=t, gas_off_s=200.0)
    fit = fit_step(t[140:], y[140:], 200.0)
    assert abs(fit.plateau - 400) < 4 * fit.u_plateau
    assert abs(fit.t90_s - PATH.time_to_fraction_s(0.9)) < 4 * fit.u_t90_s


def test_rise_and_recovery_share_their_lags_and_know_another_room() -> None:
    y = trace(gas_off_s=120.0, room_after_ppm=460.0)
    fit = fit_step(T, y, 0.0, 120.0)
    assert abs(fit.after - 460) < 4 * math.sqrt(fit.covariance[fit.names.index("after"), fit.names.index("after")])
    assert fit.t10_s == fit.t90_s
    assert abs(fit.t90_s - PATH.time_to_fraction_s(0.9)) < 4 * fit.u_t90_s
    tied = fit_step(T, trace(gas_off_s=60.0), 0.0, 60.0, returns_to_zero=True)
    assert tied.after == pytest.approx(tied.zero)
    assert "extrapolated" in tied.flags


def test_the_curve_of_a_fit_follows_the_clean_trace() -> None:
    clean = step_curve(PATH, T, room_ppm=400.0, bottle_ppm=1000.0, gas_off_s=120.0)
    fit = fit_step(T, trace(gas_off_s=120.0), 0.0, 120.0)
    assert np.max(np.abs(fit.curve(T) - clean)) < 2.0


def test_spikes_are_left_out_and_named() -> None:
    y = trace()
    clean = fit_step(T, y, 0.0)
    y[[30, 100, 101, 250]] += [300.0, -400.0, -380.0, 5000.0]
    fit = fit_step(T, y, 0.0)
    assert set(fit.dropped) == {30, 100, 101, 250}
    assert "points-dropped" in fit.flags
    assert abs(fit.t90_s - clean.t90_s) < 3 * clean.u_t90_s


def test_a_steep_rise_is_no_spike() -> None:
    t = np.arange(-100.0, 300.0, 10.0)
    fit = fit_step(t, trace(SensorPath(0.0, (4.0,)), t, noise=0.5), 0.0)
    assert fit.dropped == ()


def test_a_clipped_plateau_is_used_as_at_least() -> None:
    y = np.minimum(trace(noise=5.0), 940.0)
    told = fit_step(T, y, 0.0, range_high=940.0)
    assert "saturated" in told.flags
    assert told.censored > 100
    assert abs(told.plateau - 1000) < 3 * told.u_plateau
    assert told.u_plateau > 2  # what lies beyond the range is not known well
    naive = fit_step(T, y, 0.0, range_high=math.inf, range_low=-math.inf, resolution=1e-9)
    assert "saturated" in naive.flags, "a trace that runs into a flat top tells so itself"


def test_a_coarse_display_gives_no_false_sharpness() -> None:
    y = np.round(trace(noise=2.0) / 25.0) * 25.0
    fit = fit_step(T, y, 0.0)
    assert "quantised" in fit.flags
    assert abs(fit.plateau - 1000) < 3 * fit.u_plateau
    assert fit.u_plateau > 1.0  # sd / sqrt(n) of the flat readings would be 0


def test_a_drifting_baseline_is_seen_and_allowed_for() -> None:
    fit = fit_step(T, trace() + 0.3 * T, 0.0)
    assert "baseline-drifting" in fit.flags
    assert fit.drift_per_s == pytest.approx(0.3, abs=0.03)
    assert abs(fit.plateau - 1000) < 4 * fit.u_plateau


def test_creep_after_gas_is_not_a_drift_of_the_baseline() -> None:
    y = trace() + np.where(T > 0, 60 * (1 - np.exp(-T.clip(0) / 150)), 0.0)
    fit = fit_step(T, y, 0.0)
    assert "baseline-drifting" not in fit.flags
    assert "model-inadequate" in fit.flags


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_is_no_response(seed: int) -> None:
    y = np.random.default_rng(seed).normal(400.0, 3.0, T.size)
    assert "no-response" in fit_step(T, y, 0.0).flags


def test_a_constant_reading_is_stuck() -> None:
    fit = fit_step(T, np.full(T.size, 412.0), 0.0)
    assert {"stuck", "no-response"} <= set(fit.flags)
    assert math.isnan(fit.t90_s)


def test_removed_early_without_recovery_is_wide_and_says_so() -> None:
    t = T[T <= 40]
    fit = fit_step(t, trace(t=t, noise=5.0), 0.0)
    assert {"extrapolated", "not-settled"} <= set(fit.flags)
    low, high = fit.interval("plateau")
    assert high - low > 50
    assert low < 1000 < high


def test_missing_baseline_and_gaps_are_said() -> None:
    after = T[T > 0]
    assert "baseline-missing" in fit_step(after, trace(t=after), 0.0).flags
    holed = np.concatenate([T[:100], T[140:]])
    assert "gaps" in fit_step(holed, trace(t=holed), 0.0).flags


def test_correlated_noise_widens_the_interval() -> None:
    rng = np.random.default_rng(5)
    noise = np.zeros(T.size)
    for k in range(1, T.size):
        noise[k] = 0.8 * noise[k - 1] + rng.normal(0.0, 2.0)
    white, red = fit_step(T, trace(noise=3.3), 0.0), fit_step(T, trace(noise=0.0) + noise, 0.0)
    assert "correlated-residuals" in red.flags
    assert red.u_plateau > 2.0 * white.u_plateau


@pytest.mark.parametrize(
    ("t", "y", "on", "off"),
    [
        (np.arange(5.0), np.arange(4.0), 0.0, None),
        (np.array([0.0, 2, 1, 3, 4, 5, 6, 7]), np.arange(8.0), 0.0, None),
        (np.arange(8.0), np.full(8, np.nan), 0.0, None),
        (np.arange(20.0), np.arange(20.0), 5.0, 4.0),
        (np.arange(20.0), np.arange(20.0), 19.0, None),
    ],
)
def test_what_cannot_be_fitted_is_refused_in_words(t: np.ndarray, y: np.ndarray, on: float, off: float | None) -> None:
    with pytest.raises(InputError):
        fit_step(t, y, on, off)


def test_order_three_is_refused() -> None:
    with pytest.raises(OutOfDomain):
        fit_step(T, trace(), 0.0, order=3)


def test_every_flag_has_a_meaning() -> None:
    assert set(MEANING) == set(FLAGS)


def test_fit_is_frozen_and_its_covariance_is_named() -> None:
    fit = fit_step(T, trace(), 0.0)
    assert isinstance(fit, StepFit)
    assert fit.names == ("zero", "plateau", "dead_time_s", "tau_1_s", "tau_2_s")
    assert np.sqrt(np.diag(fit.covariance))[1] == pytest.approx(fit.u_plateau)
    with pytest.raises(AttributeError):
        fit.zero = 1.0  # type: ignore[misc]


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(-1e6, 1e6) | st.just(math.nan), min_size=6, max_size=60),
    on=st.floats(-5, 40),
    order=st.sampled_from([1, 2]),
)
def test_any_trace_gives_a_fit_or_a_sentence(values: list[float], on: float, order: int) -> None:
    flags: tuple[str, ...] = ()
    with contextlib.suppress(InputError):  # a sentence is an answer; any other error fails the test
        flags = fit_step(np.arange(len(values), dtype=float), values, on, order=order).flags
    assert set(flags) <= set(FLAGS)


def test_a_covariance_that_is_unusable_is_nan_and_no_warning() -> None:
    """Once gave a warning of NumPy from infinite times zero."""
    values = [27711.0, math.nan, math.nan, math.nan, 0.0, 0.0, 0.0, 0.0, 1.0]
    found = fit_step(np.arange(9.0), np.array(values), 0.0, order=2)
    assert "covariance-unusable" not in found.flags or np.isnan(found.covariance).all()


def test_an_interval_of_a_young_rise_leans_to_high_values_and_may_have_no_end() -> None:
    young = fit_step(T[T <= 40], trace(t=T[T <= 40], noise=5.0), 0.0)
    low, high = young.interval("plateau")
    assert high - young.plateau > young.plateau - low > 0
    assert young.interval("plateau", 0.999999)[1] == math.inf
    early, late = young.interval("t90_s")
    assert late / young.t90_s == pytest.approx(young.t90_s / early)
    falling = fit_step(T[T <= 40], 2000.0 - trace(t=T[T <= 40], noise=5.0), 0.0)
    assert falling.interval("plateau") == pytest.approx((2000.0 - high, 2000.0 - low))


def test_where_much_is_known_an_interval_has_equal_arms() -> None:
    fit = fit_step(T, trace(noise=1.0), 0.0, 150.0, drift=False)
    for figure in ("zero", "plateau", "dead_time_s", "t50_s", "t90_s", "t10_s"):
        low, high = fit.interval(figure)
        value, u = getattr(fit, figure), getattr(fit, f"u_{figure}")
        assert (low, high) == pytest.approx((value - 1.97 * u, value + 1.97 * u), abs=0.05 * u), figure


ODD = {
    "constant": (T, np.full(T.size, 5.0)),
    "two points": ([0.0, 1.0], [1.0, 2.0]),
    "nothing": ([], []),
    "no reading": (T, np.full(T.size, np.nan)),
    "half blanks": (T, np.where(np.arange(T.size) % 2, np.nan, trace())),
    "over range": (T, np.where(T > 50, np.inf, trace())),
    "huge": (T, 1e300 * trace()),
    "tiny": (T, 1e-300 * trace()),
    "oxygen falls": (T, 20.9 - trace() / 100),
    "backwards": (T[::-1], trace()),
    "each three times": (np.repeat(T, 3), np.repeat(trace(), 3)),
    "all at once": (np.zeros(50), trace()[:50]),
    "nanoseconds": (1e-9 * T, trace()),
    "a jump": (T, np.where(T > 5, 1.0, 0.0)),
    "one spike": (T, np.where(T == 50, 1e9, trace())),
    "two values": (T, np.arange(T.size) % 2),
    "a ramp": (T, T),
    "words": (T, np.full(T.size, "a")),
    "a table": (T, np.vstack([trace(), trace()])),
    "one short": (T, trace()[:-1]),
    "a time that is none": (np.where(T == 3, np.nan, T), trace()),
}


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("how", [fit_step, response_figures])
def test_odd_input_gives_flags_or_one_clear_message(name: str, how) -> None:
    """Never a warning (they are errors here) and never another error than ours."""
    t, y = ODD[name]
    with contextlib.suppress(InputError):
        found = how(t, y) if how is response_figures else how(t, y, 0.0)
        assert found.flags or name in {"oxygen falls", "each three times", "nanoseconds", "tiny"}
