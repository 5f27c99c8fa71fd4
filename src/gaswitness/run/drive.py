"""The driver: polls the link, feeds the machine, asks the hands, records every event, shows snapshots.

Losing the link or the display never stops a run; losing the ledger does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from gaswitness import __version__
from gaswitness.clock import Clock
from gaswitness.errors import GaswitnessError, LinkError
from gaswitness.plan.records import Plan, Step
from gaswitness.run.events import (
    Event,
    InhibitHandedOver,
    MarkMade,
    NoteTaken,
    ReadingTaken,
    RunResumed,
    RunStarted,
    RunStopped,
)
from gaswitness.run.folding import apply, begin, fold
from gaswitness.run.lookout import BY, Lookout, Message
from gaswitness.run.machine import Answered, Ask, Happening, StopWanted, Tick, WaitEnded, Withdraw, Write, step
from gaswitness.run.ports import (
    EndWaitWish,
    HandOverWish,
    Hands,
    Link,
    NoteWish,
    Polled,
    Press,
    ReadingWish,
    StopWish,
    Wish,
)
from gaswitness.run.snapshots import Health, Snapshot
from gaswitness.run.state import RunState, wall_text
from gaswitness.run.translate import Translator
from gaswitness.run.watchers import Watcher
from gaswitness.sentence import said

if TYPE_CHECKING:
    from gaswitness.run.foresee import Foresight

KEPT_MESSAGES = 50


@dataclass(frozen=True, slots=True)
class _Poll:
    asked_t_s: float
    t_s: float
    brought: Polled | LinkError


@dataclass(frozen=True, slots=True)
class _Broke:
    """A task of the driver ended by an error."""

    error: BaseException


_Item = _Poll | Answered | Press | Wish | _Broke


async def drive(
    plan: Plan,
    link: Link,
    hands: Hands,
    clock: Clock,
    record: Callable[[Event], None],
    *,
    run_id: str,
    operator: str,
    speed: float = 1.0,
    simulated: bool = False,
    before: Sequence[Event] = (),
    torn_bytes: int = 0,
    commit: Callable[[], None] | None = None,
    wishes: asyncio.Queue[Wish] | None = None,
    show: Callable[[Snapshot], None] | None = None,
    foresight: Foresight | None = None,
) -> RunStopped:
    """Carry out a plan, or go on with it, and return its last event.

    `clock.now_s()` is the run's own time; when a run is gone on with (`before` holds its events, `torn_bytes` what
    was set aside) the clock goes on after the last of them. `record` is called with each event in order, `commit`
    after each batch of them: what it returned from must be on the disk. An error in either ends the run.
    `foresight` renews the forecasts that are shown while gas flows; nothing that is recorded depends on it.

    Raises LinkError, with nothing recorded, if the link cannot be opened to begin with.
    """
    await link.open()
    driver = _Driver(link, hands, clock, record, commit, show, foresight)
    try:
        if before:
            driver.resume(fold(before), before[-1].t_s, torn_bytes, operator)
        else:
            driver.start(plan, run_id, operator, speed, simulated)
        return await driver.run(wishes)
    finally:
        await link.close()


class _Driver:
    def __init__(
        self,
        link: Link,
        hands: Hands,
        clock: Clock,
        record: Callable[[Event], None],
        commit: Callable[[], None] | None,
        show: Callable[[Snapshot], None] | None,
        foresight: Foresight | None,
    ) -> None:
        self._link, self._hands, self._clock = link, hands, clock
        self._record, self._commit, self._show = record, commit, show
        self._inbox: asyncio.Queue[_Item] = asyncio.Queue()
        self._tasks: set[asyncio.Task[None]] = set()
        self._asked: dict[str, asyncio.Task[None]] = {}
        self._lookout = Lookout(link.poll_s)
        self._watcher = Watcher(foresight)
        self._messages: tuple[Message, ...] = ()
        self._health = Health()
        self._recording = True
        self._over = False
        self._state: RunState

    # --- beginning ---

    def start(self, plan: Plan, run_id: str, operator: str, speed: float, simulated: bool) -> None:
        event = RunStarted(
            t_s=self._clock.now_s(),
            wall=wall_text(self._clock.wall()),
            run_id=run_id,
            plan=plan,
            link=self._link.url,
            operator=operator,
            speed=speed,
            simulated=simulated,
            software=f"gaswitness {__version__}",
        )
        self._state = begin(event)
        self._keep(event)
        self._done_writing()

    def resume(self, state: RunState, last_t_s: float, torn_bytes: int, operator: str) -> None:
        t_s = max(self._clock.now_s(), last_t_s)
        self._state = state
        self._write(
            RunResumed(t_s=t_s, wall=state.wall(t_s), gap_s=t_s - last_t_s, torn_bytes=torn_bytes, operator=operator)
        )
        for tag in state.gas:
            self._say(
                Message(t_s, said("{tag}: nobody knows whether the gas still flows: shut it first", tag=tag), True)
            )
        self._done_writing()

    # --- going on ---

    async def run(self, wishes: asyncio.Queue[Wish] | None) -> RunStopped:
        self._translator = Translator(self._link.url, self._link.poll_s, self._state.wall)
        reason = said("the program was ended from outside")
        try:
            self._spawn(self._poll())
            self._spawn(self._witness())
            if wishes is not None:
                self._spawn(self._listen(wishes))
            while self._state.ended is None:
                self._take(await self._inbox.get())
                while self._state.ended is None and not self._inbox.empty():
                    self._take(self._inbox.get_nowait())  # what came meanwhile goes to the disk in one go
                self._done_writing()
        except Exception as error:
            reason = f"{type(error).__name__}: {error}"
            raise
        finally:
            self._over = True
            for task in (*self._tasks, *self._asked.values()):
                task.cancel()
            await asyncio.gather(*self._tasks, *self._asked.values(), return_exceptions=True)
            self._close(reason)
        return self._state.ended

    def _close(self, reason: str) -> None:
        """Whatever happened, the last event says how the run ended, as long as there is a ledger to say it in."""
        if self._state.ended is not None or not self._recording:
            return
        t_s = self._now_s()
        for _ in range(2):  # asked for a second time, a run ends without waiting for anybody
            self._feed(StopWanted(t_s, "stopped", BY, reason))
        self._done_writing()

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        async def guarded() -> None:
            try:
                await work
            except Exception as error:  # handed to the one place that decides what an error means
                self._inbox.put_nowait(_Broke(error))

        task = asyncio.create_task(guarded())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _now_s(self) -> float:
        return max(self._clock.now_s(), self._state.t_s)

    def _take(self, item: _Item) -> None:
        """Take in one thing, whatever it is."""
        match item:
            case _Poll(asked_t_s, t_s, Polled() as polled):
                self._health = replace(self._health, up=True, reason="", last_t_s=t_s)
                for event in self._translator.polled(asked_t_s, t_s, polled):
                    self._seen(event)
                for message in self._lookout.on_remarks(t_s, polled.remarks):
                    self._say(message)
                self._tick(t_s)
            case _Poll(_, t_s, LinkError() as error):
                self._health = replace(self._health, up=False, reason=error.message)
                for event in self._translator.failed(t_s, error):
                    self._seen(event)
                self._tick(t_s)
            case Answered():
                self._asked.pop(item.step, None)
                self._feed(item)
                self._tick(item.t_s)
            case Press():
                self._seen(self._mark(item))
                self._hear(Message(item.t_s, _mark_text(item)))
            case StopWish():
                self._feed(StopWanted(self._now_s(), item.outcome, item.by, item.reason))
            case NoteWish():
                t_s = self._now_s()
                self._seen(NoteTaken(t_s=t_s, wall=self._state.wall(t_s), by=item.by, text=item.text))
                self._hear(Message(t_s, f"{item.by}: {item.text}"))
            case ReadingWish():
                self._typed(item)
            case HandOverWish():
                self._hand_over(item)
            case EndWaitWish():
                self._feed(WaitEnded(self._now_s(), item.step, item.by, item.why))
            case _Broke(error):
                raise error

    def _tick(self, t_s: float) -> None:
        self._feed(Tick(t_s))
        for message in self._lookout.on_tick(self._state, t_s):
            self._say(message)

    def _seen(self, event: Event) -> None:
        self._feed(event)
        for message in self._lookout.on_event(self._state, event):
            self._say(message)

    def _hear(self, message: Message) -> None:
        kept = [*self._messages, message]
        if len(kept) > KEPT_MESSAGES:  # what is real outlives whatever else is said meanwhile
            kept.remove(next((one for one in kept if not one.real), kept[0]))
        self._messages = tuple(kept)

    def _say(self, message: Message) -> None:
        self._hear(message)
        if self._state.ended is None:
            wall = self._state.wall(message.t_s)
            self._write(NoteTaken(t_s=message.t_s, wall=wall, by=BY, text=message.text))

    def _feed(self, happening: Happening) -> None:
        """Give one happening to the machine and carry out what it answers."""
        self._state, commands = step(self._state, happening)
        for command in commands:
            match command:
                case Write(event):
                    self._keep(event)
                case Ask(wanted, again):
                    self._ask(wanted, again)
                case Withdraw(step_id):
                    task = self._asked.pop(step_id, None)
                    if task is not None:
                        task.cancel()

    # --- recording and showing ---

    def _write(self, event: Event) -> None:
        self._state = apply(self._state, event)
        self._keep(event)

    def _keep(self, event: Event) -> None:
        self._watcher.see(event)
        try:
            self._record(event)
        except BaseException:
            self._recording = False
            raise

    def _done_writing(self) -> None:
        try:
            if self._commit is not None:
                self._commit()
        except BaseException:
            self._recording = False
            raise
        if self._show is None:
            return
        try:
            self._show(self._watcher.snapshot(self._state, self._now_s(), self._health, self._messages))
        except Exception as error:
            self._show = None
            self._say(
                Message(self._now_s(), said("the display was lost ({error}); the run goes on", error=str(error)), True)
            )

    # --- tasks ---

    async def _poll(self) -> None:
        due_s = self._clock.now_s()
        while not self._over:  # a link may take the cancelling of its poll for a failure of the wire
            asked_t_s = self._clock.now_s()
            brought: Polled | LinkError
            try:
                brought = await self._link.poll()
            except LinkError as error:
                brought = error
            self._inbox.put_nowait(_Poll(asked_t_s, self._clock.now_s(), brought))
            due_s += self._link.poll_s
            missed = int(max(0.0, self._clock.now_s() - due_s) / self._link.poll_s)
            due_s += missed * self._link.poll_s
            self._health = replace(self._health, polls=self._health.polls + 1, missed=self._health.missed + missed)
            await self._clock.sleep_s(due_s - self._clock.now_s())

    async def _witness(self) -> None:
        async for press in self._hands.presses():
            self._inbox.put_nowait(press)

    async def _listen(self, wishes: asyncio.Queue[Wish]) -> None:
        while True:
            self._inbox.put_nowait(await wishes.get())

    def _ask(self, wanted: Step, again: bool) -> None:
        async def asked() -> None:
            if again:
                await self._clock.sleep_s(self._link.poll_s)
            try:
                answer = await self._hands.do(wanted)
            except GaswitnessError as error:
                self._inbox.put_nowait(
                    StopWish("aborted", self._hands.name, said("{id}: {message}", id=wanted.id, message=error.message))
                )
                return
            except Exception as error:
                self._inbox.put_nowait(_Broke(error))
                return
            answer = answer if answer.by else replace(answer, by=self._hands.name)
            self._inbox.put_nowait(Answered(self._now_s(), wanted.id, answer))

        if again:
            self._say(
                Message(self._now_s(), said("this cannot be left out: {text} Or stop the run.", text=wanted.text), True)
            )
        self._asked[wanted.id] = asyncio.create_task(asked())

    def _mark(self, press: Press) -> MarkMade:
        return MarkMade(
            t_s=press.t_s,
            wall=self._state.wall(press.t_s),
            mark_id=press.mark_id,
            post=press.post,
            witness=press.witness,
            signal=press.signal,
            on=press.on,
            pattern=press.pattern,
            offset_s=press.offset_s,
            own_wall=press.own_wall,
            u_s=press.u_s,
            note=press.note,
            corrects=press.corrects,
        )

    def _hand_over(self, wish: HandOverWish) -> None:
        if wish.effect not in self._state.standing_inhibits:
            return
        t_s = self._now_s()
        self._seen(
            InhibitHandedOver(
                t_s=t_s,
                wall=self._state.wall(t_s),
                effect=wish.effect,
                to=wish.to,
                by=wish.by,
                reason=wish.reason,
            )
        )
        self._hear(
            Message(
                t_s,
                said(
                    "{by}: the inhibit on {effect} was handed over to {to}", by=wish.by, effect=wish.effect, to=wish.to
                ),
                True,
            )
        )

    def _typed(self, wish: ReadingWish) -> None:
        t_s = self._now_s()
        self._seen(
            ReadingTaken(
                t_s=t_s,
                wall=self._state.wall(t_s),
                tag=wish.tag,
                value_ppm=wish.value_ppm,
                source_t_s=t_s if wish.t_s is None else min(t_s, wish.t_s),
                quality="by-hand",
            )
        )
        self._tick(t_s)


def _mark_text(press: Press) -> str:
    if press.signal == "present":
        if press.on:
            return said("{witness} is at the post {post}", witness=press.witness, post=press.post)
        return said("{witness} has left the post {post}", witness=press.witness, post=press.post)
    if press.signal == "withdrawn":
        return said("{witness} took a mark back: pressed by mistake", witness=press.witness)
    signal = press.signal.removesuffix(".on")
    if press.on:
        return said("{witness}: {signal} began", witness=press.witness, signal=signal)
    return said("{witness}: {signal} stopped", witness=press.witness, signal=signal)
