"""Small sites for tests of planning: one room, detectors and bottles as a test wants them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from gaswitness.plan import Plan, build_plan
from gaswitness.site.records import Site

MADE = datetime(2026, 3, 2, 9, tzinfo=UTC)
TODAY = date(2026, 3, 2)

LOW = {"name": "low", "set": "2000 ppm", "deadband": "20 % of set"}
HIGH = {"name": "high", "set": "4000 ppm", "deadband": "5 % of set"}


def detector(tag: str = "D-1", **changes: Any) -> dict[str, Any]:
    """A carbon dioxide detector of 0 to 5,000 ppm: first movement after 10 s, then a time constant of a minute."""
    return {
        "tag": tag, "gas": "CO2", "area": "ROOM", "range_high": "5000 ppm", "resolution": "1 ppm", "noise": "5 ppm",
        "t90": "148.155 s", "dead_time": "10 s", "alarms": [LOW, HIGH], **changes,
    }  # fmt: skip


def bottle(tag: str = "BTL", **changes: Any) -> dict[str, Any]:
    """4,900 ppm of carbon dioxide in air."""
    return {
        "tag": tag, "gas": "CO2", "level": "4900 ppm", "expanded_uncertainty": "2 % of level", "balance": "air",
        "certificate": "T-1", "expires": "2027-01-01", "water_volume": "1 L", "pressure": "60 bar",
        "min_pressure": "5 bar", "flow": "0.5 L/min", **changes,
    }  # fmt: skip


def site(**changes: Any) -> Site:
    """One room that holds 1,000 to 1,300 ppm, one detector, one bottle, somebody to warn."""
    background = changes.pop("background", [{"gas": "CO2", "low": "1000 ppm", "high": "1300 ppm"}])
    room = {
        "tag": "ROOM", "name": "Room", "volume": "100 m3", "height": "3 m", "occupied": True, "background": background,
    }  # fmt: skip
    return Site.model_validate(
        {
            "gaswitness": "gaswitness/site/1",
            "name": "Test room",
            "areas": [room],
            "detectors": [detector()],
            "cylinders": [bottle()],
            "posts": [{"tag": "DOOR", "name": "Door"}],
            "warn": [{"role": "Guard"}],
            **changes,
        }
    )


def planned(made_of: Site, **choices: Any) -> Plan:
    """Its plan, on a fixed day."""
    return build_plan(made_of, made=MADE, today=TODAY, **choices)
