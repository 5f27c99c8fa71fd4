"""Many fits at once give what one fit gives, with and without compiled code."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaswitness.errors import InputError
from gaswitness.response import SensorPath, fit_many, fit_step, step_curve

T = np.arange(-30.0, 270.0)


def traces(count: int = 12, noise: float = 3.0) -> np.ndarray:
    rng = np.random.default_rng(8)
    clean = [
        step_curve(
            SensorPath(rng.uniform(0, 10), (rng.uniform(10, 30), rng.uniform(3, 9))), T, room_ppm=50.0, bottle_ppm=b
        )
        for b in rng.uniform(500, 1500, count)
    ]
    return np.array(clean) + rng.normal(0.0, noise, (count, T.size))


@pytest.mark.parametrize("order", [1, 2])
def test_rows_are_what_fit_step_gives(order: int) -> None:
    y = traces()
    many = fit_many(T, y, 0.0, order=order)
    for row in range(len(y)):
        one = fit_step(T, y[row], 0.0, order=order, drift=False)
        assert many.rss[row] <= one.rss * (1 + 1e-6)
        if "at-bound" not in one.flags:
            assert many.plateau[row] == pytest.approx(one.plateau, abs=1e-2 * one.u_plateau)
            assert many.t90_s[row] == pytest.approx(one.t90_s, abs=1e-2 * one.u_t90_s)
            assert many.u_t90_s[row] == pytest.approx(one.u_t90_s, rel=1e-2)


def test_held_parameters_and_recovery() -> None:
    y = traces(4)
    many = fit_many(T, y, 0.0, zero=50.0, dead_time_s=2.0)
    assert np.all(many.zero == 50.0)
    assert np.all(many.dead_time_s == 2.0)
    path = SensorPath(2.0, (20.0, 5.0))
    back = step_curve(path, T, room_ppm=50.0, bottle_ppm=900.0, gas_off_s=60.0)
    many = fit_many(T, [back + np.random.default_rng(3).normal(0, 2, T.size)], 0.0, 60.0)
    assert abs(many.t90_s[0] - path.time_to_fraction_s(0.9)) < 4 * many.u_t90_s[0]


def test_rows_that_need_care_get_it() -> None:
    y = traces(6)
    y[1, 40] = math.nan
    y[2, 150] += 900.0
    y[3] = np.round(y[3] / 50.0) * 50.0
    y[4] = 77.0
    many = fit_many(T, y, 0.0)
    assert many.careful.tolist() == [False, True, True, True, True, False]
    assert "points-dropped" in many.flags[1]
    assert "points-dropped" in many.flags[2]
    assert "quantised" in many.flags[3]
    assert "stuck" in many.flags[4]
    assert math.isnan(many.t90_s[4])


def test_shapes_that_do_not_match_are_refused() -> None:
    with pytest.raises(InputError):
        fit_many(T, np.zeros((3, 7)), 0.0)
