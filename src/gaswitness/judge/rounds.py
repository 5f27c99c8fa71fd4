"""One round of a group trial as the evidence has it: who came when, who was faulty, and when enough of them stood."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from gaswitness.alarms.voting import Change, vote
from gaswitness.evidence.series import Edge, Series
from gaswitness.evidence.timeline import Instant
from gaswitness.plan.records import Bout
from gaswitness.sentence import listed
from gaswitness.site.records import VoteGroup

SLACK_S = 3.0
"""Poll, scan and reaction blur an edge by no more than this."""


@dataclass(frozen=True)
class Round:
    """One round of a group trial as it was gone through."""

    series: Series
    group: VoteGroup
    bout: Bout

    @cached_property
    def span(self) -> tuple[float, float] | None:
        """From its first step to the end of its last one, the last time it was gone through; none where it was not."""
        spans = [span for span in self.series.steps if span.step.bout == self.bout.bout]
        first = next((step.id for step in self.series.plan.steps if step.bout == self.bout.bout), "")
        begun = [place for place, span in enumerate(spans) if span.step.id == first and span.state != "skipped"]
        if not begun:
            return None
        last = spans[begun[-1] :]
        return last[0].from_s, max(s.until_s if s.until_s is not None else self.series.end_s for s in last)

    @property
    def finished(self) -> bool:
        """Its last step was gone through, and the record goes on after it."""
        last = [step.id for step in self.series.plan.steps if step.bout == self.bout.bout][-1:]
        ended = [s for s in self.series.steps if s.step.id in last and s.state in ("done", "timed-out", "skipped")]
        return bool(ended) and self.series.end_s >= self.until_s

    @property
    def from_s(self) -> float:
        """When it began; infinite where it did not."""
        return self.span[0] if self.span else math.inf

    @property
    def until_s(self) -> float:
        """When it ended."""
        return self.span[1] if self.span else -math.inf

    @property
    def gas_off_s(self) -> float:
        """When the first gas of the round was shut, or the round ended."""
        offs = [t.gas_off.t_s for t in self.series.trials if t.gas_off and self._within(t.gas_on.t_s)]
        return min(offs, default=self.until_s)

    def _within(self, t_s: float) -> bool:
        return self.from_s - 1.0 <= t_s <= self.until_s

    @cached_property
    def edges(self) -> tuple[Edge, ...]:
        """Edges of the members' points and faults in this round, each by one observer, in order."""
        signals = dict.fromkeys([*self.group.members, *(f"{tag_of(name)}.fault" for name in self.group.members)])
        found: list[Edge] = []
        for signal in signals:
            seen = [e for e in self.series.edges.get(signal, ()) if self._within(e.latest_s)]
            panel = [e for e in seen if e.seen_by == "panel"]
            found += panel if self.series.polled(signal) else seen
        return tuple(sorted(found, key=lambda edge: edge.at.t_s))

    @cached_property
    def changes(self) -> tuple[tuple[Change, Instant], ...]:
        """Members that set, cleared, or became faulty, with the instant of each."""
        states = dict.fromkeys(self.group.members, False)
        faulty: dict[str, bool] = {}
        made: list[tuple[Change, Instant]] = []
        for edge in self._told():
            tag, _, what = edge[0].partition(".")
            if what == "fault":
                faulty[tag] = edge[1]
            else:
                states[edge[0]] = edge[1]
            touched = [edge[0]] if what != "fault" else [m for m in self.group.members if tag_of(m) == tag]
            for member in touched:
                state = None if faulty.get(tag_of(member)) else states[member]
                made.append((Change(edge[2].t_s, member, state), edge[2]))
        return tuple(made)

    def _told(self) -> Iterator[tuple[str, bool, Instant]]:
        """Signal, on, and when; a fault that no link shows is taken from whoever opened the signal."""
        told = [(edge.signal, edge.on, edge.at) for edge in self.edges]
        tags = {tag_of(member) for member in self.group.members}
        for press in self.series.presses:
            signal = f"{press.tag}.fault"
            made = press.action in ("fault-made", "fault-undone") and press.tag in tags and self._within(press.t_s)
            if made and not self.series.polled(signal):
                told.append((signal, press.action == "fault-made", Instant(press.t_s, press.u_s)))
        yield from sorted(told, key=lambda one: one[2].t_s)

    def states_at(self, t_s: float) -> dict[str, bool | None]:
        """How each member stood at a moment of this round; none is faulty."""
        states: dict[str, bool | None] = dict.fromkeys(self.group.members, False)
        for change, _ in self.changes:
            if change.t_s <= t_s:
                states[change.member] = change.state
        return states

    @cached_property
    def stood(self) -> Instant | None:
        """When enough members stood for the first time in this round."""
        states: dict[str, bool | None] = dict.fromkeys(self.group.members, False)
        for change, at in self.changes:
            states[change.member] = change.state
            if vote(states, self.group.need, self.group.faulty).on:
                return at
        return None

    @cached_property
    def first_up(self) -> str:
        """Which members came, in order; those whose order cannot be known, being within their uncertainty, together."""
        came: list[tuple[Instant, list[str]]] = []
        for change, at in self.changes:
            if change.state is not True or any(change.member in members for _, members in came):
                continue
            if came and at.t_s - came[-1][0].t_s <= 2.0 * math.hypot(at.u_s, came[-1][0].u_s):
                came[-1][1].append(change.member)
            else:
                came.append((at, [change.member]))
        return listed([listed(members, " and ") for _, members in came])

    @cached_property
    def standing_before(self) -> tuple[str, ...]:
        """Members that stood in alarm before the round began."""
        return tuple(name for name in self.group.members if self.series.on_at(name, self.from_s))

    @cached_property
    def silent(self) -> tuple[str, ...]:
        """Detectors of the round that had gas, and none of whose members came."""
        came = {tag_of(c.member) for c, _ in self.changes if c.state is True}
        return tuple(tag for tag in self.bout.tags if tag not in came and self._gassed(tag))

    def _gassed(self, tag: str) -> bool:
        return any(t.tag == tag and self._within(t.gas_on.t_s) for t in self.series.trials)

    @cached_property
    def answered_instead(self) -> tuple[str, ...]:
        """Members that came although no gas of the round was on their detector, or before it was."""
        strange: list[str] = []
        for change, at in self.changes:
            ons = [t.gas_on.t_s for t in self.series.trials_of(tag_of(change.member)) if self._within(t.gas_on.t_s)]
            if change.state is True and at.t_s < min(ons, default=math.inf) - SLACK_S:
                strange.append(change.member)
        return tuple(dict.fromkeys(strange))


def tag_of(member: str) -> str:
    """Detector of a member.

    >>> tag_of("CS-1.high")
    'CS-1'
    """
    return member.partition(".")[0]
