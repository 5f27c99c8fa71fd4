"""The run as a pure step function: what happened goes in, what is to be recorded and asked comes out.

    step(state, happening) -> (state, commands)

Whatever changes the state is an event, and every event is handed out to be recorded, so folding the recorded events
gives the same state again. Rules kept here and nowhere else: no gas before everybody is warned and every inhibit is
placed; gas is on at several detectors only within one bout, and all of it is shut before anything else when a run is
stopped; a run is complete only when no inhibit stands, and ends
with one standing only where somebody answers for it by name, or where it was cut off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gaswitness.plan.records import MEASURED, Step, StepKind
from gaswitness.run.events import (
    AirMeasured,
    CylinderRead,
    Event,
    GasTurned,
    InhibitHandedOver,
    InhibitMoved,
    Pressed,
    RoleTold,
    RunStopped,
    SoundMeasured,
    StepMoved,
    StopAsked,
)
from gaswitness.run.folding import apply
from gaswitness.run.measured import AirRead, BottleRead, SoundRead
from gaswitness.run.over import BY_HAND, ONLY_BY_ANSWER, may_end_wait, over
from gaswitness.run.ports import Answer
from gaswitness.run.safe import due, moot
from gaswitness.run.state import RunState
from gaswitness.sentence import kept, listed, said

_BY_LINK = said("seen over the link")

_PRESSES: dict[StepKind, Literal["acknowledge", "silence", "reset", "fault-made", "fault-undone"]] = {
    "acknowledge": "acknowledge",
    "silence": "silence",
    "reset": "reset",
    "fault": "fault-made",
    "mend": "fault-undone",
}


@dataclass(frozen=True, slots=True)
class Tick:
    """Time went on, and whatever a poll brought has been handed in before."""

    t_s: float


@dataclass(frozen=True, slots=True)
class Answered:
    """The hands came back from a step."""

    t_s: float
    step: str
    answer: Answer


@dataclass(frozen=True, slots=True)
class StopWanted:
    """Somebody wants the run to end; wanted a second time, it ends without waiting for anything."""

    t_s: float
    outcome: Literal["stopped", "aborted"]
    by: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class WaitEnded:
    """Somebody has seen enough of the reading on gas and does not wait until it has settled."""

    t_s: float
    step: str
    by: str
    why: str


Happening = Event | Tick | Answered | StopWanted | WaitEnded
"""What the machine is told; an event is something seen, and is recorded as it is."""


@dataclass(frozen=True, slots=True)
class Write:
    """Record this event; it is already part of the state."""

    event: Event


@dataclass(frozen=True, slots=True)
class Ask:
    """Hand this step to the hands; `again` where they came back without having done what cannot be left out."""

    step: Step
    again: bool = False


@dataclass(frozen=True, slots=True)
class Withdraw:
    """The step is over; if the hands are still at it, they may leave it."""

    step: str


Command = Write | Ask | Withdraw


def step(state: RunState, happening: Happening) -> tuple[RunState, tuple[Command, ...]]:
    """Take in one thing that happened; after the end of a run nothing has any effect."""
    if state.ended is not None:
        return state, ()
    turn = _Turn(state)
    match happening:
        case Tick():
            turn.go_on(happening.t_s)
        case Answered():
            turn.answer(happening)
            turn.go_on(happening.t_s)
        case StopWanted():
            turn.stop(happening)
            turn.go_on(happening.t_s)
        case WaitEnded():
            turn.end_wait(happening)
            turn.go_on(happening.t_s)
        case InhibitHandedOver():
            turn.hand_over(happening)
            turn.go_on(happening.t_s)
        case _:
            turn.write(happening)
    return turn.state, tuple(turn.commands)


def _asked(state: RunState, planned: Step) -> bool:
    """Whether somebody has to say that this step is done; a reading at rest, only where no link gives readings."""
    if planned.kind in BY_HAND or planned.ends == "confirm":
        return True
    last = state.last.get(planned.tag or "")
    return planned.ends == "settled" and (last is None or last.quality == "by-hand")


class _Turn:
    """One call of `step`: the state as it goes along, and the commands so far."""

    def __init__(self, state: RunState) -> None:
        self.state = state
        self.commands: list[Command] = []

    def write(self, event: Event) -> None:
        self.state = apply(self.state, event)
        self.commands.append(Write(event))

    def moved(
        self,
        t_s: float,
        step: Step,
        to: Literal["started", "done", "timed-out", "skipped", "aborted"],
        by: str = "",
        note: str = "",
    ) -> None:
        self.write(StepMoved(t_s=t_s, wall=self.state.wall(t_s), step=step.id, state=to, by=by, note=note))

    def go_on(self, t_s: float) -> None:
        """End the step that is over, start the one that is due, until something has to be waited for."""
        while self.state.ended is None:
            now = self.state.now
            if now is None:
                self._next(t_s)
                continue
            how = over(self.state, now, t_s)
            if how is None or (how == "timed-out" and now.step.kind in ONLY_BY_ANSWER and not now.acted):
                return
            if how == "done" and now.step.kind == "prove" and now.step.effect is not None:
                self._inhibit(now.step, t_s, "proven", by=_BY_LINK)
            self.moved(t_s, now.step, how)
            if _asked(self.state, now.step):
                self.commands.append(Withdraw(now.step.id))

    def _next(self, t_s: float) -> None:
        upcoming = due(self.state)
        if upcoming is None:
            self._end(t_s)
            return
        reason = moot(self.state, upcoming)
        if reason:
            self.moved(t_s, upcoming, "skipped", note=reason)
            return
        self.moved(t_s, upcoming, "started")
        if _asked(self.state, upcoming):
            self.commands.append(Ask(upcoming))

    def _end(self, t_s: float, reason: str = "") -> None:
        state = self.state
        outcome: Literal["complete", "stopped", "aborted"] = state.stop.outcome if state.stop else "complete"
        if state.stop is None and state.standing_inhibits:
            outcome = "stopped"
        why = [text for text in (state.stop.reason if state.stop else "", reason) if text]
        why.extend(
            said("the inhibit on {effect} was handed over to {to}", effect=effect, to=to)
            for effect, to in state.handed_over.items()
        )
        why.extend(said("the bottle at {tag} may still be open", tag=tag) for tag in state.gas)
        why.extend(said("the signal of {tag} is still open", tag=tag) for tag in state.opened)
        told = said("{reasons}", reasons=listed(why, "; ")) if why else ""
        self.write(
            RunStopped(
                t_s=t_s,
                wall=state.wall(t_s),
                outcome=outcome,
                reason=told,
                standing_inhibits=state.standing_inhibits,
                wording=kept(told),
            )
        )

    def stop(self, wanted: StopWanted) -> None:
        now, again = self.state.now, self.state.stop is not None
        if now is not None:
            self.moved(wanted.t_s, now.step, "aborted", by=wanted.by, note=wanted.reason)
            self.commands.append(Withdraw(now.step.id))
        self.write(
            StopAsked(
                t_s=wanted.t_s,
                wall=self.state.wall(wanted.t_s),
                outcome="aborted" if again and self._aborted() else wanted.outcome,
                by=wanted.by,
                reason=wanted.reason,
            )
        )
        if again:
            self._end(wanted.t_s, said("ended without waiting for the rest"))

    def end_wait(self, ended: WaitEnded) -> None:
        """The reading need not settle; what else is to happen under gas has its time all the same."""
        now = self.state.now
        if now is None or now.step.id != ended.step or not may_end_wait(now, ended.t_s):
            return
        self.moved(ended.t_s, now.step, "done", by=ended.by, note=ended.why)
        if _asked(self.state, now.step):
            self.commands.append(Withdraw(now.step.id))

    def hand_over(self, event: InhibitHandedOver) -> None:
        """The inhibit stays with somebody; nobody waits for its lifting any more."""
        self.write(event)
        now = self.state.now
        if now is not None and now.step.kind in ("lift", "prove") and now.step.effect == event.effect:
            self.moved(event.t_s, now.step, "skipped", by=event.by, note=said("handed over to {to}", to=event.to))
            self.commands.append(Withdraw(now.step.id))

    def _aborted(self) -> bool:
        return self.state.stop is not None and self.state.stop.outcome == "aborted"

    def answer(self, answered: Answered) -> None:
        now, answer = self.state.now, answered.answer
        if now is None or now.step.id != answered.step:
            return  # came too late: the step had already run out
        if answer.state == "aborted":
            self.stop(StopWanted(answered.t_s, "aborted", answer.by, answer.note))
        elif answer.state == "skipped":
            shut = now.step.kind == "gas-off"  # also after a stop: only a second one ends a run over an open bottle
            if shut or (now.step.kind in ONLY_BY_ANSWER and now.step.kind != "gas-on" and self.state.stop is None):
                self.commands.append(Ask(now.step, again=True))
                return
            self.moved(answered.t_s, now.step, "skipped", by=answer.by, note=answer.note)
        elif now.step.kind in MEASURED and (answer.measured is None or answer.measured.kind != now.step.kind):
            self.moved(answered.t_s, now.step, "skipped", by=answer.by, note=answer.note or said("not measured"))
        else:
            self._act(now.step, answer, answer.t_s if answer.t_s is not None else answered.t_s)
            if now.step.ends in ("confirm", "settled") and now.step.kind not in (
                "inhibit",
                "lift",
            ):  # these the panel may show
                self.moved(answered.t_s, now.step, "done", by=answer.by, note=answer.note)

    def _act(self, done: Step, answer: Answer, t_s: float) -> None:
        """Record what the hands did, at the instant they did it."""
        wall, by = self.state.wall(t_s), answer.by
        match done.kind:
            case "warn" | "all-clear" if done.role is not None:
                what: Literal["begins", "over"] = "begins" if done.kind == "warn" else "over"
                self.write(RoleTold(t_s=t_s, wall=wall, role=done.role, what=what, by=by))
            case "inhibit" if done.effect is not None:
                self._inhibit(done, t_s, "placed", by, until_t_s=self._lifted_by(done, t_s), reason=done.text)
            case "lift" if done.effect is not None:
                self._inhibit(done, t_s, "lifted", by)
            case "prove" if done.effect is not None and done.ends == "confirm":
                self._inhibit(done, t_s, "proven", by)
            case "gas-on" | "gas-off" if done.tag is not None:
                open_there = self.state.gas.get(done.tag)
                cylinder = done.cylinder or (open_there.cylinder if open_there is not None else "")
                on = done.kind == "gas-on"
                self.write(GasTurned(t_s=t_s, wall=wall, tag=done.tag, cylinder=cylinder, on=on, by=by, u_s=answer.u_s))
            case "acknowledge" | "silence" | "reset" | "fault" | "mend":
                action = _PRESSES[done.kind]
                self.write(Pressed(t_s=t_s, wall=wall, action=action, tag=done.tag, by=by, u_s=answer.u_s))
            case "adjust":
                short = self.state.fell_short.get(done.tag or "", ())
                named = tuple(
                    name for name in ("zero", "span") if done.point == name or (not done.point and name in short)
                )
                for name in named or ("span",):
                    adjusted: Literal["adjusted-zero", "adjusted-span"]
                    adjusted = "adjusted-zero" if name == "zero" else "adjusted-span"
                    self.write(Pressed(t_s=t_s, wall=wall, action=adjusted, tag=done.tag, by=by, u_s=answer.u_s))
            case "air" if isinstance(answer.measured, AirRead):
                air = answer.measured
                self.write(
                    AirMeasured(t_s=t_s, wall=wall, pressure_pa=air.pressure_pa, temperature_k=air.temperature_k, by=by)
                )
            case "sound" if isinstance(answer.measured, SoundRead):
                heard = answer.measured
                self.write(
                    SoundMeasured(
                        t_s=t_s,
                        wall=wall,
                        effect=done.effect or "",
                        post=done.post or "",
                        level_dba=heard.level_dba,
                        u_db=heard.u_db,
                        note=heard.note,
                        by=by,
                    )
                )
            case "bottle" if isinstance(answer.measured, BottleRead):
                pressure_pa = answer.measured.pressure_pa
                self.write(
                    CylinderRead(t_s=t_s, wall=wall, cylinder=done.cylinder or "", pressure_pa=pressure_pa, by=by)
                )
            case _:
                pass  # cautions and steps that are only watched leave no trace but their end

    def _inhibit(
        self,
        step: Step,
        t_s: float,
        to: Literal["placed", "lifted", "proven"],
        by: str,
        until_t_s: float | None = None,
        reason: str = "",
    ) -> None:
        wall, effect = self.state.wall(t_s), step.effect or ""
        self.write(InhibitMoved(t_s=t_s, wall=wall, effect=effect, state=to, by=by, until_t_s=until_t_s, reason=reason))

    def _lifted_by(self, placed: Step, t_s: float) -> float | None:
        """When an inhibit should be lifted again, if all goes as usual."""
        ahead_s = 0.0
        for planned in self.state.plan.steps[self.state.index :]:
            if planned.kind == "lift" and planned.effect == placed.effect:
                return t_s + ahead_s
            ahead_s += 0.0 if planned.optional else max(planned.expected_s, planned.at_least_s)
        return None
