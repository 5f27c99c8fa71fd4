"""A real alarm during a test is told at once, and stays told as long as it stands, whatever else goes on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gaswitness.plan.records import Plan
from gaswitness.run.drive import KEPT_MESSAGES, _Driver
from gaswitness.run.events import MarkMade, RunStarted, StatusSeen
from gaswitness.run.folding import apply, begin
from gaswitness.run.lookout import Lookout, Message, standing_elsewhere
from gaswitness.run.state import OpenGas, RunState, StepNow
from support.rigged import example_plan

WALL = "2026-01-01T00:00:00.000Z"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return example_plan("coldstore.yaml", ("CS-1", "CS-2"), (("CS-1", "CS-2"),))


def at(plan: Plan, step_id: str, gas: tuple[str, ...]) -> RunState:
    """A run at this step, with gas on at these detectors."""
    state = begin(RunStarted(t_s=0.0, wall=WALL, run_id="r", plan=plan, link="bench:", operator="MK", software="test"))
    index = next(i for i, step in enumerate(plan.steps) if step.id == step_id)
    return replace(
        state,
        index=index,
        now=StepNow(plan.steps[index], 0.0),
        gas={tag: OpenGas(tag, "BTL-NH3", 0.0) for tag in gas},
    )


def seen(state: RunState, signal: str) -> tuple[RunState, list[Message]]:
    event = StatusSeen(t_s=5.0, wall=WALL, signal=signal, on=True, after_t_s=4.0)
    state = apply(state, event)
    return state, Lookout(1.0).on_event(state, event)


@pytest.mark.parametrize(
    ("step", "gas", "signal", "told"),
    [
        ("CS-1/await-plateau", ("CS-1", "CS-2"), "CS-1.high", False),
        ("CS-1/await-plateau", ("CS-1", "CS-2"), "CS-2.high", False),
        ("CS-1/await-plateau", ("CS-1", "CS-2"), "CS-3.low", True),  # same room, same beacon, same group
        ("CS-1/await-plateau", ("CS-1", "CS-2"), "MR-1.low", True),
        ("CS-1/await-plateau", ("CS-1", "CS-2"), "CS-2.fault", True),  # nobody opened that signal
        ("CS-1/await-set/low", ("CS-1",), "CS-2.low", True),  # of the bout, but without gas so far
        ("CS-2/gas-on", ("CS-1",), "CS-2.low", False),  # whoever holds the cap may be quicker than the press
        ("CS-1/fault", (), "CS-1.fault", False),
        ("CS-1/fault", (), "CS-2.fault", True),
        ("HALL-VOTE/1/quiet/CS-1", ("CS-1",), "CS-3.high", True),  # a member that has no part in this round
        ("HALL-VOTE/1/quiet/CS-1", ("CS-1",), "CS-1.high", False),
        ("HALL-VOTE/3/follow", ("CS-1", "CS-2"), "CS-3.high", True),  # faulty in this round, and not under gas
    ],
)
def test_what_is_told_while_several_are_under_test(plan: Plan, step: str, gas, signal: str, told: bool) -> None:
    state, messages = seen(at(plan, step, gas), signal)
    assert bool(messages) is told
    assert (signal in standing_elsewhere(state)) is told
    for message in messages:
        assert message.real
        assert message.urgent
        assert "not under test" in message.text
        assert message.text.endswith("treat as real")


def test_an_alarm_that_only_a_person_sees_is_told_too(plan: Plan) -> None:
    state = at(plan, "CS-1/await-plateau", ("CS-1", "CS-2"))
    mark = MarkMade(
        t_s=5.0, wall=WALL, mark_id="m1", post="AT-PANEL", witness="Ines", signal="MR-1.low", on=True, u_s=0.3
    )
    assert [m.real for m in Lookout(1.0).on_event(apply(state, mark), mark)] == [True]
    state, _ = seen(state, "MR-1.low")
    assert Lookout(1.0).on_event(apply(state, mark), mark) == [], "the link has told of it"


def test_what_is_real_outlives_whatever_else_is_said(plan: Plan) -> None:
    driver = _Driver.__new__(_Driver)
    driver._messages = ()
    driver._hear(Message(1.0, "real", urgent=True, real=True))
    for number in range(3 * KEPT_MESSAGES):
        driver._hear(Message(2.0 + number, f"a mark {number}"))
    assert len(driver._messages) == KEPT_MESSAGES
    assert driver._messages[0].text == "real"
    assert driver._messages[-1].text == f"a mark {3 * KEPT_MESSAGES - 1}"


def test_the_page_keeps_it_in_sight(repo: Path) -> None:
    from gaswitness.web.picture import MESSAGES, _kept

    messages = (Message(1.0, "real", real=True), *(Message(2.0, str(n)) for n in range(30)))
    kept = _kept(messages)
    assert kept[0].text == "real"
    assert len(kept) == MESSAGES + 1
