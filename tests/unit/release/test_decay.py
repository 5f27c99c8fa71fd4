"""Air changes from a decay: worked numbers, honest intervals, and what must be refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.release.decay import air_change, longest_fall

Floats = NDArray[np.float64]


def decay(
    n_per_hour: float, *, start: float = 2000.0, background: float = 420.0, hours: float = 1.5
) -> tuple[Floats, Floats]:
    t_s = np.arange(0.0, hours * 3600.0, 10.0)
    return t_s, background + (start - background) * np.exp(-n_per_hour * t_s / 3600.0)


def test_seven_readings_of_three_air_changes() -> None:
    """Worked by hand: ln(C - 420) falls by exactly 3.000 per hour (regression as in ASTM E741)."""
    levels = [2000.00, 1378.32, 1001.25, 772.55, 633.83, 549.69, 498.66]
    found = air_change(np.arange(7) * 600.0, levels, from_s=0.0, to_s=3600.0, background_ppm=420.0)
    assert found.per_hour == pytest.approx(3.0, abs=2e-5)
    assert found.start_ppm - 420.0 == pytest.approx(1580.0, abs=0.01)
    assert found.flags == ()
    fitted = air_change(np.arange(7) * 600.0, levels, from_s=0.0, to_s=3600.0)
    assert fitted.per_hour == pytest.approx(3.0, abs=1e-3)
    assert fitted.background_ppm == pytest.approx(420.0, abs=0.5)


def test_two_levels_half_an_hour_apart() -> None:
    """2000 to 800 ppm about 420 in 30 min: ln(1580 / 380) / 0.5 h = 2.850 per hour."""
    t_s, levels = decay(2 * math.log(1580 / 380), hours=0.5)
    assert air_change(t_s, levels, from_s=0, to_s=1800, background_ppm=420.0).per_hour == pytest.approx(2.850, abs=5e-4)


def test_noise_that_hangs_together_widens_the_interval_and_it_covers() -> None:
    """First-order correlated noise: nine answers in ten within two standard uncertainties, white noise or not."""
    t_s, clean = decay(3.0)
    within, widths = {0.0: 0, 0.95: 0}, {0.0: 0.0, 0.95: 0.0}
    for rho in within:
        rng = np.random.default_rng(7)
        for _ in range(100):
            white = rng.normal(0.0, 10.0, len(t_s))
            noise = np.empty_like(white)
            noise[0] = white[0]
            for i in range(1, len(white)):
                noise[i] = rho * noise[i - 1] + math.sqrt(1 - rho**2) * white[i]
            found = air_change(t_s, clean + noise, from_s=0.0, to_s=t_s[-1])
            within[rho] += abs(found.per_hour - 3.0) <= 2.0 * found.u_per_hour
            widths[rho] += found.u_per_hour / 100
    assert within[0.0] >= 90
    assert within[0.95] >= 85
    assert widths[0.95] > 3.0 * widths[0.0]


def test_a_window_is_found_after_build_up_and_plateau() -> None:
    rise = 420.0 + 1580.0 * (1.0 - np.exp(-np.arange(360) / 60.0))
    _, fall = decay(2.0, start=float(rise[-1]))
    levels = np.concatenate([rise, np.full(60, rise[-1]), fall])
    found = air_change(np.arange(len(levels)) * 10.0, levels)
    assert found.per_hour == pytest.approx(2.0, rel=1e-3)
    assert "window-found" in found.flags
    assert 4100.0 <= found.from_s <= 4300.0


def test_the_largest_of_several_falls_is_taken() -> None:
    small, large = np.linspace(900.0, 600.0, 40), np.linspace(1500.0, 500.0, 60)
    rise = np.linspace(600.0, 1500.0, 30)
    first, last = longest_fall(np.concatenate([small, rise, large, rise, small]))
    assert (first, last) == (pytest.approx(70, abs=4), pytest.approx(129, abs=4))  # less a little of the top
    assert longest_fall(np.array([1.0, 5.0, 9.0, 6.0, 4.0, 3.0, 8.0])) == (2, 5)


@pytest.mark.parametrize("n_per_hour", [0.05, 0.2])
def test_too_little_of_the_decay_and_no_background_is_refused(n_per_hour: float) -> None:
    t_s, levels = decay(n_per_hour)
    noisy = levels + np.random.default_rng(3).normal(0.0, 3.0, len(levels))
    found = air_change(t_s, noisy, from_s=0.0, to_s=t_s[-1])
    assert found.refused
    assert "background-runs-away" in found.flags
    assert math.isnan(found.per_hour)
    stated = air_change(t_s, noisy, from_s=0.0, to_s=t_s[-1], background_ppm=420.0)
    assert not stated.refused
    assert stated.per_hour == pytest.approx(n_per_hour, abs=2.0 * stated.u_per_hour)


def test_people_who_stay_keep_the_level_up_and_it_is_refused() -> None:
    t_s, levels = decay(3.0, background=1100.0)
    found = air_change(t_s, levels, from_s=0.0, to_s=t_s[-1])
    assert found.refused
    assert "levels-off-high" in found.flags
    assert "people" in found.doubts[0].why


def test_people_who_come_back_are_seen() -> None:
    t_s, levels = decay(3.0, hours=3.0)
    back = np.where(t_s > 7200.0, (t_s - 7200.0) * 0.05, 0.0)
    found = air_change(t_s, levels + back, from_s=0.0, to_s=t_s[-1])
    assert "rising" in found.flags


def test_a_warm_up_is_not_air_change() -> None:
    """A short fall that levels off far above outdoor air, with the background fitted, stated right or stated wrong."""
    t_s = np.arange(0.0, 2000.0, 10.0)
    levels = 1020.0 + 230.0 * np.exp(-t_s / 130.0) + np.random.default_rng(1).normal(0.0, 5.0, len(t_s))
    for background in (None, 420.0, 900.0, 1000.0, 1020.0):
        assert air_change(t_s, levels, background_ppm=background).refused, background


@pytest.mark.parametrize(
    ("levels", "flag"), [([1.0] * 50, "no-fall"), (list(range(50)), "no-fall"), ([3.0, 2.0], "too-few")]
)
def test_what_does_not_fall_is_refused(levels: list[float], flag: str) -> None:
    found = air_change(np.arange(len(levels)) * 60.0, levels, from_s=0.0, to_s=1e9)
    assert found.refused
    assert flag in found.flags


def test_a_background_above_the_readings_is_refused() -> None:
    t_s, levels = decay(3.0)
    assert "background-disagrees" in air_change(t_s, levels, background_ppm=800.0).flags


def test_a_background_that_the_decay_itself_contradicts_is_told() -> None:
    rng = np.random.default_rng(8)
    t_s, levels = decay(3.0, background=520.0, hours=1.0)
    levels = levels + rng.normal(0.0, 3.0, levels.size)
    found = air_change(t_s, levels, from_s=0.0, to_s=3600.0, background_ppm=480.0)
    assert "background-disagrees" in found.flags
    assert abs(found.per_hour - 3.0) < 2.0 * found.u_per_hour
    assert air_change(t_s, levels, from_s=0.0, to_s=3600.0, background_ppm=300.0).refused
    right = air_change(t_s, levels, from_s=0.0, to_s=3600.0, background_ppm=520.0)
    assert "background-disagrees" not in right.flags
    assert right.u_per_hour < 0.05


def test_a_small_fall_in_a_record_that_does_something_else_is_no_decay() -> None:
    t_s = np.arange(0.0, 1800.0, 5.0)
    rise = 450.0 + 500.0 * (1.0 - np.exp(-t_s / 200.0)) - 60.0 * np.sin(t_s / 250.0)
    found = air_change(t_s, rise, background_ppm=420.0)
    assert found.refused
    assert "small-fall" in found.flags
    _, levels = decay(3.0, hours=0.5)
    assert "small-fall" not in air_change(np.arange(levels.size) * 10.0, levels, background_ppm=420.0).flags


def test_a_fall_is_followed_through_noise_that_hangs_together() -> None:
    rng = np.random.default_rng(3)
    told = []
    for _ in range(10):
        t_s = np.arange(-4300.0, 8600.0, 5.0)
        room = 440.0 + 700.0 * np.where(t_s < 0, (t_s + 4300.0) / 4300.0, np.exp(-0.5 * t_s.clip(0) / 3600.0))
        noise = np.zeros(t_s.size)
        for i in range(1, t_s.size):
            noise[i] = 0.88 * noise[i - 1] + rng.normal(0.0, 7.0)
        told.append(air_change(t_s + 4300.0, room + noise, background_ppm=440.0))
    assert sum(one.refused for one in told) <= 2
    assert all(abs(one.per_hour - 0.5) < 3.0 * one.u_per_hour for one in told if not one.refused)


def test_rows_that_come_twice_change_nothing() -> None:
    t_s, levels = decay(2.0)
    levels = levels + np.random.default_rng(2).normal(0.0, 4.0, levels.size)
    once, again = air_change(t_s, levels), air_change(np.repeat(t_s, 2), np.repeat(levels, 2))
    assert (again.per_hour, again.u_per_hour, again.noise_ppm) == (once.per_hour, once.u_per_hour, once.noise_ppm)


def test_two_rates_in_one_record_are_told() -> None:
    t_s, first = decay(1.0, hours=0.5)
    later = 420.0 + (first[-1] - 420.0) * np.exp(-4.0 * t_s / 3600.0)
    levels = np.concatenate([first, later])
    found = air_change(np.arange(len(levels)) * 10.0, levels, from_s=0.0, to_s=1e9, background_ppm=420.0)
    assert "not-one-rate" in found.flags


def test_gaps_and_missing_readings() -> None:
    t_s, levels = decay(3.0)
    levels[50:80] = np.nan
    kept = (t_s < 1000.0) | (t_s > 2000.0)
    found = air_change(t_s[kept], levels[kept], from_s=0.0, to_s=t_s[-1])
    assert "gaps" in found.flags
    assert found.per_hour == pytest.approx(3.0, rel=1e-6)


def test_a_million_readings_are_binned() -> None:
    t_s = np.linspace(0.0, 5400.0, 1_000_000)
    levels = 420.0 + 1580.0 * np.exp(-3.0 * t_s / 3600.0)
    assert air_change(t_s, levels, from_s=0.0, to_s=5400.0).per_hour == pytest.approx(3.0, rel=1e-6)


def test_arrays_that_do_not_match_are_bad_input() -> None:
    with pytest.raises(InputError, match="do not match"):
        air_change([1.0, 2.0], [1.0])
    assert air_change([], []).flags == ("too-few",)
