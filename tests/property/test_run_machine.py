"""The run's machine under any sequence of happenings: what must never come about, whoever presses what and when."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.run.events import (
    GasTurned,
    InhibitMoved,
    ReadingTaken,
    RoleTold,
    RunResumed,
    RunStarted,
    RunStopped,
    StatusSeen,
    StepMoved,
    StopAsked,
)
from gaswitness.run.machine import Answered, Ask, StopWanted, Tick, Write, step
from gaswitness.run.ports import Answer
from gaswitness.run.state import apply, begin, fold
from support.bench import make_plan, make_site

CELLAR = Path(__file__).resolve().parents[2] / "examples" / "cellar.yaml"
PLAN = make_plan(make_site(CELLAR.read_text("utf-8")))
STARTED = RunStarted(
    t_s=0.0, wall="2026-01-01T00:00:00.000Z", run_id="r1", plan=PLAN, link="bench:", operator="MK", software="test"
)
SIGNALS = ("CO2-A.low", "CO2-A.high", "CO2-A.fault", "CO2-B.low", "CO2-B.high", "CO2-B.fault", "FAN.inhibited")

waits = st.sampled_from((0.0, 1.0, 1.0, 10.0, 100.0, 1000.0))
answers = st.sampled_from(("done",) * 12 + ("skipped", "skipped", "aborted"))
happenings = st.one_of(
    st.tuples(st.just("answer"), answers),
    st.tuples(st.just("answer"), st.just("done")),
    st.tuples(st.just("tick"), waits),
    st.tuples(st.just("reading"), st.sampled_from((600.0, 600.0, 16_000.0, 25_000.0))),
    st.tuples(st.just("status"), st.tuples(st.sampled_from(SIGNALS), st.booleans())),
    st.tuples(st.just("help"), st.none()),
    st.tuples(st.just("stray answer"), st.sampled_from(PLAN.steps)),
    st.tuples(st.just("cut off"), st.none()),
)
stops = st.tuples(st.just("stop"), st.sampled_from(("stopped", "aborted")))


class Told:
    """The run told again from its events alone, by rules written a second time and in another way."""

    def __init__(self) -> None:
        self.told: set[str] = set()
        self.inhibited: set[str] = set()
        self.gas: set[str] = set()
        self.stopping = False
        self.ended = False

    def check(self, event: object) -> None:
        assert not self.ended or isinstance(event, RunResumed), "nothing follows the last event"
        match event:
            case RoleTold():
                (self.told.add if event.what == "begins" else self.told.discard)(event.role)
            case InhibitMoved(state="placed"):
                self.inhibited.add(event.effect)
            case InhibitMoved(state="lifted"):
                self.inhibited.discard(event.effect)
            case GasTurned(on=True):
                assert {step.role for step in PLAN.steps if step.kind == "warn"} <= self.told, "gas before warning"
                assert {step.effect for step in PLAN.steps if step.kind == "inhibit"} <= self.inhibited, "gas too early"
                assert not self.gas, "one bottle at a time"
                assert not self.stopping, "gas after somebody wanted to stop"
                self.gas.add(event.tag)
            case GasTurned(on=False):
                self.gas.discard(event.tag)
            case StopAsked():
                self.stopping = True
            case RunResumed():
                self.stopping = self.ended = False
            case RunStopped():
                self.ended = True
                assert self.inhibited <= set(event.standing_inhibits), "an inhibit that stands is named at the end"
                if event.outcome == "complete":
                    assert not self.inhibited
                    assert not event.standing_inhibits
                    assert not self.gas


def play(script):
    """Play a script on the machine; gives the states and events on the way."""
    state, t_s = begin(STARTED), 0.0
    folded = state
    events, asked, told = [STARTED], [], Told()

    def take(result):
        nonlocal state, folded
        state, commands = result
        for command in commands:
            if isinstance(command, Write):
                told.check(command.event)
                events.append(command.event)
                folded = apply(folded, command.event)
            elif isinstance(command, Ask):
                asked.append(command.step.id)

    take(step(state, Tick(0.0)))
    for what, value in script:
        wall = state.wall(t_s)
        now = state.now
        match what:
            case "tick":
                t_s += value
            case "answer" if now is not None:
                take(step(state, Answered(t_s, now.step.id, Answer(value, "MK"))))
            case "stray answer":
                if now is None or now.step.id != value.id:
                    before = state
                    take(step(state, Answered(t_s, value.id, Answer("done", "MK"))))
                    assert state.gas == before.gas, "an answer to another step does nothing"
            case "reading":
                tag = state.under_test or "CO2-A"
                for _ in range(25):
                    t_s += 1.0
                    take(step(state, ReadingTaken(t_s=t_s, wall=wall, tag=tag, value_ppm=value, source_t_s=t_s)))
            case "status":
                take(step(state, StatusSeen(t_s=t_s, wall=wall, signal=value[0], on=value[1], after_t_s=None)))
            case "help" if now is not None and now.step.tag is not None:
                point = "fault" if now.step.kind in ("fault", "mend") else now.step.point
                on = now.step.kind in ("await-set", "fault")
                signal = f"{now.step.tag}.{point}"
                take(step(state, StatusSeen(t_s=t_s, wall=wall, signal=signal, on=on, after_t_s=None)))
            case "stop":
                take(step(state, StopWanted(t_s, value, "MK")))
            case "cut off" if state.ended is None or state.ended.outcome == "stopped":
                resumed = RunResumed(t_s=t_s, wall=wall, gap_s=0.0, operator="MK")
                told.check(resumed)
                events.append(resumed)
                state = folded = apply(fold(events[:-1]), resumed)
        take(step(state, Tick(t_s)))
        assert folded == state, "the recorded events give the state"
    assert fold(events) == state
    return state, events, asked


@settings(max_examples=150, deadline=None)
@given(st.lists(happenings, max_size=120), st.one_of(st.none(), stops), st.lists(happenings, max_size=30))
def test_no_happenings_bring_gas_too_early_or_hide_an_inhibit(before, stop, after):
    play([*before, *([stop] if stop else []), *after])


HELPFUL = [("answer", "done"), ("help", None), ("reading", 600.0), ("tick", 1.0)]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(happenings.filter(lambda one: one != ("answer", "aborted")), stops), max_size=60))
def test_from_anywhere_willing_hands_bring_a_run_to_its_end(before):
    script = [one for one in before if one[1] != "aborted"]
    clear = [("status", ("FAN.inhibited", False)), *[("help", None), ("tick", 1000.0), ("answer", "done")] * 120]
    state, events, _ = play([*script, *clear])
    if state.ended is None:  # only a panel that says an inhibit is not in force may keep a run waiting
        assert state.now is not None
        assert state.now.step.kind == "inhibit"
    else:
        assert isinstance(events[-1], RunStopped)


def test_willing_hands_go_through_every_step():
    state, events, asked = play(HELPFUL * 120)
    assert state.ended is not None
    assert state.ended.outcome == "complete"
    gone = {event.step for event in events if isinstance(event, StepMoved)}
    assert gone == {one.id for one in PLAN.steps}
    assert asked[:4] == ["visit/caution", "visit/warn/keeper", "visit/inhibit/FAN", "CO2-A/gas-on"]


def test_after_an_abort_the_gas_comes_first_then_signals_then_inhibits():
    state, _, _ = play(HELPFUL * 3)
    while state.gas is None:
        state, _ = step(state, Answered(state.t_s, state.now.step.id, Answer("done", "MK")))
        state, _ = step(state, Tick(state.t_s + 1000.0))
    state, commands = step(state, StopWanted(state.t_s, "aborted", "MK", "leak"))
    asked = [command.step.kind for command in commands if isinstance(command, Ask)]
    assert asked == ["gas-off"]
    order = []
    while state.ended is None:
        order.append(state.now.step.kind)
        state, _ = step(state, Answered(state.t_s + 1.0, state.now.step.id, Answer("done", "MK")))
    assert order == ["gas-off", "lift", "all-clear"]
    assert state.ended.outcome == "aborted"
