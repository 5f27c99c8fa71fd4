"""A ledger, laid out on one time axis for whoever judges, draws or signs it. Nothing is decided here.

`t_s` is seconds on the run's clock throughout. Panel edges carry the bracket of the two polls around them, witness
edges the reaction and the clock of whoever pressed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from gaswitness.evidence.ledger import Ledger
from gaswitness.evidence.timeline import Instant, between, pressed
from gaswitness.evidence.trials import Span, StepSpan, Trial, steps_from, trials_from
from gaswitness.plan.records import Plan, Step
from gaswitness.run.events import (
    AirMeasured,
    CylinderRead,
    Event,
    GasTurned,
    InhibitHandedOver,
    InhibitMoved,
    LinkChanged,
    MarkMade,
    NoteTaken,
    Pressed,
    ReadingTaken,
    RoleTold,
    RunResumed,
    RunStopped,
    SoundMeasured,
    StatusSeen,
    StepMoved,
)
from gaswitness.sentence import said

Floats = NDArray[np.float64]
E = TypeVar("E")

NO_EDGE = frozenset({"other", "present", "withdrawn"})
"""Marks that tell of no signal: something nobody expected, a witness taking up or leaving a post, a mark taken back."""
LIVE = frozenset({"good", "by-hand"})
"""Qualities of a reading that can be taken as it stands; `over` says only that the truth is not lower."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one detector, all of shape (n,), in order of source time; NaN where there was no value."""

    tag: str
    t_s: Floats
    arrived_t_s: Floats
    value_ppm: Floats
    good: NDArray[np.bool_]
    quality: tuple[str, ...]

    def between(self, from_s: float, until_s: float) -> Trace:
        """The part with from_s <= t_s < until_s."""
        low, high = np.searchsorted(self.t_s, [from_s, until_s], side="left")
        cut = slice(int(low), int(high))
        return Trace(
            self.tag, self.t_s[cut], self.arrived_t_s[cut], self.value_ppm[cut], self.good[cut], self.quality[cut]
        )

    def only(self, keep: NDArray[np.bool_]) -> Trace:
        """The readings chosen by a mask of shape (n,)."""
        quality = tuple(word for word, kept in zip(self.quality, keep, strict=True) if kept)
        return Trace(self.tag, self.t_s[keep], self.arrived_t_s[keep], self.value_ppm[keep], self.good[keep], quality)


@dataclass(frozen=True, slots=True)
class Edge:
    """A signal that went on or off, as somebody or something saw it."""

    signal: str
    on: bool
    at: Instant
    earliest_s: float
    latest_s: float
    seen_by: Literal["panel", "witness"]
    witness: str = ""
    post: str = ""
    pattern: str | None = None
    mark_id: str = ""


@dataclass(frozen=True, slots=True)
class Series:
    """Everything a ledger holds, on one time axis."""

    ledger_sha256: str
    run_id: str
    plan: Plan
    operator: str
    link: str
    simulated: bool
    speed: float
    software: str
    started_wall: str
    end_s: float
    stopped: RunStopped | None
    gaps: tuple[Span, ...]
    """Times for which nothing at all was recorded, because the run itself had been cut off."""
    outages: tuple[Span, ...]
    """Times for which a link was down."""
    torn_bytes: int
    traces: Mapping[str, Trace]
    edges: Mapping[str, tuple[Edge, ...]]
    initial: Mapping[str, bool]
    """State of each status signal on its first poll."""
    steps: tuple[StepSpan, ...]
    trials: tuple[Trial, ...]
    presses: tuple[Pressed, ...]
    inhibits: tuple[InhibitMoved, ...]
    handed_over: tuple[InhibitHandedOver, ...]
    told: tuple[RoleTold, ...]
    marks: tuple[MarkMade, ...]
    """All of them, those that were corrected later too."""
    corrected: frozenset[str]
    """Identities of marks that another mark took the place of."""
    airs: tuple[AirMeasured, ...]
    notes: tuple[NoteTaken, ...]
    sounds: tuple[SoundMeasured, ...] = ()
    bottles: tuple[CylinderRead, ...] = ()
    late: tuple[Event, ...] = ()
    """What came in after the run had ended and counts; it stands in the rest too."""
    after_end: tuple[Event, ...] = ()
    """What came in late and is of a moment after the end: not counted."""
    late_torn_bytes: int = 0

    @property
    def interrupted(self) -> bool:
        """The run was cut off at least once."""
        return bool(self.gaps) or self.torn_bytes > 0

    def trials_of(self, tag: str) -> tuple[Trial, ...]:
        """Trials of one detector in order, those of its vote groups too."""
        return tuple(trial for trial in self.trials if trial.tag == tag)

    def tests_of(self, tag: str) -> tuple[Trial, ...]:
        """Trials of one detector that were its own test, in order."""
        return tuple(trial for trial in self.trials if trial.tag == tag and trial.group is None)

    def edges_of(
        self, signal: str, on: bool, from_s: float, until_s: float, seen_by: str | None = None
    ) -> tuple[Edge, ...]:
        """Edges of one signal in one direction whose bracket ends within a time, by the panel, a witness, or both."""
        return tuple(
            edge
            for edge in self.edges.get(signal, ())
            if edge.on == on and from_s <= edge.latest_s <= until_s and seen_by in (None, edge.seen_by)
        )

    def polled(self, signal: str) -> bool:
        """Whether the link shows this signal at all."""
        return signal in self.initial

    def on_at(self, signal: str, t_s: float) -> bool | None:
        """What the panel showed of a signal at a moment; none where the link does not show it."""
        state = self.initial.get(signal)
        for edge in self.edges.get(signal, ()):
            if edge.seen_by == "panel" and edge.latest_s <= t_s:
                state = edge.on
        return state

    def stands_at(self, signal: str, t_s: float) -> bool:
        """Whether something was on at a moment: as the panel showed it, or where no link does, as people marked it."""
        shown = self.on_at(signal, t_s)
        if shown is not None:
            return shown
        marked = [edge.on for edge in self.edges.get(signal, ()) if edge.at.t_s <= t_s]
        return bool(marked) and marked[-1]

    def under_test(self, t_s: float) -> str | None:
        """Detector whose steps were being gone through at a moment; in the trial of a vote group, that group."""
        step = self.step_at(t_s)
        return None if step is None else step.group or step.tag

    def step_at(self, t_s: float) -> Step | None:
        """The last step of the plan that had begun by a moment."""
        step = None
        for span in self.steps:
            if span.from_s > t_s:
                break
            step = span.step
        return step

    def broken(self, from_s: float, until_s: float) -> tuple[Span, ...]:
        """Outages and gaps that fall into a time."""
        return tuple(span for span in (*self.outages, *self.gaps) if span.overlaps(from_s, until_s))


def series_of(ledger: Ledger) -> Series:
    """Lay a ledger out on its time axis."""
    started = ledger.started
    events = ledger.events
    end_s = max(event.t_s for event in events)
    gaps = tuple(Span(e.t_s - e.gap_s, e.t_s, said("run cut off")) for e in _of(RunResumed, events))
    marks = _of(MarkMade, events)
    corrected = frozenset(mark.corrects for mark in marks if mark.corrects)
    panel_edges, initial = _panel_edges(events)
    steps = steps_from(started.plan, _of(StepMoved, events))
    presses = _of(Pressed, events)
    return Series(
        ledger_sha256=ledger.sha256,
        run_id=started.run_id,
        plan=started.plan,
        operator=started.operator,
        link=started.link,
        simulated=started.simulated,
        speed=started.speed,
        software=started.software,
        started_wall=started.wall,
        end_s=end_s,
        stopped=ledger.stopped,
        gaps=gaps,
        outages=_outages(_of(LinkChanged, events), end_s),
        torn_bytes=ledger.torn_bytes + sum(e.torn_bytes for e in _of(RunResumed, events)),
        traces=MappingProxyType(_traces(_of(ReadingTaken, events))),
        edges=MappingProxyType(_in_order(panel_edges, _witness_edges(marks, corrected))),
        initial=MappingProxyType(initial),
        steps=steps,
        trials=trials_from(_of(GasTurned, events), steps, presses, end_s),
        presses=presses,
        inhibits=_of(InhibitMoved, events),
        handed_over=_of(InhibitHandedOver, events),
        told=_of(RoleTold, events),
        marks=marks,
        corrected=corrected,
        airs=_of(AirMeasured, events),
        notes=_of(NoteTaken, events),
        sounds=_of(SoundMeasured, events),
        bottles=_of(CylinderRead, events),
        late=ledger.late,
        after_end=ledger.after_end,
        late_torn_bytes=ledger.late_torn_bytes,
    )


def _of(kind: type[E], events: tuple[Event, ...]) -> tuple[E, ...]:
    return tuple(event for event in events if isinstance(event, kind))


def _traces(readings: tuple[ReadingTaken, ...]) -> dict[str, Trace]:
    by_tag: dict[str, list[ReadingTaken]] = defaultdict(list)
    for reading in readings:
        by_tag[reading.tag].append(reading)
    return {tag: _trace(tag, rows) for tag, rows in by_tag.items()}


def _trace(tag: str, rows: list[ReadingTaken]) -> Trace:
    t_s = np.array([row.source_t_s for row in rows], dtype=np.float64)
    if np.any(np.diff(t_s) < 0):
        rows = sorted(rows, key=lambda row: row.source_t_s)
        t_s = np.sort(t_s, kind="stable")
    value = np.array([np.nan if row.value_ppm is None else row.value_ppm for row in rows], dtype=np.float64)
    quality = tuple(row.quality for row in rows)
    good = np.array([word in LIVE for word in quality], dtype=np.bool_) & np.isfinite(value)
    arrived = np.array([row.t_s for row in rows], dtype=np.float64)
    return Trace(tag, t_s, arrived, value, good, quality)


def _panel_edges(events: tuple[Event, ...]) -> tuple[dict[str, list[Edge]], dict[str, bool]]:
    """Edges of polled signals. After a restart the first poll says no bracket: then it reaches back to the cut."""
    edges: dict[str, list[Edge]] = defaultdict(list)
    initial: dict[str, bool] = {}
    state: dict[str, bool] = {}
    cut_s = 0.0
    for event in events:
        if isinstance(event, RunResumed):
            cut_s = event.t_s - event.gap_s
        if not isinstance(event, StatusSeen):
            continue
        before = state.get(event.signal)
        state[event.signal] = event.on
        if before is None:
            initial[event.signal] = event.on
            if event.after_t_s is None:
                continue
            initial[event.signal] = not event.on
        if before == event.on:
            continue
        after_s = event.after_t_s if event.after_t_s is not None else cut_s
        edges[event.signal].append(
            Edge(event.signal, event.on, between(after_s, event.t_s), after_s, event.t_s, "panel")
        )
    return edges, initial


def _witness_edges(marks: tuple[MarkMade, ...], corrected: frozenset[str]) -> dict[str, list[Edge]]:
    edges: dict[str, list[Edge]] = defaultdict(list)
    for mark in marks:
        if mark.mark_id in corrected or mark.signal in NO_EDGE:
            continue
        at = pressed(mark.t_s, mark.u_s)
        edges[mark.signal].append(
            Edge(
                mark.signal,
                mark.on,
                at,
                at.t_s - 2 * at.u_s,
                mark.t_s,
                "witness",
                mark.witness,
                mark.post,
                mark.pattern,
                mark.mark_id,
            )
        )
    return edges


def _in_order(*piles: dict[str, list[Edge]]) -> dict[str, tuple[Edge, ...]]:
    merged: dict[str, list[Edge]] = defaultdict(list)
    for pile in piles:
        for signal, edges in pile.items():
            merged[signal] += edges
    return {signal: tuple(sorted(edges, key=lambda edge: edge.at.t_s)) for signal, edges in merged.items()}


def _outages(changes: tuple[LinkChanged, ...], end_s: float) -> tuple[Span, ...]:
    spans: list[Span] = []
    down: dict[str, LinkChanged] = {}
    for change in changes:
        if not change.up:
            down.setdefault(change.url, change)
        elif change.url in down:
            began = down.pop(change.url)
            spans.append(Span(began.t_s, change.t_s, began.why or said("{url} down", url=change.url)))
    spans += [Span(began.t_s, end_s, began.why or said("{url} down", url=url)) for url, began in down.items()]
    return tuple(sorted(spans, key=lambda span: span.from_s))
