"""Snapshots of a run for whoever watches: frozen, complete, and never read back by the run."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from gaswitness.alarms.voting import vote
from gaswitness.plan.records import DetectorPlan, Step
from gaswitness.run.events import Event, GasTurned, MarkMade, ReadingTaken
from gaswitness.run.lookout import Message, standing_elsewhere
from gaswitness.run.over import may_end_wait
from gaswitness.run.ports import EndWaitWish
from gaswitness.run.state import OpenGas, RunState, Standing, bout_span, tags_of
from gaswitness.run.steady import Sample
from gaswitness.sentence import listed, said
from gaswitness.site.records import Detector, Pattern
from gaswitness.units import convert

if TYPE_CHECKING:
    from gaswitness.run.foresee import Foresight, Outlook

TRAIL_S = 1800.0
"""How far back the strip of a detector goes at most."""

Progress = Literal["waiting", "under test", "gone through", "left out"]


@dataclass(frozen=True, slots=True)
class Health:
    """How the link is doing."""

    up: bool = True
    reason: str = ""
    last_t_s: float | None = None
    polls: int = 0
    missed: int = 0
    """Polls that could not be made in time."""


@dataclass(frozen=True, slots=True)
class PointLine:
    """One set point on the strip."""

    name: str
    set_ppm: float
    clear_ppm: float
    rising: bool
    on: bool | None


@dataclass(frozen=True, slots=True)
class Strip:
    """The main picture: readings of the detector under test over time, with its set points and what was predicted."""

    detector: Detector
    per_ppm: float
    """Factor from ppm to the unit that this detector's readings are shown in."""
    samples: tuple[Sample, ...]
    points: tuple[PointLine, ...]
    planned: DetectorPlan | None
    gas_on_s: float | None
    gas_off_s: float | None
    quality: str

    @property
    def reading_ppm(self) -> float | None:
        """The last reading."""
        return self.samples[-1][1] if self.samples else None


@dataclass(frozen=True, slots=True)
class NextAlarm:
    """When the point that is waited for should set or clear: 95 % interval, on the run's clock."""

    point: str
    sets: bool
    earliest_s: float
    latest_s: float
    renewed: bool = False
    """From the readings so far, not from the plan."""


@dataclass(frozen=True, slots=True)
class UnderTest:
    """Everything about one of the detectors under test."""

    strip: Strip
    next_alarm: NextAlarm | None
    outlook: Outlook | None
    gas: OpenGas | None
    gas_may_be_shut: bool
    may_end_wait: bool
    """Only the wait for a settled reading keeps the gas on, and by the readings so far it is not needed."""

    @property
    def tag(self) -> str:
        """Tag of the detector."""
        return self.strip.detector.tag


@dataclass(frozen=True, slots=True)
class VoteLine:
    """How a vote group stands that a detector under test belongs to."""

    group: str
    need: int
    """Votes needed, as things stand: faulty members taken into account."""
    votes: int
    """Members that count as an alarm."""
    met: bool
    alarms: tuple[str, ...]
    """Members in alarm, as `TAG.point`."""
    faulty: tuple[str, ...]
    effects: tuple[str, ...]
    """What the group brings, without what is inhibited."""


@dataclass(frozen=True, slots=True)
class Watched:
    """Something that is to be witnessed now: an effect, or an alarm point that no link shows."""

    signal: str
    name: str
    post: str
    pattern: Pattern | None
    on_by_link: bool | None
    on_by_witness: bool | None


@dataclass(frozen=True, slots=True)
class DetectorLine:
    """How far one detector has come."""

    tag: str
    gas: str
    progress: Progress
    done: int
    steps: int
    alarms: tuple[str, ...]
    """What is on at this detector now: names of its points, or `fault`."""


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step of the plan, around the one that stands."""

    step: Step
    state: Literal["ahead", "started", "done", "timed-out", "skipped", "aborted"]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a screen shows of a run at one instant."""

    t_s: float
    wall: str
    run_id: str
    site: str
    step: Step | None
    step_since_s: float
    acted: bool
    stopping: Literal["stopped", "aborted"] | None
    steps: tuple[StepLine, ...]
    detectors: tuple[DetectorLine, ...]
    strip: Strip | None
    """Of the detector that the step is about, as are the four below."""
    next_alarm: NextAlarm | None
    outlook: Outlook | None
    """Plateau and t90 as far as the readings under gas tell them by now."""
    gas: OpenGas | None
    """The bottle at that detector, else any that is open."""
    gas_may_be_shut: bool
    """Everything the plan wants to see under gas has been seen."""
    tests: tuple[UnderTest, ...]
    """All detectors under test, in the order of their bout; after a test the one that was shown last."""
    votes: tuple[VoteLine, ...]
    elsewhere: tuple[str, ...]
    """Alarms and faults that stand at detectors not under test, as `TAG.point`: to be treated as real."""
    cautions: tuple[str, ...]
    """To be read before the step that stands: all of them to begin with, those of the bottle before it is opened."""
    watched: tuple[Watched, ...]
    inhibits: tuple[Standing, ...]
    standing: tuple[str, ...]
    health: Health
    restarts: int
    messages: tuple[Message, ...]
    ended: Literal["complete", "stopped", "aborted"] | None


def end_of_wait(snapshot: Snapshot, by: str) -> EndWaitWish | None:
    """What whoever would not wait longer may wish for now; none while there is nothing to cut short."""
    for one in snapshot.tests:
        if one.may_end_wait and one.outlook is not None and one.outlook.shown is not None and snapshot.step is not None:
            return EndWaitWish(by, snapshot.step.id, one.outlook.shown.why)
    return None


class Watcher:
    """Keeps what a screen needs and the machine does not: the trail of readings, and who marked what."""

    def __init__(self, foresight: Foresight | None = None) -> None:
        self._foresight = foresight
        self._trail: dict[str, deque[Sample]] = {}
        self._shown: tuple[str, ...] = ()
        self._open: set[str] = set()
        self._marked: dict[str, bool] = {}
        self._before: dict[str, tuple[str, bool | None]] = {}

    def see(self, event: Event) -> None:
        """Take note of one event."""
        if isinstance(event, ReadingTaken) and event.value_ppm is not None:
            trail = self._trail.setdefault(event.tag, deque())
            trail.append((event.t_s, event.value_ppm))
            while trail and trail[0][0] < event.t_s - TRAIL_S:
                trail.popleft()
            if self._foresight is not None:
                self._foresight.reading(event.tag, event.t_s, event.value_ppm)
        elif isinstance(event, MarkMade):
            self._mark(event)
        elif isinstance(event, GasTurned):
            if event.on and not self._open:
                self._before.clear()
                self._marked.clear()  # a new test: whatever was marked before is no longer what is there
            (self._open.add if event.on else self._open.discard)(event.tag)
            if self._foresight is not None and event.on:
                self._foresight.gas_on(event.tag, event.t_s, self._trail.get(event.tag, ()))
            elif self._foresight is not None:
                self._foresight.gas_off(event.tag)

    def _mark(self, event: MarkMade) -> None:
        """What is marked at a signal now; a mark that is corrected gives way to what stood there before it."""
        signal, before = self._before.pop(event.corrects or "", ("", None))
        if before is not None:
            self._marked[signal] = before
        else:
            self._marked.pop(signal, None)
        if event.signal != "withdrawn":
            self._before[event.mark_id] = (event.signal, self._marked.get(event.signal))
            self._marked[event.signal] = event.on

    def snapshot(self, state: RunState, t_s: float, health: Health, messages: tuple[Message, ...]) -> Snapshot:
        """The run as it stands."""
        now = state.now
        self._shown = state.under_test or self._shown or ((state.plan.detectors or state.plan.site.detectors)[0].tag,)
        tests = tuple(self._under_test(state, tag) for tag in _in_plan_order(state, self._shown))
        main = next(one for one in tests if one.tag == self._shown[0])
        return Snapshot(
            t_s=t_s,
            wall=state.wall(t_s),
            run_id=state.run_id,
            site=state.plan.site.name,
            step=now.step if now is not None else None,
            step_since_s=now.since_t_s if now is not None else t_s,
            acted=now.acted if now is not None else False,
            stopping=state.stop.outcome if state.stop is not None else None,
            steps=_steps(state),
            detectors=_detectors(state),
            strip=main.strip,
            next_alarm=main.next_alarm,
            outlook=main.outlook,
            gas=main.gas or next(iter(state.gas.values()), None),
            gas_may_be_shut=main.gas_may_be_shut,
            tests=tests,
            votes=votes_of(state),
            elsewhere=standing_elsewhere(state),
            cautions=_cautions(state),
            watched=self._watched(state),
            inhibits=tuple(state.inhibits.values()),
            standing=state.standing_inhibits,
            health=health,
            restarts=state.restarts,
            messages=messages,
            ended=state.ended.outcome if state.ended is not None else None,
        )

    def _under_test(self, state: RunState, tag: str) -> UnderTest:
        gas, now = state.gas.get(tag), state.now
        outlook = self._foresight.outlook(tag) if self._foresight is not None and gas is not None else None
        return UnderTest(
            strip=self._strip(state, tag),
            next_alarm=_renewed(_next_alarm(state, tag), outlook),
            outlook=outlook,
            gas=gas,
            gas_may_be_shut=gas is not None and now is not None and now.step.kind == "gas-off",
            may_end_wait=now is not None
            and now.step.tag == tag
            and may_end_wait(now, state.t_s)
            and outlook is not None
            and outlook.shown is not None
            and outlook.shown.enough,
        )

    def _strip(self, state: RunState, tag: str) -> Strip:
        detector = state.plan.site.detector(tag)
        on_s, off_s = state.gassed.get(tag, (None, None))
        last = state.last.get(tag)
        points = tuple(
            PointLine(
                point.name,
                point.set_ppm,
                point.clear_ppm(detector.range_ppm),
                point.direction == "rising",
                state.shows(f"{tag}.{point.name}"),
            )
            for point in detector.alarms
        )
        return Strip(
            detector=detector,
            per_ppm=_per_ppm(detector),
            samples=tuple(self._trail.get(tag, ())),
            points=points,
            planned=state.planned(tag),
            gas_on_s=on_s,
            gas_off_s=off_s,
            quality=last.quality if last is not None else "none yet",
        )

    def _watched(self, state: RunState) -> tuple[Watched, ...]:
        if state.now is None:
            return ()
        step, site = state.now.step, state.plan.site
        tags = step.watch or ((step.effect,) if step.effect is not None and step.kind == "prove" else ())
        seen: list[tuple[str, str, str, Pattern | None]] = []
        for one in _side_by_side(state, step):
            point = f"{one.tag}.{'fault' if one.kind in ('fault', 'mend') else one.point}"
            if one.kind in ("await-set", "await-clear", "fault", "mend") and point not in state.signals:
                seen.append((point, said("alarm {point} at the panel", point=point), one.post or "", None))
            tags = (*tags, *one.watch)
        effects = [site.effect(tag) for tag in dict.fromkeys(tags)]
        seen += [(f"{effect.tag}.on", effect.name, effect.post, effect.pattern) for effect in effects]
        return tuple(
            Watched(signal, name, post, pattern, state.signals.get(signal), self._marked.get(signal))
            for signal, name, post, pattern in seen
        )


def _per_ppm(detector: Detector) -> float:
    lfl_ppm = detector.lfl.ppm if detector.lfl is not None else None
    return convert(1.0, "ppm", detector.unit, gas=detector.gas, lfl_ppm=lfl_ppm)


def _cautions(state: RunState) -> tuple[str, ...]:
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


def _in_plan_order(state: RunState, tags: tuple[str, ...]) -> tuple[str, ...]:
    """The order of the bout, so that no strip changes its place while one step follows another."""
    step = state.step
    bout = tags_of(state.plan, state.index, step) if step is not None else ()
    return tuple(sorted(tags, key=lambda tag: bout.index(tag) if tag in bout else len(bout)))


def _side_by_side(state: RunState, step: Step) -> tuple[Step, ...]:
    """This step, and those of the same bout that go on beside it: of detectors that have gas on them, or had it."""
    if step.bout is None or step.kind in ("fault", "mend"):
        return (step,)
    first, last = bout_span(state.plan, state.index, step.bout)
    bout = state.plan.steps[first:last]
    shut = {one.tag for one in bout if one.kind == "gas-off" and one.id in state.outcomes}
    beside = [
        one
        for one in bout
        if one.kind not in ("fault", "mend")
        and one.id != step.id
        and one.point != "fault"
        and (one.tag in state.gas or one.tag in shut)
        and (one.kind not in ("await-set", "await-clear") or (one.kind == "await-clear") == (one.tag in shut))
    ]
    return (step, *beside)


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


def _steps(state: RunState, before: int = 3, after: int = 8) -> tuple[StepLine, ...]:
    first = max(0, state.index - before)
    lines = [
        StepLine(step, state.outcomes.get(step.id, "ahead")) for step in state.plan.steps[first : state.index + after]
    ]
    if state.now is not None and all(line.step.id != state.now.step.id for line in lines):
        lines.insert(min(before, len(lines)), StepLine(state.now.step, "started"))
    return tuple(lines)


def _detectors(state: RunState) -> tuple[DetectorLine, ...]:
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


def _renewed(planned: NextAlarm | None, outlook: Outlook | None) -> NextAlarm | None:
    """The forecast of the plan, unless the readings so far give a shorter interval that lies within reach of it."""
    if planned is None or outlook is None or not planned.sets or planned.point not in outlook.sets_s:
        return planned
    earliest_s, latest_s = outlook.sets_s[planned.point]
    if latest_s - earliest_s < planned.latest_s - planned.earliest_s and latest_s <= planned.latest_s:
        return NextAlarm(planned.point, True, earliest_s, latest_s, renewed=True)
    return planned


def _next_alarm(state: RunState, tag: str) -> NextAlarm | None:
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
