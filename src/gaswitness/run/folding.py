"""The fold of a run's events into its state, one event at a time; pure.

`fold(events)` gives the same state as the run had when it wrote them. That is the whole of crash recovery: read the
ledger, fold it, go on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from gaswitness.plan.records import Step
from gaswitness.run.events import (
    Event,
    GasTurned,
    InhibitHandedOver,
    InhibitMoved,
    LinkChanged,
    MarkMade,
    Pressed,
    ReadingTaken,
    RoleTold,
    RunResumed,
    RunStarted,
    RunStopped,
    StatusSeen,
    StepMoved,
    StopAsked,
)
from gaswitness.run.state import OpenGas, RunState, Standing, StepNow, bout_span
from gaswitness.run.steady import WINDOW_S, Sample, middle
from gaswitness.run.unlisted import find_step

USABLE = ("good", "over", "under", "by-hand")
"""Qualities of a reading that a step may be ended by."""


def begin(event: RunStarted) -> RunState:
    """The state after the first event."""
    start = datetime.fromisoformat(event.wall) - timedelta(seconds=event.t_s)
    return RunState(run_id=event.run_id, plan=event.plan, started_wall=start, t_s=event.t_s)


def fold(events: Iterable[Event]) -> RunState:
    """The state that these events lead to; the first must be `run-started`."""
    rest = iter(events)
    first = next(rest)
    if not isinstance(first, RunStarted):
        raise TypeError(f"a run begins with run-started, found {first.kind}")
    state = begin(first)
    for event in rest:
        state = apply(state, event)
    return state


def apply(state: RunState, event: Event) -> RunState:
    """The state after one more event."""
    t_s = max(state.t_s, event.t_s)
    match event:
        case ReadingTaken():
            return _reading(state, event, t_s)
        case StatusSeen():
            return replace(state, t_s=t_s, signals={**state.signals, event.signal: event.on})
        case MarkMade():
            return replace(state, t_s=t_s, marks={**state.marks, event.signal: event.on})
        case StepMoved():
            return _step(state, event, t_s)
        case GasTurned():
            return _gas(state, event, t_s)
        case Pressed():
            return _pressed(state, event, t_s)
        case InhibitMoved():
            return _inhibit(state, event, t_s)
        case InhibitHandedOver():
            return replace(state, t_s=t_s, handed_over={**state.handed_over, event.effect: event.to})
        case RoleTold():
            return replace(state, t_s=t_s, told={**state.told, event.role: event.what}, now=_acted(state, event.t_s))
        case LinkChanged():
            down = {url: reason for url, reason in state.links_down.items() if url != event.url}
            return replace(state, t_s=t_s, links_down=down if event.up else {**down, event.url: event.reason})
        case StopAsked():
            return replace(state, t_s=t_s, stop=event)
        case RunStopped():
            return replace(state, t_s=t_s, ended=event, now=None)
        case RunResumed():
            return _resumed(state, t_s)
        case _:
            return replace(state, t_s=t_s)


def _acted(state: RunState, t_s: float) -> StepNow | None:
    return replace(state.now, acted_s=t_s) if state.now is not None else None


def _reading(state: RunState, event: ReadingTaken, t_s: float) -> RunState:
    last = {**state.last, event.tag: event}
    if event.value_ppm is None or event.quality not in USABLE or event.tag not in state.under_test:
        return replace(state, t_s=t_s, last=last)
    oldest_s = event.t_s - WINDOW_S
    kept = tuple(sample for sample in state.windows.get(event.tag, ()) if sample[0] >= oldest_s)
    windows = {**state.windows, event.tag: (*kept, (event.t_s, event.value_ppm))}
    return replace(state, t_s=t_s, last=last, windows=windows)


def _step(state: RunState, event: StepMoved, t_s: float) -> RunState:
    outcomes = {**state.outcomes, event.step: event.state}
    planned = state.index < len(state.plan.steps) and state.plan.steps[state.index].id == event.step
    if event.state == "started":
        step = find_step(state, event.step)
        begun = replace(state, t_s=t_s, outcomes=outcomes, now=StepNow(step, event.t_s))
        return replace(begun, windows=_kept_windows(state, begun, step))
    if event.state == "aborted":
        state = _in_doubt(state)
    short = state.fell_short
    if planned and event.state in ("done", "timed-out") and not state.plan.steps[state.index].optional:
        short = _found(state, short)
    declined = state.declined
    if state.stop is not None and event.state == "skipped":
        declined = (*declined, event.step)
    again, gassed = state.again, state.gassed
    tag, _, what = event.step.rpartition("/")
    if again.get(tag) == what and event.state != "aborted":
        gassed = {other: times for other, times in gassed.items() if other != tag}
        again = _aired(state, tag)
    ahead = planned and event.state in ("done", "timed-out", "skipped")
    return replace(
        state,
        t_s=t_s,
        outcomes=outcomes,
        now=None,
        fell_short=short,
        declined=declined,
        again=again,
        gassed=gassed,
        index=state.index + 1 if ahead else state.index,
    )


def _kept_windows(before: RunState, begun: RunState, step: Step) -> Mapping[str, tuple[Sample, ...]]:
    """A look at a reading begins anew with each new test, and where the air before the sensor changes."""
    if before.now is not None:
        return {}
    fresh = (step.tag,) if step.kind in ("zero", "gas-on", "gas-off") else ()
    going_on = set(before.under_test) & set(begun.under_test)
    return {tag: window for tag, window in before.windows.items() if tag in going_on and tag not in fresh}


def _aired(state: RunState, tag: str) -> Mapping[str, Literal["air-out", "clear-down"]]:
    """What is left to be done before the test begins again, once this detector was aired or reset."""
    names = [point.name for point in state.plan.site.detector(tag).alarms]
    left = {other: stage for other, stage in state.again.items() if other != tag}
    if state.again[tag] == "air-out" and any(state.shows(f"{tag}.{name}") for name in names):
        return {tag: "clear-down", **left}
    return left


def _in_doubt(state: RunState) -> RunState:
    """Somebody may have done what the step that stands asked for, and nobody recorded it: taken as done."""
    now = state.now
    if now is None or now.step.tag is None:
        return state
    tag = now.step.tag
    if now.step.kind == "gas-on" and tag not in state.gas:
        gas = OpenGas(tag, now.step.cylinder or "", now.since_t_s, unsure=True)
        return replace(state, gas={**state.gas, tag: gas}, gassed={**state.gassed, tag: (now.since_t_s, None)})
    if now.step.kind == "fault" and tag not in state.opened:
        return replace(state, opened=(*state.opened, tag))
    return state


def _found(state: RunState, short: Mapping[str, tuple[str, ...]]) -> Mapping[str, tuple[str, ...]]:
    """Hold the reading at the end of a zero or plateau step against its limits."""
    step = state.plan.steps[state.index]
    kind = {"zero": "zero", "await-plateau": "span"}.get(step.kind)
    value_ppm = middle(state.windows.get(step.tag or "", ()))
    if kind is None or step.tag is None or value_ppm is None:
        return short
    for criterion in state.plan.criteria:
        if criterion.tag == step.tag and criterion.kind == kind:
            low, high = criterion.lower, criterion.upper
            inside = (low is None or value_ppm >= low) and (high is None or value_ppm <= high)
            others = tuple(name for name in short.get(step.tag, ()) if name != kind)
            return {**short, step.tag: others if inside else (*others, kind)}
    return short


def _gas(state: RunState, event: GasTurned, t_s: float) -> RunState:
    windows = {tag: window for tag, window in state.windows.items() if tag != event.tag}
    gas = {tag: bottle for tag, bottle in state.gas.items() if tag != event.tag}
    gassed = dict(state.gassed)
    if event.on:
        gas[event.tag] = OpenGas(event.tag, event.cylinder, event.t_s)
        gassed[event.tag] = (event.t_s, None)
    elif event.tag in gassed:
        gassed[event.tag] = (gassed[event.tag][0], event.t_s)
    return replace(state, t_s=t_s, gas=gas, gassed=gassed, windows=windows, now=_acted(state, event.t_s))


def _pressed(state: RunState, event: Pressed, t_s: float) -> RunState:
    opened = state.opened
    if event.tag is not None and event.action in ("fault-made", "fault-undone"):
        opened = tuple(tag for tag in opened if tag != event.tag)
        opened = (*opened, event.tag) if event.action == "fault-made" else opened
    return replace(state, t_s=t_s, opened=opened, now=_acted(state, event.t_s))


def _inhibit(state: RunState, event: InhibitMoved, t_s: float) -> RunState:
    before = state.inhibits.get(event.effect)
    if event.state == "placed" or before is None:
        entry = Standing(event.effect, event.state, event.by, event.t_s, event.until_t_s, event.reason)
    else:
        entry = replace(before, state=event.state, by=event.by)
    return replace(
        state,
        t_s=t_s,
        inhibits={**state.inhibits, event.effect: entry},
        handed_over={effect: to for effect, to in state.handed_over.items() if effect != event.effect},
        now=_acted(state, event.t_s),
    )


def _resumed(state: RunState, t_s: float) -> RunState:
    """A test that was cut off, or the bout it belongs to, begins again; gas that was on is in doubt."""
    state = _in_doubt(state)
    index, tags = _start_again(state)
    undone = {step.id for step in state.plan.steps[index : state.index + 1]} if tags else set()
    return replace(
        state,
        t_s=t_s,
        index=index,
        now=None,
        outcomes={step: outcome for step, outcome in state.outcomes.items() if step not in undone},
        gas={tag: replace(bottle, unsure=True) for tag, bottle in state.gas.items()},
        again={**state.again, **{tag: "air-out" for tag in tags if tag in state.gassed}},
        windows={},
        marks={},
        stop=None,
        declined=(),
        ended=None,
        restarts=state.restarts + 1,
    )


def _start_again(state: RunState) -> tuple[int, tuple[str, ...]]:
    """Where the test begins that the next step belongs to, and the detectors that it has put under gas so far."""
    steps, index = state.plan.steps, state.index
    upcoming = steps[index] if index < len(steps) else None
    if upcoming is None or upcoming.tag is None:
        return index, ()
    if upcoming.bout is None:
        while index > 0 and steps[index - 1].tag == upcoming.tag and steps[index - 1].bout is None:
            index -= 1
        return index, (upcoming.tag,)
    first, _ = bout_span(state.plan, index, upcoming.bout)
    gone = [step for step in steps[first : index + 1] if step.kind == "gas-on" and step.id in state.outcomes]
    return first, tuple(dict.fromkeys(step.tag for step in gone if step.tag is not None)) or (upcoming.tag,)
