"""Predicted times against hand-worked crossings of a first-order step, and against a much larger Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from gaswitness.plan.forecast import Spread, forecast
from gaswitness.site.records import Site
from support.planned import bottle, detector, site

CERTAIN = Spread(
    t90=0.0, dead_time=0.0, cap_flush=(1.0, 1.0), open_air=(1.0, 1.0), background=0.0, gain=0.0, zero_of_range=0.0,
    hand_s=0.0,
)  # fmt: skip
NO_CAP = detector(cap_volume="0.000001 mL", noise="0 ppm", resolution="0.001 ppm", corrects_pressure=True)
AT_1300 = [{"gas": "CO2", "low": "1300 ppm", "high": "1300 ppm"}]


def predicted(made_of: Site, **choices: object):
    first = made_of.detectors[0]
    return forecast(made_of, first, made_of.cylinders[0], first.alarms, **choices)


def test_crossings_of_a_first_order_step_by_hand() -> None:
    found = predicted(site(detectors=[NO_CAP], background=AT_1300, panel={"scan": "0 s"}))
    # t = dead + tau ln((bottle - room) / (bottle - set)), tau = 60 s
    assert found.set_s[0] == pytest.approx(10 + 60 * math.log(3600 / 2900), abs=0.05)
    assert found.set_s[1] == pytest.approx(10 + 60 * math.log(3600 / 900), abs=0.05)
    # gas off at the plateau but for what is left of it: t = dead + tau ln((start - room) / (clear - room))
    left = math.exp(-(found.gas_s - 10) / 60)
    start = 4900 - 3600 * left
    assert found.clear_s[0] == pytest.approx(10 + 60 * math.log((start - 1300) / (1600 - 1300)), rel=0.01)
    assert found.clear_s[1] == pytest.approx(10 + 60 * math.log((start - 1300) / (3800 - 1300)), rel=0.01)
    assert found.settle_s[0] == pytest.approx(10 + 60 * math.log(50), rel=1e-3)


def test_delays_of_the_point_and_the_scan_of_the_panel_are_added() -> None:
    slow = {"name": "low", "set": "2000 ppm", "deadband": "20 % of set", "on_delay": "7 s", "off_delay": "9 s"}
    plain = predicted(site(panel={"scan": "0 s"}))
    delayed = predicted(site(panel={"scan": "4 s"}, detectors=[detector(alarms=[slow, detector()["alarms"][1]])]))
    assert delayed.set_s[0] - plain.set_s[0] == pytest.approx(7 + 2)
    assert delayed.clear_s[0] - plain.clear_s[0] == pytest.approx(9 + 2)
    assert delayed.set_s[1] - plain.set_s[1] == pytest.approx(2)


def test_start_is_the_air_of_the_room_and_not_zero() -> None:
    clean = predicted(site(background=[{"gas": "CO2", "low": "0 ppm", "high": "0 ppm"}]))
    stale = predicted(site(background=AT_1300))
    assert clean.set_s[0] > stale.set_s[0] + 15  # 60 ln(4900/2900) against 60 ln(3600/2900)
    assert stale.clear_s[0] > clean.clear_s[0] + 60  # 60 ln(4900/1600) against 60 ln(3600/300)


def test_nothing_unknown_leaves_only_the_time_between_polls() -> None:
    certain = site(
        detectors=[detector(noise="0 ppm", resolution="0.001 ppm")],
        cylinders=[bottle(expanded_uncertainty="0 ppm")],
        background=AT_1300,
        panel={"scan": "0 s"},
    )
    found = predicted(certain, spread=CERTAIN)
    for point, nominal in zip(found.points, found.set_s, strict=True):
        assert point.set_s == pytest.approx((nominal - 0.475, nominal + 0.475), abs=0.05)  # 95 % of one second


@pytest.mark.parametrize("name", ["t90", "dead_time", "gain", "zero_of_range"])
def test_every_spread_widens_the_interval(name: str) -> None:
    made_of = site(background=AT_1300, panel={"scan": "0 s"})
    certain = predicted(made_of, spread=CERTAIN).points[1].set_s  # what is left is the bottle and its shallow crossing
    wider = predicted(made_of, spread=replace(CERTAIN, **{name: getattr(Spread(), name)})).points[1].set_s
    assert wider[1] - wider[0] > (certain[1] - certain[0]) + 0.5


def test_intervals_agree_with_a_larger_monte_carlo() -> None:
    made_of = site()
    small, large = predicted(made_of), predicted(made_of, draws=6000, seed=7)
    for a, b in zip(small.points, large.points, strict=True):
        for mine, theirs in ((a.set_s, b.set_s), (a.clear_s, b.clear_s)):
            width = theirs[1] - theirs[0]
            assert mine == pytest.approx(theirs, abs=0.12 * width)


def test_same_seed_same_forecast() -> None:
    assert predicted(site()) == predicted(site())
    assert predicted(site()).points != predicted(site(), seed=1).points


def test_band_holds_the_curve_and_both_start_in_the_room() -> None:
    curve = predicted(site()).curve
    low, middle, high = (np.array(v) for v in (curve.low_ppm, curve.reading_ppm, curve.high_ppm))
    assert (low <= middle).all()
    assert (middle <= high).all()
    assert 900 < middle[0] < 1400
    assert middle.max() == pytest.approx(4900, rel=0.03)
    assert np.all(np.diff(curve.t_s) > 0)


def test_a_bottle_that_may_not_bring_the_point_has_no_upper_end() -> None:
    found = predicted(site(cylinders=[bottle(level="4050 ppm")]))
    assert math.isinf(found.points[1].set_s[1])
    assert math.isfinite(found.points[0].set_s[1])


def test_falling_alarm_of_oxygen() -> None:
    oxygen = site(
        background=[{"gas": "O2", "low": "20.9 %vol", "high": "20.9 %vol"}],
        detectors=[
            detector(
                gas="O2", unit="%vol", range_high="25 %vol", resolution="0.01 %vol", noise="0.01 %vol", t90="30 s",
                dead_time="5 s", cap_volume="0.000001 mL", corrects_pressure=True,
                alarms=[{"name": "low", "direction": "falling", "set": "19.5 %vol", "deadband": "0.3 %vol"}],
            )
        ],
        cylinders=[bottle(gas="O2", level="16 %vol", balance="nitrogen")],
        panel={"scan": "0 s"},
    )  # fmt: skip
    found = predicted(oxygen)
    tau_s = 25 / math.log(10)
    assert found.set_s[0] == pytest.approx(5 + tau_s * math.log(4.9 / 3.5), abs=0.05)
    low_s, high_s = found.points[0].set_s
    assert low_s < found.set_s[0] < high_s
