"""A run told in a few lines, from its state alone: steps, detectors, votes, cautions, and the next alarm."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gaswitness.alarms.voting import vote
from gaswitness.run.snapshots import DetectorLine, NextAlarm, Progress, StepLine, VoteLine
from gaswitness.run.state import RunState
from gaswitness.sentence import listed, said

if TYPE_CHECKING:
    from gaswitness.run.foresee import Outlook


def cautions_of(state: RunState) -> tuple[str, ...]:
    """Cautions of the step that stands; what holds for several bottles is said once, with all of them."""
    if state.now is None or state.now.step.kind not in ("caution", "gas-on"):
        return ()
    bottle = state.now.step.cylinder
    tags = {cylinder.tag for cylinder in state.plan.site.cylinders}
    bottles: dict[str, list[str]] = {}
    for caution in state.plan.cautions:
        lead, colon, text = caution.partition(": ")
        of_bottle = bool(colon) and lead in tags
        if state.now.step.kind == "gas-on" and lead != bottle:
            continue
        bottles.setdefault(text if of_bottle else caution, []).extend([lead] if of_bottle else [])
    every = state.now.step.kind == "gas-on"
    return tuple(
        said("{bottles}: {caution}", bottles=listed(of), caution=text) if of and not every else text
        for text, of in bottles.items()
    )


def votes_of(state: RunState) -> tuple[VoteLine, ...]:
    """Vote groups of more than one member that a detector under test belongs to."""
    lines = []
    for group in state.plan.site.groups:
        if not any(name.partition(".")[0] in state.under_test for name in group.members) or group.need < 2:
            continue
        members: dict[str, bool | None] = {}
        for name in group.members:
            fault = state.shows(f"{name.partition('.')[0]}.fault") or name.partition(".")[0] in state.opened
            members[name] = None if fault else bool(state.shows(name))
        stands = vote(members, group.need, group.faulty)
        brought = dict.fromkeys(line.effect for line in state.plan.site.matrix if group.tag in line.causes)
        effects = tuple(effect for effect in brought if effect not in state.standing_inhibits)
        lines.append(
            VoteLine(
                group.tag,
                stands.need,
                stands.votes,
                stands.on,
                tuple(name for name, on in members.items() if on),
                tuple(name for name, on in members.items() if on is None),
                effects,
            )
        )
    return tuple(lines)


def steps_around(state: RunState, before: int = 3, after: int = 8) -> tuple[StepLine, ...]:
    """Steps of the plan around the one that stands; one that no plan lists stands among them while it lasts."""
    first = max(0, state.index - before)
    lines = [
        StepLine(step, state.outcomes.get(step.id, "ahead")) for step in state.plan.steps[first : state.index + after]
    ]
    if state.now is not None and all(line.step.id != state.now.step.id for line in lines):
        lines.insert(min(before, len(lines)), StepLine(state.now.step, "started"))
    return tuple(lines)


def detectors_of(state: RunState) -> tuple[DetectorLine, ...]:
    """How far every detector of the plan has come, those first that have a part in a group trial."""
    lines = []
    voting = [part for group in state.plan.groups for part in group.parts]
    for planned in {part.tag: part for part in (*voting, *state.plan.detectors)}.values():
        steps = [step for step in state.plan.steps if step.tag == planned.tag and step.group is None]
        steps = steps or [step for step in state.plan.steps if step.tag == planned.tag]
        outcomes = [state.outcomes.get(step.id) for step in steps]
        over = sum(outcome in ("done", "timed-out", "skipped") for outcome in outcomes)
        progress: Progress = "waiting"
        if planned.tag in state.under_test and state.stop is None:
            progress = "under test"
        elif over == len(steps):
            progress = "gone through" if planned.tag in state.gassed else "left out"
        detector = state.plan.site.detector(planned.tag)
        names = (*(point.name for point in detector.alarms), "fault")
        on = tuple(name for name in names if state.shows(f"{planned.tag}.{name}"))
        lines.append(DetectorLine(planned.tag, detector.gas, progress, over, len(steps), on))
    return tuple(lines)


def renewed(planned: NextAlarm | None, outlook: Outlook | None) -> NextAlarm | None:
    """The forecast of the plan, unless the readings so far give a shorter interval that lies within reach of it."""
    if planned is None or outlook is None or not planned.sets or planned.point not in outlook.sets_s:
        return planned
    earliest_s, latest_s = outlook.sets_s[planned.point]
    if latest_s - earliest_s < planned.latest_s - planned.earliest_s and latest_s <= planned.latest_s:
        return NextAlarm(planned.point, True, earliest_s, latest_s, renewed=True)
    return planned


def next_alarm(state: RunState, tag: str) -> NextAlarm | None:
    """The forecast for the first point ahead, counted from gas on or gas off as it really happened."""
    planned, upcoming = state.planned(tag), state.step
    if planned is None or upcoming is None or tag not in state.under_test or tag not in state.gassed:
        return None
    on_s, off_s = state.gassed[tag]
    for step in state.plan.steps[state.index :]:
        if step.bout != upcoming.bout or (step.tag != tag and step.bout is None):
            return None  # what comes after that is another story
        if step.tag != tag:
            continue
        if step.kind in ("gas-on", "gas-off", "fault"):
            return None
        wanted = {"await-set": True, "await-clear": False}.get(step.kind)
        if wanted is None or (step.bout is not None and state.shows(f"{tag}.{step.point}") is wanted):
            continue
        for forecast in planned.points:
            if forecast.point != step.point:
                continue
            if wanted and off_s is None:
                return NextAlarm(step.point, True, on_s + forecast.set_s[0], on_s + forecast.set_s[1])
            if not wanted and off_s is not None and forecast.clear_s is not None:
                return NextAlarm(step.point, False, off_s + forecast.clear_s[0], off_s + forecast.clear_s[1])
    return None
