"""The forecast that is renewed while gas flows, on a bench whose answer is known in closed form."""

from __future__ import annotations

import asyncio
import math
from dataclasses import replace

import pytest

from gaswitness.run.drive import drive
from gaswitness.run.foresee import Foresight, warm_up
from support.bench import BOTTLE_PPM, DEAD_S, ROOM_PPM, TAU_S, Bench, BenchLink


def test_the_time_to_an_alarm_closes_in_on_the_exact_one_and_is_never_shown_when_there_is_none(plan, bench, clock):
    """First order: reading passes `a` at dead time + tau ln((bottle - room) / (bottle - a)) after gas on."""
    warm_up()
    exact_s = DEAD_S + TAU_S * math.log((BOTTLE_PPM - ROOM_PPM) / (BOTTLE_PPM - 15_000.0))
    seen, idle = [], []

    def show(snapshot):
        if snapshot.gas is None:
            idle.append(snapshot.outlook)
        coming = snapshot.next_alarm
        if coming is not None and coming.renewed and coming.point == "high":
            seen.append((snapshot.t_s - snapshot.gas.since_t_s, coming, snapshot.gas.since_t_s))

    link = BenchLink(bench)
    foresight = Foresight(plan, link.poll_s)
    stopped = asyncio.run(
        drive(plan, link, bench, clock, lambda e: None, run_id="r", operator="MK", show=show, foresight=foresight)
    )
    assert stopped.outcome == "complete"
    assert seen, "the readings give a shorter interval than the plan before the alarm comes"
    late = plan.site.panel.scan_s + link.poll_s
    for _, coming, on_s in seen:
        assert coming.earliest_s - 1.0 <= on_s + exact_s <= coming.latest_s + 1.0
        assert coming.latest_s - coming.earliest_s < 40.0
    assert min(coming.latest_s - coming.earliest_s for _, coming, _ in seen) < late + 2.0
    assert set(idle) == {None}


def test_a_fit_that_trips_leaves_the_plans_forecast(plan, bench: Bench, monkeypatch: pytest.MonkeyPatch):
    foresight = Foresight(plan, 1.0)
    foresight.gas_on("CO2-A", 0.0, ())

    def broken(*_: object) -> None:
        raise FloatingPointError("no")

    monkeypatch.setattr("gaswitness.response.live.LiveFit.add", broken)
    foresight.reading("CO2-A", 1.0, 600.0)
    assert foresight.outlook("CO2-A") is None


def test_an_estimate_without_its_width_is_not_told(plan, monkeypatch):
    """Once a t90 of unknown uncertainty went to the screens as NaN, and the stream of the board broke off."""
    foresight = Foresight(plan, 1.0)
    foresight.gas_on("CO2-A", 10.0, [(float(second), ROOM_PPM) for second in range(10)])
    for second in range(10, 60):
        foresight.reading("CO2-A", float(second), ROOM_PPM + 40.0 * (second - 10))
    going = foresight._going["CO2-A"]
    estimate = going.last
    assert estimate is not None
    for name in ("plateau", "u_plateau", "t90_s", "u_t90_s"):
        monkeypatch.setattr(going, "last", replace(estimate, **{name: math.nan}))
        assert foresight.outlook("CO2-A") is None, name
