"""The trade's experience with a carbon dioxide detector under a cap: common practice, no source.

Bottle near full scale (4,800 to 5,000 ppm) on a diffusion detector of 0 to 5,000 ppm that first moves after about
10 s and has a time constant of about a minute, in a room at 1,300 ppm: 2,000 and 4,000 ppm are passed 20 to 30 s and
80 to 100 s after gas on; gas off, the reading falls below 4,000 ppm within about half a minute, and the low alarm
clears after about two minutes when its deadband is 20 to 25 % of its set level.
"""

from __future__ import annotations

import pytest

from support.planned import bottle, detector, planned, site

TWO_MINUTES_S = 120.0
HALF_A_MINUTE_S = 30.0


@pytest.mark.parametrize("level", ["4800 ppm", "4900 ppm", "5000 ppm"])
@pytest.mark.parametrize("deadband", ["20 % of set", "25 % of set"])
def test_predicted_intervals_cover_what_the_trade_sees(level: str, deadband: str) -> None:
    alarms = [
        {"name": "low", "set": "2000 ppm", "deadband": deadband},
        {"name": "high", "set": "4000 ppm"},  # no deadband: it clears as soon as the reading is below 4,000 ppm again
    ]
    at_1300 = [{"gas": "CO2", "low": "1300 ppm", "high": "1300 ppm"}]
    plan = planned(site(detectors=[detector(alarms=alarms)], cylinders=[bottle(level=level)], background=at_1300))
    low, high = plan.detector("D-1").points
    assert low.set_s[0] <= 20.0
    assert low.set_s[1] >= 30.0
    assert high.set_s[0] <= 80.0
    assert high.set_s[1] >= 100.0
    assert low.clear_s is not None
    assert high.clear_s is not None
    assert high.clear_s[0] <= HALF_A_MINUTE_S <= high.clear_s[1] + 5.0
    assert low.clear_s[0] <= TWO_MINUTES_S <= low.clear_s[1]
    # and they say something: an interval that covers everything would be no prediction
    assert low.set_s[1] < 45.0
    assert high.set_s[1] < 150.0
    assert low.clear_s[1] < 300.0
