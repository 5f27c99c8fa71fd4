"""What has to be said at once during a run, and is kept as a note: real alarms, what is overdue, lost readings."""

from __future__ import annotations

from dataclasses import dataclass

from gaswitness.run.causes import why_not_clear, why_not_set
from gaswitness.run.events import Event, LinkChanged, MarkMade, StatusSeen
from gaswitness.run.state import OpenGas, RunState, Standing, bout_span
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import AlarmPointSpec
from gaswitness.wording import word

BY = "gaswitness"
"""Whose notes these are in the ledger."""
LOST_AFTER_POLLS = 5.0
GAS_OVER = 1.5
"""Gas that flows this many times longer than planned is mentioned."""


@dataclass(frozen=True, slots=True)
class Message:
    """Something said to everybody, at an instant on the run's clock."""

    t_s: float
    text: str
    urgent: bool = False
    real: bool = False
    """An alarm or a fault that has nothing to do with the test: whoever shows messages keeps this one in sight."""


class Lookout:
    """Says each thing once for each time that it happens."""

    def __init__(self, poll_s: float) -> None:
        self._poll_s = poll_s
        self._said: set[str] = set()
        self._remarks: tuple[str, ...] = ()

    def on_event(self, state: RunState, event: Event) -> list[Message]:
        """What an event by itself makes worth saying."""
        if isinstance(event, LinkChanged):
            text = said("link is back") if event.up else said("link lost: {reason}; trying again", reason=event.reason)
            return [Message(event.t_s, text, urgent=not event.up)]
        if not isinstance(event, StatusSeen | MarkMade) or not event.on:
            return []
        if isinstance(event, MarkMade) and event.signal in state.signals:
            return []  # the link tells of it
        tag, _, what = event.signal.partition(".")
        detector = next((one for one in state.plan.site.detectors if one.tag == tag), None)
        if detector is None:
            return []
        why = _not_of_this_test(state, tag, what)
        if not why:
            return []
        if what == "fault":
            text = said("{tag}: fault, and {why}: treat as real", tag=tag, why=why)
            return [Message(event.t_s, text, urgent=True, real=True)]
        if what in {point.name for point in detector.alarms}:
            text = said("{tag}: alarm {point}, and {why}: treat as real", tag=tag, point=what, why=why)
            return [Message(event.t_s, text, urgent=True, real=True)]
        return []

    def on_remarks(self, t_s: float, remarks: tuple[str, ...]) -> list[Message]:
        """What a link has to say of what it read, once for as long as it holds."""
        new = [text for text in remarks if text not in self._remarks]
        self._remarks = remarks
        return [Message(t_s, text, urgent=True) for text in new]

    def on_tick(self, state: RunState, t_s: float) -> list[Message]:
        """What the passing of time makes worth saying."""
        found = [
            self._early(state, t_s),
            self._overdue(state, t_s),
            *(self._lost(state, tag, t_s) for tag in state.under_test),
            *(self._gas(state, gas, t_s) for gas in state.gas.values()),
            *(self._inhibit(state, state.inhibits[effect], t_s) for effect in state.standing_inhibits),
            self._waiting(state, t_s),
        ]
        return [message for message in found if message is not None]

    def _once(self, key: str, t_s: float, text: str, *, urgent: bool = True) -> Message | None:
        if key in self._said:
            return None
        self._said.add(key)
        return Message(t_s, text, urgent)

    def _early(self, state: RunState, t_s: float) -> Message | None:
        """An alarm that stands before its detector was given gas proves nothing when gas comes."""
        now = state.now
        if now is None or now.step.tag is None or now.step.kind not in ("zero", "gas-on"):
            return None
        tag = now.step.tag
        points = [point.name for point in state.plan.site.detector(tag).alarms]
        on = [name for name in points if state.shows(f"{tag}.{name}")]
        if not on:
            return None
        text = said(
            "{tag}: alarm {points} stands before gas was given; clear it first, or it proves nothing",
            tag=tag,
            points=listed(on),
        )
        return self._once(f"early {tag} {state.restarts}", t_s, text)

    def _overdue(self, state: RunState, t_s: float) -> Message | None:
        now = state.now
        if now is None or now.step.tag is None or now.step.kind not in ("await-set", "await-clear"):
            return None
        if state.links_down:
            return None  # it may have come, unseen
        tag, name = now.step.tag, now.step.point
        on_s, off_s = state.gassed.get(tag, (None, None))
        planned = state.planned(tag)
        if planned is None:
            return None
        forecast = next((one for one in planned.points if one.point == name), None)
        if forecast is None or name is None:
            return None
        detector = state.plan.site.detector(tag)
        point = detector.alarm(name)
        last = state.last.get(tag)
        reading_ppm = last.value_ppm if last is not None else None
        if now.step.kind == "await-set" and on_s is not None and off_s is None:
            late_s = t_s - on_s - forecast.set_s[1]
            causes = why_not_set(
                detector,
                point,
                start_ppm=planned.background_ppm[0] if point.direction == "rising" else planned.background_ppm[1],
                bottle_ppm=planned.bottle_ppm,
                reading_ppm=reading_ppm,
            )
            causes = (*_answered_instead(state, tag), *causes)
            text = said(
                "{tag}: alarm {point} is overdue. Look for, in this order: {causes}",
                tag=tag,
                point=name,
                causes=listed(causes, "; "),
            )
        elif now.step.kind == "await-clear" and off_s is not None and forecast.clear_s is not None:
            late_s = t_s - off_s - forecast.clear_s[1]
            causes = why_not_clear(point, clear_ppm=point.clear_ppm(detector.range_ppm), reading_ppm=reading_ppm)
            text = said(
                "{tag}: clearing of alarm {point} is overdue. Look for, in this order: {causes}",
                tag=tag,
                point=name,
                causes=listed(causes, "; "),
            )
        else:
            return None
        if late_s <= 0:
            return None
        return self._once(f"overdue {now.step.id} {now.since_t_s}", t_s, text)

    def _lost(self, state: RunState, tag: str, t_s: float) -> Message | None:
        now = state.now
        if now is None or state.links_down or tag in state.opened:
            return None
        if now.step.kind in ("fault", "mend") and tag == now.step.tag:
            return None
        last = state.last.get(tag)
        since_s = last.t_s if last is not None else now.since_t_s
        limit_s = max(LOST_AFTER_POLLS * self._poll_s, 5.0)
        if last is not None and last.value_ppm is None:
            return self._once(
                f"bad {tag} {now.since_t_s}",
                t_s,
                said("{tag}: reading is {quality}, no value", tag=tag, quality=word(last.quality)),
            )
        typed = last is not None and last.quality == "by-hand"  # comes when somebody types it
        if typed or t_s - since_s <= limit_s:
            return None
        return self._once(
            f"lost {tag} {since_s}",
            t_s,
            said("{tag}: no reading for {lost} s", tag=tag, lost=figure(t_s - since_s)),
        )

    def _gas(self, state: RunState, gas: OpenGas, t_s: float) -> Message | None:
        planned = state.planned(gas.tag)
        if gas.unsure or planned is None:
            return None
        planned_s = planned.gas_s
        if t_s - gas.since_t_s <= GAS_OVER * planned_s:
            return None
        text = said(
            "{tag}: gas has flowed for {flowed} s, planned were {planned} s",
            tag=gas.tag,
            flowed=figure(t_s - gas.since_t_s),
            planned=figure(planned_s),
        )
        return self._once(f"gas {gas.tag} {gas.since_t_s}", t_s, text, urgent=False)

    def _inhibit(self, state: RunState, entry: Standing, t_s: float) -> Message | None:
        """An inhibit that stands longer than it was meant to."""
        if entry.until_t_s is None or t_s <= entry.until_t_s or entry.effect in state.handed_over:
            return None
        text = said(
            "{effect}: the inhibit that {by} placed was to be lifted by now; lift it and prove it, or hand it over",
            effect=entry.effect,
            by=entry.by,
        )
        return self._once(f"inhibit {entry.effect} {entry.placed_t_s}", t_s, text)

    def _waiting(self, state: RunState, t_s: float) -> Message | None:
        now = state.now
        if now is None or now.step.at_most_s <= 0 or t_s - now.since_t_s <= now.step.at_most_s:
            return None
        return self._once(
            f"waiting {now.step.id} {now.since_t_s}",
            t_s,
            said("still waiting: {text}", text=now.step.text),
            urgent=False,
        )


def standing_elsewhere(state: RunState) -> tuple[str, ...]:
    """Alarms and faults that a link shows now at detectors not under test for them, as `TAG.point`."""
    names = [f"{one.tag}.{name}" for one in state.plan.site.detectors for name in (*map(_name, one.alarms), "fault")]
    standing = [name for name in names if state.signals.get(name)]
    return tuple(name for name in standing if _not_of_this_test(state, *name.split(".", 1)))


def _name(point: AlarmPointSpec) -> str:
    return point.name


def _not_of_this_test(state: RunState, tag: str, what: str) -> str:
    """Why an alarm or a fault has nothing to do with the test that goes on; empty where it may have.

    Where several are under test, one that has had no gas yet, or whose signal nobody has opened, is in no test yet.
    """
    if tag not in state.under_test:
        return said("{tag} is not under test", tag=tag)
    if len(state.under_test) == 1:
        return ""
    mine = state.step is not None and state.step.tag == tag
    if what == "fault":
        touched = tag in state.opened or (mine and state.step is not None and state.step.kind in ("fault", "mend"))
        return (
            "" if touched else said("nobody has opened the signal of {tag}, so it is not under test for that", tag=tag)
        )
    gassed = tag in state.gas or (mine and state.step is not None and state.step.kind == "gas-on")
    return (
        ""
        if gassed or _aired_here(state, tag)
        else said("{tag} has had no gas yet, so it is not under test so far", tag=tag)
    )


def _aired_here(state: RunState, tag: str) -> bool:
    """Whether this detector has had gas in the bout that goes on, and recovers from it."""
    step = state.step
    if step is None or step.bout is None:
        return tag in state.gassed
    first, _ = bout_span(state.plan, state.index, step.bout)
    return any(
        one.kind == "gas-off" and one.tag == tag and one.id in state.outcomes
        for one in state.plan.steps[first : state.index + 1]
    )


def _answered_instead(state: RunState, tag: str) -> tuple[str, ...]:
    """Detectors that went into alarm although the gas is at another one."""
    return tuple(
        said("{tag} answered instead: channels changed over, or the cap is on the wrong detector", tag=other.tag)
        for other in state.plan.site.detectors
        if other.tag != tag
        and other.tag not in state.gas
        and any(state.shows(f"{other.tag}.{point.name}") for point in other.alarms)
    )
