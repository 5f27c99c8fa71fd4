"""A whole visit on the simulated installation within one process, on a clock that we own."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime
from functools import cache

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan import Plan, build_plan
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, GasTurned, LinkChanged, MarkMade, RunStopped, StatusSeen, StepMoved
from gaswitness.site import Site
from support.rigs import cellar, ravensmoor


@cache
def plan_of(name: str) -> Plan:
    site = {"cellar": cellar, "ravensmoor": ravensmoor}[name]()
    return build_plan(site, made=datetime(2026, 11, 25, tzinfo=UTC), today=date(2026, 11, 25))


def visit(name: str, seed: int, *faults: str) -> tuple[RunStopped, list[Event]]:
    plan = plan_of(name)
    site: Site = plan.site
    clock = OwnedClock()
    world = World(site, seed=seed, faults=[parse_fault(fault, site) for fault in faults])
    events: list[Event] = []
    stopped = asyncio.run(
        asyncio.wait_for(
            drive(
                plan,
                RigLink(world, clock),
                RigHands(world, clock),
                clock,
                events.append,
                run_id="visit",
                operator="rig",
                simulated=True,
            ),
            timeout=200,
        )
    )
    return stopped, events


def ended(events: list[Event]) -> dict[str, str]:
    return {event.step: event.state for event in events if isinstance(event, StepMoved) and event.state != "started"}


@pytest.mark.parametrize("name", ["cellar", "ravensmoor"])
def test_every_step_of_a_whole_visit_is_gone_through(name: str) -> None:
    stopped, events = visit(name, 1)
    assert stopped.outcome == "complete"
    assert stopped.standing_inhibits == ()
    states = ended(events)
    for step in plan_of(name).steps:
        assert states[step.id] in (("done", "skipped") if step.optional else ("done",)), step.id
    turned = [(event.tag, event.on) for event in events if isinstance(event, GasTurned)]
    assert turned == [(d.tag, on) for d in plan_of(name).detectors for on in (True, False)]


def test_witnesses_see_what_the_panel_drives() -> None:
    _, events = visit("ravensmoor", 2)
    driven = {event.signal for event in events if isinstance(event, StatusSeen) and event.on and ".on" in event.signal}
    marked = {event.signal for event in events if isinstance(event, MarkMade) and event.on}
    assert marked == {*driven, "present"}
    assert len(marked) == len(ravensmoor().effects) + 1


def test_the_same_seed_gives_the_same_visit() -> None:
    assert visit("cellar", 5) == visit("cellar", 5)
    assert visit("cellar", 5) != visit("cellar", 6)


def test_a_visit_goes_on_when_the_wire_drops() -> None:
    stopped, events = visit("cellar", 1, "link-down:CO2-A:60")
    changes = [event.up for event in events if isinstance(event, LinkChanged)]
    assert stopped.outcome == "complete"
    assert False in changes
    assert changes[-1]
