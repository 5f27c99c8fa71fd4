"""A whole visit on the simulated installation within one process, on a clock that we own."""

from __future__ import annotations

import pytest

from gaswitness.run.events import Event, GasTurned, LinkChanged, MarkMade, RunStopped, StatusSeen
from support.rigged import carried_out, ended, example_plan
from support.rigs import ravensmoor


def visit(name: str, seed: int, *faults: str) -> tuple[RunStopped, list[Event]]:
    events = carried_out(example_plan(f"{name}.yaml"), seed=seed, faults=faults)
    stopped = events[-1]
    assert isinstance(stopped, RunStopped)
    return stopped, events


@pytest.mark.parametrize("name", ["cellar", "ravensmoor"])
def test_every_step_of_a_whole_visit_is_gone_through(name: str) -> None:
    stopped, events = visit(name, 1)
    assert stopped.outcome == "complete"
    assert stopped.standing_inhibits == ()
    states = ended(events)
    for step in example_plan(f"{name}.yaml").steps:
        assert states[step.id] in (("done", "skipped") if step.optional else ("done",)), step.id
    turned = [(event.tag, event.on) for event in events if isinstance(event, GasTurned)]
    assert turned == [(d.tag, on) for d in example_plan(f"{name}.yaml").detectors for on in (True, False)]


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
