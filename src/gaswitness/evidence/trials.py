"""What was done, from the events: the steps as they were gone through, and each go of gas on a detector.

A trial is one go of gas with the time around it that belongs to it; what was adjusted, or begun anew, ends it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from gaswitness.evidence.timeline import Instant
from gaswitness.plan.records import Plan, Step
from gaswitness.run.events import GasTurned, Pressed, StepMoved

ASKED_SLACK_S = 1.0
"""Hands may say of an act that it was done a little before the step that asked for it was written down."""


@dataclass(frozen=True, slots=True)
class Span:
    """From one moment to another, and what it was."""

    from_s: float
    until_s: float
    what: str = ""

    def overlaps(self, from_s: float, until_s: float) -> bool:
        """Whether the two have any time in common."""
        return self.from_s < until_s and from_s < self.until_s


@dataclass(frozen=True, slots=True)
class StepSpan:
    """One go at a step of the plan; `until_s` is none while it was never ended."""

    step: Step
    from_s: float
    until_s: float | None
    state: Literal["started", "done", "timed-out", "skipped", "aborted"]
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """One go of gas on one detector, with the time before it and after it that belongs to it."""

    tag: str
    cylinder: str
    as_left: bool
    """After an adjustment on this visit."""
    from_s: float
    until_s: float
    zero: Span | None
    """When the reading in the room's own air was taken."""
    gas_on: Instant
    gas_off: Instant | None
    bout: str | None = None
    """Bout in which other detectors had gas beside it."""
    group: str | None = None
    """Vote group whose trial this was; none for a test of the detector itself."""


def steps_from(plan: Plan, moves: tuple[StepMoved, ...]) -> tuple[StepSpan, ...]:
    """Every go at a step, in the order in which they began."""
    by_id = {step.id: step for step in plan.steps}
    spans: list[StepSpan] = []
    open_at: dict[str, int] = {}
    for move in moves:
        step = by_id.get(move.step)
        if step is None:
            continue
        if move.state == "started":
            open_at[move.step] = len(spans)
            spans.append(StepSpan(step, move.t_s, None, "started"))
            continue
        at = open_at.pop(move.step, None)
        from_s = move.t_s if at is None else spans[at].from_s
        span = StepSpan(step, from_s, move.t_s, move.state, move.by, move.note)
        if at is None:
            spans.append(span)
        else:
            spans[at] = span
    return tuple(spans)


def trials_from(
    turns: tuple[GasTurned, ...], steps: tuple[StepSpan, ...], presses: tuple[Pressed, ...], end_s: float
) -> tuple[Trial, ...]:
    """Pair gas on with gas off, and give each pair the time around it that belongs to it."""
    trials: list[Trial] = []
    open_turns: dict[str, GasTurned] = {}
    pairs: list[tuple[GasTurned, GasTurned | None]] = []
    for turn in turns:
        if turn.on:
            if turn.tag not in open_turns:
                open_turns[turn.tag] = turn
        elif turn.tag in open_turns:
            pairs.append((open_turns.pop(turn.tag), turn))
    pairs += [(turn, None) for turn in open_turns.values()]
    pairs.sort(key=lambda pair: pair[0].t_s)

    for on, off in pairs:
        earlier = [trial for trial in trials if trial.tag == on.tag]
        floor_s = earlier[-1].gas_off.t_s if earlier and earlier[-1].gas_off else 0.0
        asked = _asked_for(on, steps)
        zero = _zero_before(on, steps, floor_s) if asked is None or asked.group is None else None
        trials.append(
            Trial(
                tag=on.tag,
                cylinder=on.cylinder,
                as_left=any(p.tag == on.tag and p.action.startswith("adjusted") and p.t_s <= on.t_s for p in presses),
                from_s=zero.from_s if zero else on.t_s,
                until_s=end_s,
                zero=zero,
                gas_on=Instant(on.t_s, on.u_s),
                gas_off=Instant(off.t_s, off.u_s) if off else None,
                bout=asked.bout if asked is not None else None,
                group=asked.group if asked is not None else None,
            )
        )
    return tuple(_closed(trial, trials, steps) for trial in trials)


def _asked_for(on: GasTurned, steps: tuple[StepSpan, ...]) -> Step | None:
    """The step that asked for this gas."""
    asked = [
        span.step
        for span in steps
        if (span.step.kind, span.step.tag) == ("gas-on", on.tag) and span.from_s <= on.t_s + ASKED_SLACK_S
    ]
    return asked[-1] if asked else None


def _zero_before(on: GasTurned, steps: tuple[StepSpan, ...], floor_s: float) -> Span | None:
    """The look at the room's air before this gas; the detectors of a bout were looked at together."""
    at = [
        place
        for place, span in enumerate(steps)
        if span.step.kind == "zero" and span.step.tag == on.tag and floor_s <= span.from_s < on.t_s
    ]
    if not at:
        return None
    first = last = at[-1]
    bout = steps[last].step.bout
    looked = {on.tag}
    while bout is not None and first > 0 and (steps[first - 1].step.kind, steps[first - 1].step.bout) == ("zero", bout):
        if steps[first - 1].step.tag in looked:
            break  # the bout had been cut off there, and began again
        first -= 1
        looked.add(steps[first].step.tag or "")
    until_s = steps[last].until_s
    return Span(steps[first].from_s, min(until_s if until_s is not None else on.t_s, on.t_s), steps[last].step.id)


def _closed(trial: Trial, trials: list[Trial], steps: tuple[StepSpan, ...]) -> Trial:
    """End a trial where an adjustment, the next trial of the same detector, or one of its vote group begins."""
    ends = [other.from_s for other in trials if other.tag == trial.tag and other.gas_on.t_s > trial.gas_on.t_s]
    ends += [
        span.from_s
        for span in steps
        if (span.step.kind, span.step.tag) == ("adjust", trial.tag)
        and span.state != "skipped"
        and span.from_s > trial.gas_on.t_s
    ]
    ends += [
        span.from_s
        for span in steps
        if span.step.tag == trial.tag and span.step.bout != trial.bout and span.step.group is not None
        if span.from_s > trial.gas_on.t_s
    ]
    return replace(trial, until_s=min(ends)) if ends else trial
