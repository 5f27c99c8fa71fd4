"""Takes in what phones send: each mark counted once, acknowledged when it is on the disk, wherever the run stands."""

from __future__ import annotations

import secrets
import time
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Literal, TypedDict

from starlette.concurrency import run_in_threadpool

from gaswitness.errors import InputError
from gaswitness.plan.records import Plan
from gaswitness.run.events import MarkMade, ReadingTaken
from gaswitness.web.folder import LEDGER, Folder
from gaswitness.web.late import ended_ledger, keep_late
from gaswitness.web.live import Live, Receipt
from gaswitness.web.marks import Axis, Exchange, offset_at
from gaswitness.web.sent import (
    Sent,
    SentMark,
    SentReading,
    exchanges_of,
    known_signal,
    late_mark,
    late_reading,
    mark_of,
    wish_of,
)

SERVER = secrets.token_hex(8)
"""This run of the server: exchanges with another one tell nothing about its clock."""
FOR_GOOD = ("complete", "aborted")

State = Literal["recorded", "known", "late", "held", "no-clock", "refused"]
"""On the disk now; there before; kept beside the ledger of a run that has ended; to be sent again once the run is at
the board; to be sent again with an exchange of clocks; nothing that this site knows of."""


class Answered(TypedDict):
    """What a phone is told of each mark it sent."""

    mark_id: str
    state: State
    t_s: float | None
    u_s: float | None
    """Standard uncertainty of the phone's clock at the press, in its own seconds."""


@dataclass(frozen=True, slots=True)
class _Run:
    """The run that marks are for, going on or over."""

    plan: Plan
    axis: Axis
    live: Live | None
    path: Path | None
    """The ledger, where the run has ended for good."""


@dataclass
class Inbox:
    """One parcel of marks from one phone."""

    sent: Sent
    name: str
    post: str
    folder: Folder
    live: Live | None

    async def take(self) -> list[Answered]:
        """Take in one after the other, as they were pressed; one that is not understood does not hold up the rest."""
        arrived_s = time.monotonic()
        run = self._live_run(self.live) if self.live is not None else await run_in_threadpool(self._ended_run)
        in_order: list[SentMark | SentReading] = [*self.sent.marks, *self.sent.readings]
        return [await self._take(one, run, arrived_s) for one in in_order]

    @cached_property
    def _exchanges(self) -> list[Exchange]:
        return exchanges_of(self.sent, SERVER)

    def _live_run(self, live: Live) -> _Run:
        axis = Axis(live.speed, time.monotonic(), live.clock.now_s(), live.clock.wall().timestamp())
        ended = live.snapshot is not None and live.snapshot.ended in FOR_GOOD
        path = self.folder.file(f"{live.run_id}{LEDGER}", LEDGER) if ended and live.over else None
        return _Run(live.plan, axis, live, path)

    def _ended_run(self) -> _Run | None:
        """The run as its ledger tells it; none where there is none, or where it may still go on."""
        try:
            path = self.folder.file(f"{self.sent.run}{LEDGER}", LEDGER)
        except InputError:
            return None
        ledger = ended_ledger(path)
        if ledger.stopped is None or ledger.stopped.outcome not in FOR_GOOD:
            return None
        started = ledger.started
        began_s = datetime.fromisoformat(started.wall).timestamp()
        gone_s = (time.time() - began_s) * started.speed
        axis = Axis(started.speed, time.monotonic(), started.t_s + gone_s, began_s + gone_s)
        return _Run(started.plan, axis, None, path)

    async def _take(self, one: SentMark | SentReading, run: _Run | None, arrived_s: float) -> Answered:
        if run is None:
            return _answer(one, "held")
        offset = offset_at(one.at.stamp(), self._exchanges, arrived_s)
        if offset is None:
            return _answer(one, "no-clock")
        event: MarkMade | ReadingTaken
        receipt: Receipt | None = None
        if isinstance(one, SentReading):
            wish = wish_of(one, run.plan.site, run.axis, offset, self.name)
            if wish is None:
                return _answer(one, "refused")
            if run.live is not None:
                receipt = await run.live.accept_reading(one.mark_id, wish)
            event = late_reading(wish, run.axis)
        else:
            if not known_signal(one.signal, run.plan.site):
                return _answer(one, "refused")
            mark = mark_of(one, run.axis, offset, self.post, self.name)
            if run.live is not None:
                receipt = await run.live.accept_mark(mark, self.name)
            event = late_mark(mark, run.axis, self.name)
        if receipt is not None and receipt.state != "late":
            return _answer(one, receipt.state, receipt.t_s, offset.u_s)
        if run.path is None:
            return _answer(one, "held")
        kept, fresh = await run_in_threadpool(keep_late, run.path, event)
        return _answer(one, "late" if fresh else "known", kept.t_s, offset.u_s)


def _answer(one: SentMark | SentReading, state: State, t_s: float | None = None, u_s: float | None = None) -> Answered:
    return Answered(
        mark_id=one.mark_id,
        state=state,
        t_s=None if t_s is None else round(t_s, 3),
        u_s=None if u_s is None else round(u_s, 4),
    )
