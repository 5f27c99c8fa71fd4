"""Puts a snapshot together for whoever watches: the state of the run, and the trail that the state does not keep."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from gaswitness.plan.records import Step
from gaswitness.run.events import Event, GasTurned, MarkMade, ReadingTaken
from gaswitness.run.lookout import Message, standing_elsewhere
from gaswitness.run.outline import cautions_of, detectors_of, next_alarm, renewed, steps_around, votes_of
from gaswitness.run.over import may_end_wait
from gaswitness.run.snapshots import Health, PointLine, Snapshot, Strip, UnderTest, Watched
from gaswitness.run.state import RunState, bout_span, tags_of
from gaswitness.run.steady import Sample
from gaswitness.sentence import said
from gaswitness.site.records import Detector, Pattern
from gaswitness.units import convert

if TYPE_CHECKING:
    from gaswitness.run.foresee import Foresight

TRAIL_S = 1800.0
"""How far back the strip of a detector goes at most."""


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
            stopping=state.stop.outcome if state.stop is not None else None,
            steps=steps_around(state),
            detectors=detectors_of(state),
            strip=main.strip,
            next_alarm=main.next_alarm,
            outlook=main.outlook,
            gas=main.gas or next(iter(state.gas.values()), None),
            gas_may_be_shut=main.gas_may_be_shut,
            tests=tests,
            votes=votes_of(state),
            elsewhere=standing_elsewhere(state),
            cautions=cautions_of(state),
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
            next_alarm=renewed(next_alarm(state, tag), outlook),
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
