"""The fit of a running test is the batch fit of what has come so far."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaswitness.errors import InputError
from gaswitness.response import LiveFit, SensorPath, Wanted, enough, fit_step, step_curve
from gaswitness.response.live import LiveEstimate

PATH = SensorPath(6.0, (30.0, 8.0))
T = np.arange(-60.0, 200.0)


def readings(seed: int = 1, noise: float = 3.0) -> np.ndarray:
    clean = step_curve(PATH, T, room_ppm=400.0, bottle_ppm=1000.0)
    return clean + np.random.default_rng(seed).normal(0.0, noise, T.size)


def run(y: np.ndarray, until: float, levels: tuple[float, ...] = ()) -> LiveEstimate:
    live = LiveFit(0.0, levels=levels)
    for t, value in zip(T, y, strict=True):
        now = live.add(float(t), float(value))
        if t >= until:
            return now
    raise AssertionError("never reached")


@pytest.mark.parametrize("until", [60.0, 90.0, 150.0, 199.0])
def test_it_is_the_batch_fit_of_the_readings_so_far(until: float) -> None:
    y = readings()
    now = run(y, until)
    fit = fit_step(T[until >= T], y[until >= T], 0.0, drift=False)
    assert now.plateau == pytest.approx(fit.plateau, abs=1e-3 * fit.u_plateau)
    assert now.t90_s == pytest.approx(fit.t90_s, abs=1e-3 * fit.u_t90_s)
    assert now.u_t90_s == pytest.approx(fit.u_t90_s, rel=1e-3)


def test_nothing_is_told_before_anything_moves() -> None:
    now = run(readings(), 5.0)
    assert math.isnan(now.plateau)
    assert not enough(now, Wanted(900.0, 1100.0, 120.0)).enough


def test_a_level_ahead_is_foreseen_within_its_interval() -> None:
    truth = float(np.interp(900.0, step_curve(PATH, T, room_ppm=400.0, bottle_ppm=1000.0), T))
    held = 0
    for seed in range(40):
        level = run(readings(seed), 55.0, levels=(900.0,)).levels[0]
        held += level.earliest_s <= truth <= level.latest_s
    assert held >= 34  # 95 % of 40 is 38; fewer than 34 has a chance of 1 in 300


def test_a_level_that_may_never_come_is_open_above() -> None:
    level = run(readings(), 60.0, levels=(999.0,)).levels[0]
    assert math.isinf(level.latest_s)
    assert level.earliest_s > 60.0


def test_readings_out_of_order_are_refused_and_missing_ones_passed_over() -> None:
    live = LiveFit(0.0)
    live.add(0.0, 1.0)
    live.add(1.0, math.nan)
    with pytest.raises(InputError):
        live.add(-1.0, 1.0)
