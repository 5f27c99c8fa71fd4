"""Cap and moving average as known parts of the fit: the forward model's truth comes back, and 0 is what it was."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.errors import OutOfDomain
from gaswitness.response import SensorPath, fit_many, fit_step, step_curve

T = np.arange(-40.0, 500.0)


def exposure(path: SensorPath, t: np.ndarray = T, gas_off_s: float | None = None) -> np.ndarray:
    """The cap is away after gas off, as the fit assumes."""
    away = replace(path, purge_tau_s=0.0)
    return step_curve(away, t, room_ppm=400.0, bottle_ppm=1000.0, gas_off_s=gas_off_s, room_after_ppm=430.0)


def bare(path: SensorPath) -> SensorPath:
    return replace(path, cap_tau_s=0.0)


@settings(max_examples=40, deadline=None)
@given(
    dead=st.floats(0, 20),
    tau=st.floats(8, 60),
    ratio=st.floats(0.15, 1.0),
    cap=st.floats(0.5, 30),
    average=st.just(0.0) | st.floats(1.0, 40),
    off=st.none() | st.floats(40, 200),
)
def test_the_truth_comes_back(
    dead: float, tau: float, ratio: float, cap: float, average: float, off: float | None
) -> None:
    path = SensorPath(dead, (tau, tau * ratio), cap, average_s=average)
    fit = fit_step(T, exposure(path, gas_off_s=off), 0.0, off, cap_tau_s=cap, average_s=average, drift=False)
    assert fit.plateau == pytest.approx(1000.0, rel=1e-4)
    assert fit.t90_s == pytest.approx(bare(path).time_to_fraction_s(0.9), rel=1e-3)
    assert fit.t50_s == pytest.approx(bare(path).time_to_fraction_s(0.5), rel=1e-3)
    if off is not None:
        assert fit.after == pytest.approx(430.0, rel=1e-3)


@pytest.mark.parametrize("order", [1, 2])
@pytest.mark.parametrize("every_s", [0.25, 1.0, 7.0])
@pytest.mark.parametrize("off", [None, 30.0, 90.0])
def test_the_curve_of_the_fit_is_that_of_the_forward_model(order: int, every_s: float, off: float | None) -> None:
    t = np.arange(-40.0, 300.0, every_s)
    path = SensorPath(3.0, (25.0, 6.0)[:order], 5.0, average_s=11.0)
    fit = fit_step(t, exposure(path, t, off), 0.0, off, order=order, cap_tau_s=5.0, average_s=11.0, drift=False)
    assert math.sqrt(fit.rss / t.size) < 1e-4
    assert fit.taus_s == pytest.approx(path.taus_s, rel=1e-4)


def test_a_cap_that_goes_to_nothing_is_no_cap() -> None:
    y = exposure(SensorPath(3.0, (25.0, 6.0))) + np.random.default_rng(2).normal(0.0, 3.0, T.size)
    without = fit_step(T, y, 0.0)
    nearly = fit_step(T, y, 0.0, cap_tau_s=1e-6, average_s=1e-6)
    assert nearly.t90_s == pytest.approx(without.t90_s, abs=1e-4)
    assert nearly.u_t90_s == pytest.approx(without.u_t90_s, rel=1e-3)
    assert nearly.plateau == pytest.approx(without.plateau, abs=1e-4)


def test_a_known_cap_takes_the_bias_out_and_the_interval_holds() -> None:
    path = SensorPath(5.0, (20.0, 5.0), 15.0, average_s=10.0)
    rng = np.random.default_rng(6)
    y = exposure(path) + rng.normal(0.0, 5.0, (200, T.size))
    truth = bare(path).time_to_fraction_s(0.9)
    known = fit_many(T, y, 0.0, cap_tau_s=15.0, average_s=10.0)
    blind = fit_many(T, y, 0.0)
    assert abs(np.median(known.t90_s) - truth) < 0.2
    assert np.median(blind.t90_s) > truth + 8.0
    held = np.abs(known.t90_s - truth) < 1.96 * known.u_t90_s
    assert 0.89 <= held.mean() <= 0.99
    one = fit_step(T, y[0], 0.0, drift=False, cap_tau_s=15.0, average_s=10.0)
    assert known.t90_s[0] == pytest.approx(one.t90_s, abs=1e-2 * one.u_t90_s)
    assert known.u_t90_s[0] == pytest.approx(one.u_t90_s, rel=1e-2)


@pytest.mark.parametrize("bad", [-1.0, math.inf, math.nan])
def test_what_is_no_time_is_refused(bad: float) -> None:
    y = exposure(SensorPath(3.0, (25.0,)))
    with pytest.raises(OutOfDomain, match="cap and average"):
        fit_step(T, y, 0.0, cap_tau_s=bad)
    with pytest.raises(OutOfDomain, match="cap and average"):
        fit_many(T, y[None], 0.0, average_s=bad)
