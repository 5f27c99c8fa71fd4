"""Where a run stands: a frozen state that is nothing but the fold of the run's own events (`folding.py`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from gaswitness.plan.records import DetectorPlan, Plan, Step
from gaswitness.run.events import ReadingTaken, RunStopped, StopAsked
from gaswitness.run.steady import Sample

StepState = Literal["started", "done", "timed-out", "skipped", "aborted"]


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
