"""Where a run stands: a frozen state that is nothing but the fold of the run's own events.

`fold(events)` gives the same state as the run had when it wrote them. That is the whole of crash recovery: read the
ledger, fold it, go on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Literal

from gaswitness.plan.records import DetectorPlan, Plan, Step
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
from gaswitness.run.steady import WINDOW_S, Sample, middle
from gaswitness.sentence import said

StepState = Literal["started", "done", "timed-out", "skipped", "aborted"]

AIR_OUT_AT_MOST_S = 900.0
"""How long a detector is left in the room's air before its test begins again, back or not."""

USABLE = ("good", "over", "under", "by-hand")
"""Qualities of a reading that a step may be ended by."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One line of the inhibit register."""

    effect: str
    state: Literal["placed", "lifted", "proven"]
    by: str
    placed_t_s: float
    until_t_s: float | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class OpenGas:
    """A bottle that is open, or was when the run was cut off."""

    tag: str
    cylinder: str
    since_t_s: float
    unsure: bool = False
    """The run was cut off meanwhile, so nobody recorded whether it still flows."""


@dataclass(frozen=True, slots=True)
class StepNow:
    """The step that stands."""

    step: Step
    since_t_s: float
    acted_s: float | None = None
    """When the hands had done their part, on the run's clock; what is left is for the system to show."""

    @property
    def acted(self) -> bool:
        """The hands have done their part."""
        return self.acted_s is not None


@dataclass(frozen=True, slots=True)
class RunState:
    """Everything a run needs to know about itself."""

    run_id: str
    plan: Plan
    started_wall: datetime
    """Instant of zero on the run's clock."""
    t_s: float = 0.0
    index: int = 0
    """Place of the step that stands, or comes next, in the plan; `len(plan.steps)` once all were gone through."""
    now: StepNow | None = None
    outcomes: Mapping[str, StepState] = field(default_factory=dict)
    gas: Mapping[str, OpenGas] = field(default_factory=dict)
    """Bottles that are open, by the detector they are open at."""
    gassed: Mapping[str, tuple[float, float | None]] = field(default_factory=dict)
    """Per detector the instants of its last gas on and gas off."""
    inhibits: Mapping[str, Standing] = field(default_factory=dict)
    handed_over: Mapping[str, str] = field(default_factory=dict)
    """Effects whose inhibit stays, and who answers for it."""
    told: Mapping[str, Literal["begins", "over"]] = field(default_factory=dict)
    opened: tuple[str, ...] = ()
    """Detectors whose signal somebody interrupted and has not mended yet."""
    signals: Mapping[str, bool] = field(default_factory=dict)
    """Last known state by the link."""
    marks: Mapping[str, bool] = field(default_factory=dict)
    """Last state that a witness pressed, for signals that no link shows."""
    last: Mapping[str, ReadingTaken] = field(default_factory=dict)
    """Last reading of every detector."""
    windows: Mapping[str, tuple[Sample, ...]] = field(default_factory=dict)
    """Readings of each detector under test, as far back as a settled reading is asked for."""
    fell_short: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Per detector what was outside its limits as found, `zero` or `span`."""
    links_down: Mapping[str, str] = field(default_factory=dict)
    stop: StopAsked | None = None
    declined: tuple[str, ...] = ()
    """Steps that were offered after the stop was asked for, and not done."""
    ended: RunStopped | None = None
    again: Mapping[str, Literal["air-out", "clear-down"]] = field(default_factory=dict)
    """Detectors whose test was cut off after gas: aired, then their alarms reset, before the test begins again."""
    restarts: int = 0

    @property
    def step(self) -> Step | None:
        """The step that stands, or the plan's next one."""
        if self.now is not None:
            return self.now.step
        return self.plan.steps[self.index] if self.index < len(self.plan.steps) else None

    @property
    def under_test(self) -> tuple[str, ...]:
        """Detectors whose steps are being gone through, that of the step itself first: one, or all of a bout.

        A detector with an open bottle on it is under test whatever step stands.
        """
        step = self.step
        own = (step.tag,) if step is not None and step.tag is not None else ()
        return tuple(dict.fromkeys([*own, *(tags_of(self.plan, self.index, step) if step else ()), *self.gas]))

    def planned(self, tag: str) -> DetectorPlan | None:
        """What is expected of a detector in the test that goes on; none where the plan has nothing of it."""
        step = self.step
        if step is not None and step.group is not None:
            for group in self.plan.groups:
                for part in group.parts:
                    if group.tag == step.group and part.tag == tag:
                        return part
        return next((part for part in self.plan.detectors if part.tag == tag), None)

    @property
    def standing_inhibits(self) -> tuple[str, ...]:
        """Effects on the register that are inhibited now, by what was recorded or by what the panel shows."""
        return tuple(
            effect
            for effect, entry in self.inhibits.items()
            if entry.state == "placed" or self.signals.get(f"{effect}.inhibited") is True
        )

    def in_force(self, effect: str) -> bool:
        """Whether an effect is inhibited, and the panel, if it shows such a thing, agrees."""
        placed = effect in self.inhibits and self.inhibits[effect].state == "placed"
        return placed and self.signals.get(f"{effect}.inhibited") is not False

    def wall(self, t_s: float) -> str:
        """The instant in UTC of a time on the run's clock."""
        return wall_text(self.started_wall + timedelta(seconds=t_s))

    def shows(self, signal: str) -> bool | None:
        """Whether a signal is on, by the link if it knows, else by witnesses; none if nobody knows."""
        return self.signals.get(signal, self.marks.get(signal))


def wall_text(instant: datetime) -> str:
    """UTC, ISO 8601, to the millisecond.

    >>> from datetime import UTC
    >>> wall_text(datetime(2026, 1, 1, 9, 30, tzinfo=UTC))
    '2026-01-01T09:30:00.000Z'
    """
    return instant.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def tags_of(plan: Plan, index: int, step: Step) -> tuple[str, ...]:
    """Detectors of the bout that this step belongs to, in the order in which they come up; none outside a bout."""
    if step.bout is None:
        return ()
    first, last = bout_span(plan, index, step.bout)
    return tuple(dict.fromkeys(one.tag for one in plan.steps[first:last] if one.tag is not None))


def bout_span(plan: Plan, index: int, bout: str) -> tuple[int, int]:
    """Places of the first step of a bout and of the one after its last; `index` is in it, or next to it."""
    steps = plan.steps
    first = min(index, len(steps) - 1)
    while first > 0 and (steps[first].bout != bout or steps[first - 1].bout == bout):
        first -= 1
    last = first
    while last < len(steps) and steps[last].bout == bout:
        last += 1
    return first, last


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


def find_step(state: RunState, step_id: str) -> Step:
    """The step of this identity: the one that comes next if there are several, or one that the machine made up."""
    for step in (*state.plan.steps[state.index :], *state.plan.steps[: state.index]):
        if step.id == step_id:
            return step
    return made_up(step_id)


def made_up(step_id: str) -> Step:
    """A step that no plan lists, made when a run must be left safe: `TAG/gas-off`, `TAG/mend`, `EFFECT/lift`."""
    subject, _, what = step_id.rpartition("/")
    match what:
        case "gas-off":
            text = said("Shut the bottle at {subject} and take the cap away.", subject=subject)
            return Step(id=step_id, kind="gas-off", tag=subject, text=text, ends="confirm", at_most_s=0.0)
        case "air-out":
            text = said(
                "Leave {subject} in the room's air until its reading is back: its test begins again from the start.",
                subject=subject,
            )
            return Step(id=step_id, kind="recover", tag=subject, text=text, ends="settled", at_most_s=AIR_OUT_AT_MOST_S)
        case "clear-down":
            text = said("Press reset at the panel: what the test of {subject} left standing must go.", subject=subject)
            return Step(id=step_id, kind="reset", tag=subject, text=text, ends="confirm", at_most_s=AIR_OUT_AT_MOST_S)
        case "mend":
            text = said("Close the signal of {subject} again.", subject=subject)
            return Step(id=step_id, kind="mend", tag=subject, text=text, ends="confirm", at_most_s=0.0)
        case "lift":
            text = said("Lift the inhibit on {subject}.", subject=subject)
            return Step(id=step_id, kind="lift", effect=subject, text=text, ends="confirm", at_most_s=0.0)
        case "all-clear":
            text = said("Tell {subject} that the test is over.", subject=subject)
            return Step(id=step_id, kind="all-clear", role=subject, text=text, ends="confirm", at_most_s=0.0)
    raise KeyError(step_id)
