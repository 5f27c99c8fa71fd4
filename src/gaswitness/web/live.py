"""One run on the board: hands for people at pages, marks that come in, snapshots that go out.

Nothing here is the truth: what people do goes to the run as answers, presses and wishes, and what the run recorded
comes back. A mark is acknowledged only once it is on the disk.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal

from pydantic import Field

from gaswitness.clock import Clock
from gaswitness.links.rig.pace import LeadingClock
from gaswitness.plan.records import Plan, Step
from gaswitness.records import Record
from gaswitness.run.events import (
    Event,
    GasTurned,
    InhibitHandedOver,
    InhibitMoved,
    MarkMade,
    ReadingTaken,
    RoleTold,
    RunStopped,
    StatusSeen,
)
from gaswitness.run.measured import Measured
from gaswitness.run.ports import Answer, Hands, Press, ReadingWish, StopWish, Wish
from gaswitness.run.snapshots import Snapshot

ANSWER_U_S = 0.1
"""Standard uncertainty of the instant of a press by somebody who waits for it (common practice, no source)."""
EDGES_KEPT = 400
SAME_READING_S = 2.0
"""Nobody types the same reading twice within this time (on the run's clock at life speed); our assumption."""
PRESENT = "present"
OTHER = "other"
"""Marks of no signal: a witness at a post, and something that nobody expected."""


class Mark(Record):
    """What a post sends. `real_s` is the instant of the press on the server's monotonic clock (`Live.real_s`)."""

    mark_id: str = Field(min_length=8, max_length=80, pattern=r"^[A-Za-z0-9._-]+$")
    post: str = Field(max_length=40)
    signal: str = Field(max_length=90)
    on: bool
    real_s: float = Field(allow_inf_nan=False)
    offset_s: float = Field(0.0, allow_inf_nan=False)
    """Run clock minus the phone's, as measured; already taken into account in `real_s`."""
    own_wall: str = Field("", max_length=40)
    """The instant of the press as the phone's clock showed it."""
    u_s: float = Field(ge=0, le=86_400, allow_inf_nan=False)
    """Standard uncertainty, reaction and clock, in the phone's own seconds."""
    pattern: Literal["steady", "flashing", "pulsed"] | None = None
    note: str = Field("", max_length=500)
    corrects: str | None = Field(None, max_length=80)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of a mark: on the disk now, there before, or come after the run had ended."""

    mark_id: str
    state: Literal["recorded", "known", "late"]
    t_s: float | None = None


@dataclass(frozen=True, slots=True)
class Edge:
    """Something that began or stopped, for the strip: by the panel's status or by a witness."""

    t_s: float
    signal: str
    on: bool
    by: str
    """Empty for the panel, else who pressed."""


class WebHands:
    """The person at the desk; or, where nobody is to be asked, the helper's own hands. Marks come in either way."""

    def __init__(self, name: str, now_s: Callable[[], float], *, helper: Hands | None, asks: bool) -> None:
        self.name = name
        self.asks = asks
        self._now_s, self._helper = now_s, helper
        self._asked: tuple[Step, asyncio.Future[Answer]] | None = None
        self._marks: asyncio.Queue[Press] = asyncio.Queue()

    @property
    def asking(self) -> Step | None:
        """The step that waits for somebody at the desk."""
        return self._asked[0] if self._asked is not None else None

    async def do(self, step: Step) -> Answer:
        """Wait until somebody says that it is done, and have the helper do it where there is one."""
        if not self.asks and self._helper is not None:
            return await self._helper.do(step)
        answered: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._asked = (step, answered)
        try:
            answer = await answered
        finally:
            self._asked = None
        if self._helper is not None and answer.state == "done":
            helped = await self._helper.do(step)
            measured = answer.measured or helped.measured
            return Answer("done", answer.by, answer.note, t_s=helped.t_s, u_s=helped.u_s, measured=measured)
        return answer

    def answer(
        self,
        step_id: str,
        state: Literal["done", "skipped"],
        by: str,
        note: str = "",
        measured: Measured | None = None,
    ) -> bool:
        """Somebody answered this step; false where it is not the one that waits (any more)."""
        if self._asked is None or self._asked[0].id != step_id or self._asked[1].done():
            return False
        self._asked[1].set_result(Answer(state, by, note, t_s=self._now_s(), u_s=ANSWER_U_S, measured=measured))
        return True

    def press(self, press: Press) -> None:
        """A mark from a post."""
        self._marks.put_nowait(press)

    async def presses(self) -> AsyncIterator[Press]:
        """Marks as they come, those of the helper's own witnesses too where nobody is asked."""
        passing = asyncio.create_task(self._pass_on()) if self._helper is not None and not self.asks else None
        try:
            while True:
                yield await self._marks.get()
        finally:
            if passing is not None:
                passing.cancel()

    async def _pass_on(self) -> None:
        if self._helper is not None:
            async for press in self._helper.presses():
                self._marks.put_nowait(press)


@dataclass
class Live:
    """A run while it goes on, and after it until the next one begins; sits where a terminal would."""

    run_id: str
    plan: Plan
    clock: Clock
    speed: float
    wishes: asyncio.Queue[Wish]
    hands: WebHands
    snapshot: Snapshot | None = None
    """The last one; none before the first poll."""
    ended_why: str = ""
    """What the run's last event says of its end."""
    failed: str = ""
    """Why the run broke off, where it did not end by itself."""
    used_m3: dict[str, float] = field(default_factory=dict)
    """Gas taken out of each bottle so far, bottles that are shut."""
    at_posts: dict[str, dict[str, float]] = field(default_factory=dict)
    """Per post who is there, by name, and since when on the run's clock."""
    handed_over: dict[str, str] = field(default_factory=dict)
    """Effects whose inhibit stays, and who answers for it."""
    told: dict[str, dict[str, float]] = field(default_factory=dict)
    """Per role when it was told that the test `begins` and is `over`, on the run's clock."""
    by_link: set[str] = field(default_factory=set)
    """Signals that a link shows; the others are for people to see."""
    edges: deque[Edge] = field(default_factory=lambda: deque(maxlen=EDGES_KEPT))
    _known: dict[str, float] = field(default_factory=dict)
    _waiting: dict[str, asyncio.Future[None]] = field(default_factory=dict)
    _written: list[tuple[str, float]] = field(default_factory=list)
    _typed: list[tuple[str, float, float]] = field(default_factory=list)
    _gas_since: dict[tuple[str, str], float] = field(default_factory=dict)
    """By bottle and detector when gas was turned on, for what is open now."""
    _watchers: set[asyncio.Event] = field(default_factory=set)
    _over: bool = False

    # --- time ---

    def real_s(self) -> float:
        """The server's monotonic clock, which posts measure theirs against."""
        return time.monotonic()

    def run_time(self, real_s: float) -> float:
        """An instant of the server's monotonic clock, on the run's clock."""
        if isinstance(self.clock, LeadingClock):
            return self.clock.at_s(real_s)
        return self.clock.now_s() - (time.monotonic() - real_s) * self.speed

    # --- what comes in ---

    async def accept_mark(self, mark: Mark, witness: str) -> Receipt:
        """Take a mark in and come back when it is on the disk; the same mark a second time changes nothing."""
        if mark.mark_id in self._known:
            return Receipt(mark.mark_id, "known", self._known[mark.mark_id])
        if self.over:
            return Receipt(mark.mark_id, "late")
        t_s = self.run_time(mark.real_s)
        written = self._waiting.get(mark.mark_id)
        if written is None:
            written = self._waiting[mark.mark_id] = asyncio.get_running_loop().create_future()
            self.hands.press(
                Press(
                    mark_id=mark.mark_id,
                    post=mark.post,
                    witness=witness,
                    signal=mark.signal,
                    on=mark.on,
                    t_s=t_s,
                    u_s=mark.u_s * self.speed,
                    pattern=mark.pattern,
                    offset_s=mark.offset_s,
                    own_wall=mark.own_wall,
                    note=mark.note,
                    corrects=mark.corrects,
                )
            )
        await asyncio.shield(written)
        state: Literal["recorded", "late"] = "recorded" if mark.mark_id in self._known else "late"
        return Receipt(mark.mark_id, state, self._known.get(mark.mark_id))

    async def accept_reading(self, reading_id: str, wish: ReadingWish) -> Receipt:
        """Take a typed reading in and come back when it is on the disk; sent again after a restart it is known."""
        typed = (wish.tag, wish.value_ppm, wish.t_s or 0.0)
        before = self._alike(typed)
        key = _reading_key(before or typed)
        if key in self._known:
            return Receipt(reading_id, "known", self._known[key])
        if self.over:
            return Receipt(reading_id, "late")
        if before is None:
            self._typed.append(typed)
            self.wish(wish)
        written = self._waiting.setdefault(key, asyncio.get_running_loop().create_future())
        await asyncio.shield(written)
        return Receipt(reading_id, "recorded" if key in self._known else "late", self._known.get(key))

    def _alike(self, typed: tuple[str, float, float]) -> tuple[str, float, float] | None:
        """The same reading, asked for or recorded before; sent again, its instant may be known better by then."""
        return next(
            (one for one in self._typed if one[:2] == typed[:2] and abs(one[2] - typed[2]) <= SAME_READING_S), None
        )

    def wish(self, wish: Wish) -> None:
        """Somebody wants something of the run: to stop, a note kept, a reading taken down."""
        self.wishes.put_nowait(wish)

    def stop(self, outcome: Literal["stopped", "aborted"], by: str, reason: str = "") -> None:
        """Gas is shut first, then inhibits are lifted, then the run ends."""
        self.wish(StopWish(outcome, by, reason))

    def known(self, mark_ids: Iterable[str]) -> tuple[str, ...]:
        """Those of these marks that are on the disk."""
        return tuple(mark_id for mark_id in mark_ids if mark_id in self._known)

    @property
    def over(self) -> bool:
        """The run has ended, one way or the other."""
        return self._over

    # --- what the run says ---

    def recorded(self, event: Event) -> None:
        """An event was recorded; it is on the disk after the next `committed`."""
        if isinstance(event, StatusSeen):
            self.by_link.add(event.signal)
        match event:
            case MarkMade():
                self._written.append((event.mark_id, event.t_s))
                self._marked(event)
            case ReadingTaken(quality="by-hand") if event.value_ppm is not None:
                typed = (event.tag, event.value_ppm, event.source_t_s)
                before = self._alike(typed)
                if before is None:
                    self._typed.append(typed)
                self._written.append((_reading_key(before or typed), event.source_t_s))
            case StatusSeen(signal=signal, on=on) if event.after_t_s is not None:
                self.edges.append(Edge(event.t_s, signal, on, ""))
            case InhibitHandedOver():
                self.handed_over[event.effect] = event.to
            case InhibitMoved():
                self.handed_over.pop(event.effect, None)
            case RoleTold():
                self.told.setdefault(event.role, {})[event.what] = event.t_s
            case RunStopped():
                self.ended_why = event.reason
            case GasTurned(on=True):
                self._gas_since[event.cylinder, event.tag] = event.t_s
            case GasTurned(on=False):
                since_s = self._gas_since.pop((event.cylinder, event.tag), event.t_s)
                flow_m3_s = self.plan.site.cylinder(event.cylinder).flow_m3_s
                self.used_m3[event.cylinder] = self.used_m3.get(event.cylinder, 0.0) + (event.t_s - since_s) * flow_m3_s
            case _:
                pass

    def _marked(self, event: MarkMade) -> None:
        if event.signal == "withdrawn":
            return  # both stay in the ledger; the strip keeps what was pressed
        if event.signal != PRESENT:
            self.edges.append(Edge(event.t_s, event.signal, event.on, event.witness))
        elif event.on:
            self.at_posts.setdefault(event.post, {})[event.witness] = event.t_s
        else:
            self.at_posts.get(event.post, {}).pop(event.witness, None)

    def committed(self) -> None:
        """Everything recorded so far is on the disk: whoever waits for it may know."""
        for mark_id, t_s in self._written:
            self._known[mark_id] = t_s
            waiting = self._waiting.pop(mark_id, None)
            if waiting is not None and not waiting.done():
                waiting.set_result(None)
        self._written.clear()

    def show(self, snapshot: Snapshot) -> None:
        """The next snapshot."""
        self.snapshot = snapshot
        self._tell()

    def end(self, failed: str = "") -> None:
        """The run is over; whoever still waits learns that the mark came too late."""
        self.failed, self._over = failed, True
        for waiting in self._waiting.values():
            if not waiting.done():
                waiting.set_result(None)
        self._waiting.clear()
        self._tell()

    def _tell(self) -> None:
        for watcher in self._watchers:
            watcher.set()

    async def subscribe(self, at_least_s: float = 0.2) -> AsyncIterator[Snapshot | None]:
        """The last snapshot now and after each change, no more often than every `at_least_s` real seconds.

        None where nothing came for a while, so that a dead connection is noticed. Ends a while after the run.
        """
        news = asyncio.Event()
        self._watchers.add(news)
        try:
            yield self.snapshot
            while not self._over:
                try:
                    await asyncio.wait_for(news.wait(), 10.0)
                except TimeoutError:
                    yield None
                    continue
                news.clear()
                yield self.snapshot
                await asyncio.sleep(at_least_s)
            yield self.snapshot
        finally:
            self._watchers.discard(news)

    def left_m3(self, cylinder: str, t_s: float) -> float | None:
        """Gas left in a bottle above its minimum pressure, if it held at the start what the plan counted on."""
        held = next((need.available_m3 for need in self.plan.gas if need.cylinder == cylinder), None)
        if held is None:
            return None
        open_s = sum(t_s - since_s for (bottle, _), since_s in self._gas_since.items() if bottle == cylinder)
        flowing_m3 = open_s * self.plan.site.cylinder(cylinder).flow_m3_s
        return max(0.0, held - self.used_m3.get(cylinder, 0.0) - flowing_m3)


def _reading_key(typed: tuple[str, float, float]) -> str:
    return "{}={!r}@{!r}".format(*typed)


def before_of(live: Live, events: Iterable[Event]) -> None:
    """Bring a run that goes on up to what its ledger holds already: marks that came in must not come in twice."""
    for event in events:
        live.recorded(event)
    live.committed()
