"""Exposure on irregular readings with gaps: what is measured, what is not, and figures worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gaswitness.errors import OutOfDomain
from gaswitness.exposure import STEL_S, Measured, exposure, mixture, time_weighted


def test_a_gap_is_not_zero_and_not_bridged() -> None:
    # 100 ppm for 10 min, nothing for 50 min, 100 ppm for 10 min: the mean is 100 over 20 measured minutes
    t_s = [*range(0, 601, 60), *range(3600, 4201, 60)]
    figures = exposure(t_s, [100.0] * len(t_s))
    assert (figures.mean, figures.measured_s, figures.unmeasured_s) == (100.0, 1200.0, 3000.0)
    assert figures.twa is not None
    assert figures.twa.average == pytest.approx(100 * 1200 / 28800)
    assert figures.twa.unmeasured_s == 28800.0 - 1200.0


def test_a_short_window_seen_too_little_is_not_told() -> None:
    # of any 15 min at most 10 are measured: 67 % is below 75 %
    t_s = [*range(0, 601, 60), *range(3600, 4201, 60)]
    assert exposure(t_s, [100.0] * len(t_s)).stel is None
    # 12 of 15 min are: 80 %; the average is over those 12
    t_s = [*range(0, 721, 60), *range(900, 901, 60)]
    figures = exposure(t_s, [50.0] * len(t_s), gap_s=60.0)
    assert figures.stel is not None
    assert (figures.stel.average, figures.stel.measured_s, figures.stel.unmeasured_s) == (50.0, 720.0, 180.0)


def test_nan_is_no_reading() -> None:
    whole = Measured([0, 60, 120], [0.0, 50.0, 0.0])
    holed = Measured([0, 30, 60, 90, 120], [0.0, math.nan, 50.0, math.nan, 0.0])
    assert (holed.integral, holed.measured_s, len(holed)) == (whole.integral, 120.0, 3)


@pytest.mark.parametrize("readings", [[], [math.nan, math.nan], [7.0]])
def test_too_little_to_say_anything(readings: list[float]) -> None:
    figures = exposure(np.arange(len(readings)), readings)
    assert figures.stel is None
    assert figures.twa is None
    assert math.isnan(figures.mean)
    assert figures.measured_s == 0.0
    assert figures.peak == 7.0 if readings == [7.0] else math.isnan(figures.peak)


def test_time_above_by_hand() -> None:
    # up from 0 to 100 in 100 s, down to 0 in 50 s: above 80 for 20 s and 10 s
    ramp = Measured([0, 100, 150], [0.0, 100.0, 0.0], gap_s=1e3)
    assert ramp.time_above_s(80.0) == pytest.approx(30.0)
    assert ramp.time_above_s(-1.0) == 150.0
    assert ramp.time_above_s(100.0) == 0.0
    # held: 0 for 100 s, then 100 for 50 s
    held = Measured([0, 100, 150], [0.0, 100.0, 0.0], gap_s=1e3, between="hold")
    assert held.time_above_s(80.0) == 50.0
    assert held.time_above_s(100.0) == 0.0


def test_percentiles_by_hand() -> None:
    # weights: 5, 10, 10, 10, 5 s for 1, 2, 3, 4, 5; a quarter of 40 s is 10 s, reached within the 2
    air = Measured([0, 10, 20, 30, 40], [3.0, 1.0, 5.0, 2.0, 4.0])
    # 3: 5, 1: 10, 5: 10, 2: 10, 4: 5 s; in order 1: 10, 2: 20, 3: 25, 4: 30, 5: 40
    assert [air.percentile(p) for p in (0, 25, 25.1, 50, 62.5, 75, 76, 100)] == [1.0, 1.0, 2.0, 2.0, 3.0, 4.0, 5.0, 5.0]


def test_unequal_spacing_weighs_by_time() -> None:
    air = Measured([0, 1, 2, 3, 63, 123], [9.0, 9.0, 9.0, 1.0, 1.0, 1.0], gap_s=100.0)
    assert np.median(air.values) == 5.0
    assert air.percentile(50) == 1.0


def test_the_shortest_time_there_is_weighs_too() -> None:
    assert Measured([0.0, 5e-324], [2.0, 7.0]).percentile(50) == 2.0


@pytest.mark.parametrize("reading", ["linear", "hold"])
@given(
    st.lists(st.tuples(st.floats(0, 200), st.floats(-100, 5000)), min_size=2, max_size=40),
    st.floats(1.0, 3000.0),
    st.floats(-100, 5000),
)
def test_windows_agree_with_adding_up_by_small_steps(
    reading: str, rows: list[tuple[float, float]], window_s: float, level: float
) -> None:
    steps = np.array([step for step, _ in rows])
    t_s, values = np.cumsum(steps), np.array([value for _, value in rows])
    air = Measured(t_s, values, gap_s=100.0, between=reading)  # type: ignore[arg-type]
    assert 0.0 <= air.time_above_s(level) <= air.measured_s + 1e-9
    window = air.highest(window_s, over="window")
    assert window is not None
    assert -1e-6 <= window.measured_s <= min(window_s, air.measured_s) + 1e-6
    area = 0.0  # the same window, cut at every reading
    end = window.begin_s + window_s
    for a, b, u, v in zip(t_s[:-1], t_s[1:], values[:-1], values[1:], strict=True):
        begin, stop = max(a, window.begin_s), min(b, end)
        if b - a <= 100.0 and b > a and stop > begin:
            at = (
                (lambda x, a=a, b=b, u=u, v=v: u + (v - u) * (x - a) / (b - a))
                if reading == "linear"
                else (lambda x, u=u: u)
            )
            area += (at(begin) + at(stop)) / 2 * (stop - begin)
    assert window.average == pytest.approx(area / window_s, rel=1e-6, abs=1e-6 * max(1.0, np.abs(values).max()))


def test_what_makes_no_sense_is_refused() -> None:
    for call in (
        lambda: Measured([0, 1], [1.0]),
        lambda: Measured([1, 0], [1.0, 1.0]),
        lambda: Measured([0, math.inf], [1.0, 1.0]),
        lambda: Measured([0, 1], [1.0, 1.0], gap_s=0.0),
        lambda: Measured([0, 1], [1.0, 1.0]).percentile(101),
        lambda: time_weighted([1.0], [-1.0]),
        lambda: time_weighted([1.0], [1.0], 0.0),
        lambda: mixture([1.0], [0.0]),
        lambda: mixture([1.0, 2.0], [1.0]),
    ):
        with pytest.raises(OutOfDomain):
            call()


def test_a_short_recording_is_one_window() -> None:
    window = Measured([0, 300, 600], [100.0, 100.0, 100.0], gap_s=400.0).highest(STEL_S, over="window")
    assert window is not None
    assert window.average == pytest.approx(100 * 600 / 900)
    assert window.unmeasured_s == 300.0


def test_a_step_too_short_to_divide_by_is_still_a_step() -> None:
    """Once multiplied an infinite slope by nothing."""
    air = Measured(np.array([0.0, 5e-324]), np.array([0.0, 1.0]), gap_s=100.0, between="linear")
    window = air.highest(10.0, over="window")
    assert window is not None
    assert window.average == 0.0
