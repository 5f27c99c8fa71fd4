"""Alarm points as the alarm logic takes them."""

from __future__ import annotations

from pathlib import Path

from gaswitness.alarms import AlarmPoint
from gaswitness.site import alarm_points, read_site


def test_shares_are_resolved_and_order_kept(repo: Path) -> None:
    rink = read_site(repo / "examples" / "ravensmoor.yaml")
    assert alarm_points(rink.detector("NH3-1")) == (
        AlarmPoint("low", 25.0, deadband=5.0, on_delay_s=1.0),
        AlarmPoint("high", 150.0, deadband=15.0, on_delay_s=1.0, latching=True),
    )
    low, high = alarm_points(rink.detector("O2-1"))
    assert (low.direction, low.set_level, low.deadband) == ("falling", 195_000.0, 3000.0)
    assert high.set_level < low.set_level
