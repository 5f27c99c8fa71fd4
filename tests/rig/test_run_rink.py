"""The whole rink in-process: about three quarters of an hour on the rig's clock, polled every second."""

from __future__ import annotations

import pytest

from gaswitness.plan.records import MEASURED
from gaswitness.run.events import Event, InhibitMoved, LinkChanged, NoteTaken
from gaswitness.run.folding import fold
from support.rigged import carried_out, ended, example_plan


def visit(*faults: str, tags: tuple[str, ...] | None = None, seed: int = 1) -> list[Event]:
    return carried_out(example_plan("ravensmoor.yaml", tags), seed=seed, faults=faults)


def notes(events: list[Event]) -> str:
    return "\n".join(event.text for event in events if isinstance(event, NoteTaken))


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_sound_rink_is_gone_through_without_a_word(seed: int) -> None:
    events = visit(seed=seed)
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
    events = visit("dead:NH3-1", tags=("NH3-1",))
    assert ended(events)["NH3-1/await-set/low"] == "timed-out"
    assert "NH3-1: alarm low is overdue. Look for, in this order: regulator shut" in notes(events)


def test_crossed_channels_are_told_while_the_gas_flows() -> None:
    events = visit("crossed:NH3-1:CO2-1", tags=("NH3-1",))
    assert "CO2-1: alarm low, and CO2-1 is not under test: treat as real" in notes(events)
    assert "CO2-1 answered instead" in notes(events)


def test_a_set_level_too_high_is_told_from_too_little_gas() -> None:
    events = visit("set-point:NH3-1.high:1.4", tags=("NH3-1",))
    overdue = next(line for line in notes(events).splitlines() if "alarm high is overdue" in line)
    assert overdue.index("set level not where the site says") > 0
    assert "regulator" not in overdue


def test_a_wire_that_drops_is_an_event_and_the_run_goes_on() -> None:
    events = visit("link-down:NH3-1", tags=("NH3-1",))
    assert [event.up for event in events if isinstance(event, LinkChanged)] == [False, True]
    assert fold(events).ended is not None
