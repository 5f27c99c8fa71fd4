"""The run's machine under any sequence of happenings: what must never come about, whoever presses what and when."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gaswitness.plan import build_plan
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
from gaswitness.run.folding import apply, begin, fold
from gaswitness.run.machine import Answered, Ask, StopWanted, Tick, WaitEnded, Write, step
from gaswitness.run.ports import Answer
from gaswitness.run.unlisted import find_step
from gaswitness.site import load_site
from support.bench import make_plan, make_site

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
CELLAR = EXAMPLES / "cellar.yaml"
ONE_BY_ONE = make_plan(make_site(CELLAR.read_text("utf-8")))
AT_ONCE = build_plan(
    load_site((EXAMPLES / "coldstore.yaml").read_text("utf-8"), "coldstore.yaml"),
    tags=["CS-1", "CS-2"],
    together=[["CS-1", "CS-2"]],
    made=datetime(2026, 1, 1, tzinfo=UTC),
    today=date(2026, 1, 1),
)
"""Two detectors in one bout, then the trial of their vote group, with two rounds and one with a faulty member."""


def started(plan):
    return RunStarted(
        t_s=0.0, wall="2026-01-01T00:00:00.000Z", run_id="r1", plan=plan, link="bench:", operator="MK", software="test"
    )


def signals(plan):
    """What a link may show of the detectors under test, and of one inhibit."""
    tags = [one.tag for one in plan.detectors]
    points = [f"{tag}.{name}" for tag in tags for name in ("low", "high", "fault")]
    return (*points, *(f"{step.effect}.inhibited" for step in plan.steps if step.kind == "inhibit"))


waits = st.sampled_from((0.0, 1.0, 1.0, 10.0, 100.0, 1000.0))
answers = st.sampled_from(("done",) * 12 + ("skipped", "skipped", "aborted"))


def happenings_of(plan):
    return st.one_of(
        st.tuples(st.just("answer"), answers),
        st.tuples(st.just("answer"), st.just("done")),
        st.tuples(st.just("tick"), waits),
        st.tuples(st.just("reading"), st.sampled_from((600.0, 600.0, 16_000.0, 25_000.0))),
        st.tuples(st.just("status"), st.tuples(st.sampled_from(signals(plan)), st.booleans())),
        st.tuples(st.just("help"), st.none()),
        st.tuples(st.just("go on"), st.integers(1, 40)),
        st.tuples(st.just("stray answer"), st.sampled_from(plan.steps)),
        st.tuples(st.just("cut off"), st.none()),
        st.tuples(st.just("end the wait"), st.sampled_from(("this one", *(step.id for step in plan.steps)))),
    )


happenings = {"one by one": happenings_of(ONE_BY_ONE), "at once": happenings_of(AT_ONCE)}
PLANS = {"one by one": ONE_BY_ONE, "at once": AT_ONCE}
stops = st.tuples(st.just("stop"), st.sampled_from(("stopped", "aborted")))


class Told:
    """The run told again from its events alone, by rules written a second time and in another way."""

    def __init__(self, plan) -> None:
        self.plan = plan
        self.told: set[str] = set()
        self.inhibited: set[str] = set()
        self.gas: dict[str, str | None] = {}
        self.bout: str | None = None
        self.leaving = False
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
            case StepMoved(state="started"):
                step = find_step(begin(started(self.plan)), event.step)
                self.bout = step.bout
                if self.gas and (self.stopping or self.leaving):
                    assert step.kind == "gas-off", "all gas is shut before anything else"
                self.leaving = self.leaving and bool(self.gas)
            case GasTurned(on=True):
                assert {step.role for step in self.plan.steps if step.kind == "warn"} <= self.told, "gas before warning"
                assert {step.effect for step in self.plan.steps if step.kind == "inhibit"} <= self.inhibited, (
                    "gas too early"
                )
                assert all(bout is not None and bout == self.bout for bout in self.gas.values()), "only within a bout"
                assert not self.stopping, "gas after somebody wanted to stop"
                self.gas[event.tag] = self.bout
            case GasTurned(on=False):
                self.gas.pop(event.tag, None)
            case StopAsked():
                self.stopping = True
            case RunResumed():
                self.stopping = self.ended = False
                self.leaving = True
            case RunStopped():
                self.ended = True
                assert self.inhibited <= set(event.standing_inhibits), "an inhibit that stands is named at the end"
                said = [tag for tag in self.gas if f"the bottle at {tag} may still be open" in event.reason]
                assert said == list(self.gas), "gas that may still flow is told at the end"
                if event.outcome == "complete":
                    assert not self.inhibited
                    assert not event.standing_inhibits
                    assert not self.gas


def shown(standing, t_s, wall):
    """The link shows what this step waits for."""
    point = "fault" if standing.kind in ("fault", "mend") else standing.point
    on = standing.kind in ("await-set", "fault")
    return StatusSeen(t_s=t_s, wall=wall, signal=f"{standing.tag}.{point}", on=on, after_t_s=None)


def play(script, plan=ONE_BY_ONE):
    """Play a script on the machine; gives the states and events on the way."""
    state, t_s = begin(started(plan)), 0.0
    folded = state
    events, asked, told = [started(plan)], [], Told(plan)

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
                for _ in range(25):
                    t_s += 1.0
                    for tag in state.under_test or ("CO2-A",):
                        take(step(state, ReadingTaken(t_s=t_s, wall=wall, tag=tag, value_ppm=value, source_t_s=t_s)))
            case "status":
                take(step(state, StatusSeen(t_s=t_s, wall=wall, signal=value[0], on=value[1], after_t_s=None)))
            case "help" if now is not None and now.step.tag is not None:
                take(step(state, shown(now.step, t_s, wall)))
            case "go on":
                for _ in range(value):
                    if state.now is None or state.ended is not None:
                        break
                    t_s += 40.0
                    if state.now.step.tag is not None:
                        take(step(state, shown(state.now.step, t_s, wall)))
                    if state.now is not None:
                        take(step(state, Answered(t_s, state.now.step.id, Answer("done", "MK"))))
                    take(step(state, Tick(t_s)))
            case "end the wait":
                named = now.step.id if now is not None and value == "this one" else value
                before, shortened = state, now is not None and now.step.id == named
                take(step(state, WaitEnded(t_s, named, "MK", "seen enough")))
                if not shortened or now.step.kind != "await-plateau" or t_s - now.since_t_s < now.step.at_least_s:
                    assert state == before, "only the wait for a settled reading is cut short, and not before its time"
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


@pytest.mark.parametrize("way", PLANS)
def test_no_happenings_bring_gas_too_early_or_hide_an_inhibit(way):
    @settings(max_examples=120, deadline=None)
    @given(st.lists(happenings[way], max_size=120), st.one_of(st.none(), stops), st.lists(happenings[way], max_size=30))
    @example([("answer", "done"), ("answer", "done"), ("go on", 6)], ("stop", "stopped"), [("answer", "skipped")])
    def any_run(before, stop, after):
        play([*before, *([stop] if stop else []), *after], PLANS[way])

    any_run()


HELPFUL = [("answer", "done"), ("help", None), ("reading", 600.0), ("tick", 1.0)]


@pytest.mark.parametrize("way", PLANS)
def test_from_anywhere_willing_hands_bring_a_run_to_its_end(way):
    @settings(max_examples=50, deadline=None)
    @given(st.lists(st.one_of(happenings[way].filter(lambda one: one != ("answer", "aborted")), stops), max_size=60))
    def any_run(before):
        script = [one for one in before if one[1] != "aborted"]
        lifted = [("status", (signal, False)) for signal in signals(PLANS[way]) if signal.endswith(".inhibited")]
        clear = [*lifted, *[("help", None), ("tick", 1000.0), ("answer", "done")] * 170]
        state, events, _ = play([*script, *clear], PLANS[way])
        if state.ended is None:  # only a panel that says an inhibit is not in force may keep a run waiting
            assert state.now is not None
            assert state.now.step.kind == "inhibit"
        else:
            assert isinstance(events[-1], RunStopped)

    any_run()


def test_willing_hands_go_through_every_step():
    state, events, asked = play(HELPFUL * 120)
    assert state.ended is not None
    assert state.ended.outcome == "complete"
    gone = {event.step for event in events if isinstance(event, StepMoved)}
    assert gone == {one.id for one in ONE_BY_ONE.steps}
    assert asked[:4] == ["visit/caution", "visit/warn/keeper", "visit/inhibit/FAN", "CO2-A/gas-on"]


def test_after_an_abort_the_gas_comes_first_then_signals_then_inhibits():
    state, _, _ = play(HELPFUL * 3)
    while not state.gas:
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


def at_once(kind):
    """A run of the bout, brought to the first step of this kind at which both caps are on."""
    state, _, _ = play([("go on", 1)], AT_ONCE)
    while not (state.now.step.kind == kind and len(state.gas) == 2):
        t_s = state.t_s + 30.0
        if state.now.step.tag is not None:
            state, _ = step(state, shown(state.now.step, t_s, state.wall(t_s)))
        state, _ = step(state, Answered(t_s, state.now.step.id, Answer("done", "MK")))
        state, _ = step(state, Tick(t_s))
    return state


def test_several_caps_are_on_in_a_bout_and_both_detectors_are_under_test():
    state = at_once("await-plateau")
    assert set(state.gas) == {"CS-1", "CS-2"}
    assert state.under_test == ("CS-1", "CS-2")
    assert state.plan.steps[state.index].bout == "CS-1+CS-2"


@pytest.mark.parametrize("outcome", ["stopped", "aborted"])
def test_all_gas_is_shut_before_anything_else(outcome):
    state = at_once("await-plateau")
    state, _ = step(state, StopWanted(state.t_s, outcome, "MK", "leak"))
    order = []
    while state.ended is None:
        order.append((state.now.step.kind, state.now.step.tag))
        state, _ = step(state, Answered(state.t_s + 1.0, state.now.step.id, Answer("done", "MK")))
        state, _ = step(state, Tick(state.t_s))
    assert order[:2] == [("gas-off", "CS-1"), ("gas-off", "CS-2")]
    assert {kind for kind, _ in order[2:]} <= {"lift", "all-clear"}


def test_a_run_that_is_ended_twice_names_every_bottle_that_may_be_open():
    state = at_once("await-plateau")
    for _ in range(2):
        state, _ = step(state, StopWanted(state.t_s, "stopped", "MK"))
    assert "the bottle at CS-1 may still be open" in state.ended.reason
    assert "the bottle at CS-2 may still be open" in state.ended.reason


def test_a_bout_that_was_cut_off_shuts_all_gas_airs_all_and_begins_again():
    state = at_once("await-plateau")
    t_s = state.t_s
    state = apply(state, RunResumed(t_s=t_s, wall=state.wall(t_s), gap_s=0.0, operator="MK"))
    assert all(bottle.unsure for bottle in state.gas.values())
    assert state.plan.steps[state.index].id == "CS-1/zero"
    order = []
    state, _ = step(state, Tick(t_s))
    while state.now.step.id != "CS-1/zero":
        order.append(state.now.step.id)
        t_s += 30.0
        for signal in ("low", "high"):
            state = apply(state, StatusSeen(t_s=t_s, wall="", signal=f"CS-1.{signal}", on=False, after_t_s=None))
        state, _ = step(state, Answered(t_s, state.now.step.id, Answer("done", "MK")))
        state, _ = step(state, Tick(t_s))
    assert order == ["CS-1/gas-off", "CS-2/gas-off", "CS-1/air-out", "CS-2/air-out", "CS-2/clear-down"]


def test_a_wait_is_satisfied_by_what_has_happened_already():
    """The second detector alarmed while the first was waited for: its own wait ends at once."""
    state = at_once("await-set")
    assert state.now.step.id == "CS-2/await-set/low"
    t_s = state.t_s + 5.0
    for signal in ("high", "low"):
        state, _ = step(state, StatusSeen(t_s=t_s, wall="", signal=f"CS-2.{signal}", on=True, after_t_s=t_s - 1))
    state, _ = step(state, Tick(t_s))
    assert state.outcomes["CS-2/await-set/low"] == state.outcomes["CS-2/await-set/high"] == "done"


def test_reset_pressed_for_one_of_a_bout_is_not_asked_for_again():
    latching = AT_ONCE.site.model_copy(
        update={
            "detectors": tuple(
                one.model_copy(update={"alarms": tuple(p.model_copy(update={"latching": True}) for p in one.alarms)})
                for one in AT_ONCE.site.detectors
            )
        }
    )
    plan = build_plan(
        latching,
        tags=["CS-1", "CS-2"],
        together=[["CS-1", "CS-2"]],
        votes="none",
        made=datetime(2026, 1, 1, tzinfo=UTC),
        today=date(2026, 1, 1),
    )
    resets = [one.id for one in plan.steps if one.kind == "reset" and not one.optional]
    assert resets == ["CS-1/reset", "CS-2/reset"]
    state = begin(started(plan))
    t_s = 0.0
    for _ in range(60):
        state, _ = step(state, Tick(t_s))
        if state.now is None or "CS-2/reset" in state.outcomes:
            break
        t_s += 30.0
        names = [f"{tag}.{name}" for tag in ("CS-1", "CS-2") for name in ("low", "high")]
        on = state.now.step.kind == "await-set"
        for signal in names if state.now.step.kind in ("await-set", "reset") else ():
            state, _ = step(state, StatusSeen(t_s=t_s, wall="", signal=signal, on=on, after_t_s=None))
        state, _ = step(state, Answered(t_s, state.now.step.id, Answer("done", "MK")))
        t_s += 600.0 if state.now is not None and state.now.step.kind in ("await-plateau", "recover") else 0.0
    assert (state.outcomes["CS-1/reset"], state.outcomes["CS-2/reset"]) == ("done", "skipped")
