"""The whole rink in-process: about three quarters of an hour on the rig's clock, polled every second."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan import build_plan
from gaswitness.plan.records import MEASURED
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, InhibitMoved, LinkChanged, NoteTaken, StepMoved
from gaswitness.run.folding import fold
from support.rigs import ravensmoor


def carried_out(*faults: str, tags: tuple[str, ...] | None = None, seed: int = 1) -> list[Event]:
    site = ravensmoor()
    plan = build_plan(site, tags=tags, made=datetime(2026, 1, 1, tzinfo=UTC), today=date(2026, 1, 1))
    clock = OwnedClock()
    world = World(site, seed=seed, faults=[parse_fault(text, site) for text in faults])
    events: list[Event] = []
    asyncio.run(
        drive(
            plan,
            RigLink(world, clock),
            RigHands(world, clock),
            clock,
            events.append,
            run_id="rink",
            operator="MK",
            simulated=True,
        )
    )
    return events


def ended(events: list[Event]) -> dict[str, str]:
    return {event.step: event.state for event in events if isinstance(event, StepMoved) and event.state != "started"}


def notes(events: list[Event]) -> str:
    return "\n".join(event.text for event in events if isinstance(event, NoteTaken))


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_sound_rink_is_gone_through_without_a_word(seed: int) -> None:
    events = carried_out(seed=seed)
    state = fold(events)
    assert state.ended is not None
    assert state.ended.outcome == "complete"
    assert state.standing_inhibits == ()
    assert state.plan is not None
    states = ended(events)
    for step in state.plan.steps:
        assert states[step.id] == ("skipped" if step.optional and step.kind not in MEASURED else "done"), step.id
    moves = [(event.effect, event.state) for event in events if isinstance(event, InhibitMoved)]
    for effect in ("PLANT-STOP", "PUMP-VALVE", "STORE-VALVE"):
        assert [move for name, move in moves if name == effect] == ["placed", "lifted", "proven"]
    assert notes(events) == ""


def test_a_dead_sensor_is_overdue_with_the_gas_named_first() -> None:
    events = carried_out("dead:NH3-1", tags=("NH3-1",))
    assert ended(events)["NH3-1/await-set/low"] == "timed-out"
    assert "NH3-1: alarm low is overdue. Look for, in this order: regulator shut" in notes(events)


def test_crossed_channels_are_told_while_the_gas_flows() -> None:
    events = carried_out("crossed:NH3-1:CO2-1", tags=("NH3-1",))
    assert "CO2-1: alarm low, and CO2-1 is not under test: treat as real" in notes(events)
    assert "CO2-1 answered instead" in notes(events)


def test_a_set_level_too_high_is_told_from_too_little_gas() -> None:
    events = carried_out("set-point:NH3-1.high:1.4", tags=("NH3-1",))
    overdue = next(line for line in notes(events).splitlines() if "alarm high is overdue" in line)
    assert overdue.index("set level not where the site says") > 0
    assert "regulator" not in overdue


def test_a_wire_that_drops_is_an_event_and_the_run_goes_on() -> None:
    events = carried_out("link-down:NH3-1", tags=("NH3-1",))
    assert [event.up for event in events if isinstance(event, LinkChanged)] == [False, True]
    assert fold(events).ended is not None
