"""A run that leads its rig's time: a busy machine makes the day slower, and loses nothing."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime

from gaswitness.errors import LinkError
from gaswitness.links.rig.pace import LeadingClock, RigTime

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def test_a_led_rig_stands_until_it_is_moved_and_goes_on_by_itself_when_left() -> None:
    rig = RigTime(speed=1000.0)
    rig.lead(None)
    stood_s = rig.now_s()
    time.sleep(0.01)
    assert rig.now_s() == stood_s
    rig.lead(stood_s + 7.0)
    assert rig.now_s() == stood_s + 7.0
    rig.lead(stood_s)
    assert rig.now_s() == stood_s + 7.0, "time does not go back"
    rig.run_free()
    time.sleep(0.01)
    assert rig.now_s() > stood_s + 7.0 + 5.0


async def test_the_rig_is_moved_to_each_instant_that_somebody_waits_for() -> None:
    clock, moves = LeadingClock(1e6, start=START), []

    async def lead(to_s: float) -> float:
        moves.append(to_s)
        return to_s

    clock.lead = lead
    await asyncio.gather(clock.sleep_s(3.0), clock.sleep_s(1.0), clock.sleep_s(2.0))
    assert moves == [1.0, 2.0, 3.0]
    assert clock.now_s() == 3.0


async def test_time_stands_while_an_answer_from_outside_is_waited_for() -> None:
    clock, seen = LeadingClock(1e6, start=START), []

    async def poll() -> None:
        with clock.hold():
            before = clock.now_s()
            await asyncio.sleep(0.05)  # a slow panel, in real time
            seen.append((before, clock.now_s()))

    await asyncio.gather(poll(), clock.sleep_s(10.0))
    assert seen == [(0.0, 0.0)]
    assert clock.now_s() == 10.0


async def test_a_stall_is_not_made_up_by_haste() -> None:
    """After 0.2 s in which nothing could run, ten seconds of the day at 100 times life still take 0.1 s of life."""
    clock = LeadingClock(100.0, start=START)
    await clock.sleep_s(1.0)
    time.sleep(0.2)
    began = time.monotonic()
    for _ in range(11):
        await clock.sleep_s(1.0)
    assert time.monotonic() - began >= 0.1


async def test_an_instant_of_the_machine_finds_its_place_between_the_moves() -> None:
    """A stall in between belongs to the move before it: time stood, whatever the clock on the wall did."""
    clock = LeadingClock(10.0, start=START)
    began = time.monotonic()
    await clock.sleep_s(1.0)
    moved = time.monotonic()
    assert clock.at_s(began) < 0.5 < 1.0 == clock.at_s(moved)
    assert 0.3 < clock.at_s((began + moved) / 2) < 0.7
    time.sleep(0.05)
    assert clock.at_s(time.monotonic()) == 1.0


async def test_a_rig_that_has_gone_lets_time_go_on() -> None:
    clock = LeadingClock(1e6, start=START)

    async def gone(to_s: float) -> float:
        raise LinkError("gone")

    clock.lead = gone
    await clock.sleep_s(5.0)
    assert clock.now_s() == 5.0
    assert clock.lead is None
