"""The forward model against closed forms, an independent solver, and its own streaming twin."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from gaswitness.errors import OutOfDomain
from gaswitness.response.lags import passes_fraction_s, relax
from gaswitness.response.model import Sensor, SensorPath, step_curve


def test_first_order_has_the_textbook_ratios() -> None:
    """ln 10 and log2 10: elementary, from 1 - exp(-t/tau)."""
    assert passes_fraction_s((1.0,), 0.9) == pytest.approx(2.302585, abs=1e-6)
    assert passes_fraction_s((7.0,), 0.9) / passes_fraction_s((7.0,), 0.5) == pytest.approx(3.3219, abs=5e-5)


def test_equal_lags_are_the_limit_and_not_a_hole() -> None:
    t = np.linspace(0.01, 80.0, 40)
    for gap in (0.0, 1e-12, 1e-9, 1e-6, 1e-3, 0.1):
        taus = (10.0, 10.0 * (1 + gap), 10.0 * (1 - gap))
        ours = relax(taus, (0.0, 0.0, 0.0), 1.0, t)[-1]
        rates = [1 / tau for tau in taus]
        matrix = np.array(
            [[-rates[0], 0, 0, rates[0]], [rates[1], -rates[1], 0, 0], [0, rates[2], -rates[2], 0], [0, 0, 0, 0]]
        )
        exact = [(expm(matrix * at) @ [0, 0, 0, 1.0])[2] for at in t]
        np.testing.assert_allclose(ours, exact, rtol=1e-9, atol=1e-14)


@settings(max_examples=80, deadline=None)
@given(
    taus=st.lists(st.floats(0.01, 1e4), min_size=1, max_size=3),
    time=st.floats(1e-3, 1e4),
    start=st.floats(-1e3, 1e3),
)
def test_lags_agree_with_the_matrix_exponential(taus: list[float], time: float, start: float) -> None:
    n = len(taus)
    matrix = np.zeros((n + 1, n + 1))
    for k, tau in enumerate(taus):
        matrix[k, k] = -1 / tau
        matrix[k, k - 1 if k else n] = 1 / tau
    exact = expm(matrix * time) @ np.array([start] * n + [1.0])
    np.testing.assert_allclose(relax(taus, [start] * n, 1.0, np.array([time]))[:, 0], exact[:n], rtol=1e-7, atol=1e-8)


def test_whole_exposure_agrees_with_a_differential_equation_solver() -> None:
    path = SensorPath(4.0, (20.0, 6.0), cap_tau_s=3.0, purge_tau_s=9.0, gain=1.1, zero_ppm=-2.0)

    def rates(t: float, x: np.ndarray) -> list[float]:
        on = 10.0 <= t < 60.0
        cap = (1000.0 - x[0]) / 3.0 if on else ((80.0 if t >= 60.0 else 50.0) - x[0]) / 9.0
        return [cap, (x[0] - x[1]) / 20.0, (x[1] - x[2]) / 6.0]

    t = np.linspace(0.0, 200.0, 401)
    solved = solve_ivp(rates, (0, 200), [50.0] * 3, t_eval=t, max_step=0.05, rtol=1e-9, atol=1e-9).y[2]
    late = np.interp(t - 4.0, t, solved)
    ours = step_curve(path, t, gas_on_s=10.0, gas_off_s=60.0, room_ppm=50.0, bottle_ppm=1000.0, room_after_ppm=80.0)
    np.testing.assert_allclose(ours, -2.0 + 1.1 * late, atol=0.05)


@settings(max_examples=60, deadline=None)
@given(
    dead=st.floats(0, 30),
    taus=st.lists(st.floats(0, 60), min_size=1, max_size=2),
    cap=st.floats(0, 20),
    purge=st.none() | st.floats(0, 20),
    average=st.just(0.0) | st.floats(0.5, 40),
    steps=st.lists(st.floats(0.01, 25), min_size=2, max_size=40),
)
def test_streaming_is_the_curve_at_any_step(
    dead: float, taus: list[float], cap: float, purge: float | None, average: float, steps: list[float]
) -> None:
    path = SensorPath(dead, tuple(taus), cap, purge, average_s=average)
    half = len(steps) // 2
    t = np.cumsum(steps)
    off = float(t[half - 1])
    sensor = Sensor(path)
    state, readings = sensor.start(40.0), []
    for k, dt in enumerate(steps):
        state, reading = sensor.advance(state, dt, 900.0 if k < half else 60.0, purging=k >= half)
        readings.append(reading)
    if all(tau < 1e-6 for tau in (*taus, cap)):
        return  # no lag at all: the instant of a jump belongs to neither side
    curve = step_curve(path, t, gas_off_s=off, room_ppm=40.0, bottle_ppm=900.0, room_after_ppm=60.0)
    close = np.isclose(readings, curve, rtol=1e-9, atol=1e-6)
    at_a_jump = np.minimum(abs(t - dead), abs(t - dead - off)) < 1e-6
    assert np.all(close | at_a_jump)


def test_a_moving_average_is_the_mean_of_the_last_seconds() -> None:
    """Against the plain mean of a finely computed curve."""
    path = SensorPath(4.0, (20.0, 6.0), cap_tau_s=3.0, purge_tau_s=0.0, gain=1.1, zero_ppm=-2.0)
    t = np.arange(-60.0, 200.0, 0.01)
    how = {"gas_off_s": 50.0, "room_ppm": 400.0, "bottle_ppm": 1000.0, "room_after_ppm": 450.0}
    summed = np.concatenate([[0.0], np.cumsum(step_curve(path, t, **how))])
    mean = (summed[1200:] - summed[:-1200]) / 1200
    ours = step_curve(replace(path, average_s=12.0), t[1199:] + 0.005, **how)
    np.testing.assert_allclose(ours, mean, atol=1e-2)


def test_time_to_a_fraction_holds_the_average() -> None:
    path = SensorPath(5.0, (20.0, 4.0), cap_tau_s=7.0, average_s=15.0)
    bare = replace(path, cap_tau_s=0.0)
    assert step_curve(bare, path.time_to_fraction_s(0.9), room_ppm=0.0, bottle_ppm=1.0) == pytest.approx(0.9, abs=1e-12)
    assert path.time_to_fraction_s(0.9) > replace(path, average_s=0.0).time_to_fraction_s(0.9)


def test_stated_t90_is_kept_with_dead_time_and_second_lag() -> None:
    path = SensorPath.from_t90(60.0, 5.0, second=0.4, cap_tau_s=2.0)
    assert path.time_to_fraction_s(0.9) == pytest.approx(60.0, rel=1e-12)
    bare = SensorPath(path.dead_time_s, path.taus_s)
    assert step_curve(bare, 60.0, room_ppm=0.0, bottle_ppm=1.0) == pytest.approx(0.9, abs=1e-12)


def test_common_practice_diffusion_detector_under_a_cap() -> None:
    """Common practice, no source: room 1,300 ppm, bottle near 5,000, first movement 10 s, lag about a minute."""
    path = SensorPath(10.0, (60.0,))
    t = np.arange(0.0, 400.0, 0.1)
    rise = step_curve(path, t, room_ppm=1300.0, bottle_ppm=5000.0)
    assert 20 <= t[np.argmax(rise >= 2000)] <= 30
    assert 80 <= t[np.argmax(rise >= 4000)] <= 100


@pytest.mark.parametrize("bad", [(-1.0, (5.0,)), (0.0, ()), (0.0, (1.0, 2.0, 3.0)), (math.nan, (5.0,))])
def test_impossible_paths_are_refused(bad: tuple[float, tuple[float, ...]]) -> None:
    with pytest.raises(OutOfDomain):
        SensorPath(*bad)
