"""One clock object for a run: wall time, monotonic run time, and waiting.

Stages never ask the operating system for the time; they are handed one of these. A run on the simulated
installation may go faster than life (`SystemClock(speed=60)`), a test owns its time (`OwnedClock`).
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What a stage may know of time."""

    def now_s(self) -> float:
        """Seconds since this clock was made; never goes back."""
        ...

    def wall(self) -> datetime:
        """The instant in UTC."""
        ...

    async def sleep_s(self, delay_s: float) -> None:
        """Wait this long on this clock."""
        ...


class SystemClock:
    """The machine's clock, optionally `speed` times as fast (a simulated installation only).

    Wall time is read once and then carried by the monotonic clock, so a corrected system clock
    cannot make run time jump. A run that goes on after a break begins at `elapsed_s` instead of zero, and
    `start` is then still the instant of zero.
    """

    def __init__(self, *, speed: float = 1.0, start: datetime | None = None, elapsed_s: float = 0.0) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, found {speed}")
        self.speed = speed
        self._elapsed_s = elapsed_s
        self._mono_0 = time.monotonic()
        self._wall_0 = start or datetime.now(UTC)

    def now_s(self) -> float:
        """Seconds on this clock."""
        return self._elapsed_s + (time.monotonic() - self._mono_0) * self.speed

    def wall(self) -> datetime:
        """The instant in UTC."""
        return self._wall_0 + timedelta(seconds=self.now_s())

    async def sleep_s(self, delay_s: float) -> None:
        """Wait on this clock."""
        await asyncio.sleep(max(0.0, delay_s) / self.speed)


class OwnedClock:
    """A clock that moves only when told to, or when everybody who could go on is waiting for it.

    Any number of tasks may wait: time moves to the earliest of their instants once no other task has anything left
    to do, so an hour of a run takes as long as its arithmetic, and the same run is the same each time. For work
    inside one process only: it does not wait for a socket.

    >>> clock = OwnedClock()
    >>> clock.advance_s(2.5)
    >>> clock.now_s()
    2.5
    """

    _TURNS = 12
    """Turns of the event loop that the others get before time moves; a chain of wake-ups in a run takes fewer."""

    def __init__(self, start: datetime = datetime(2026, 1, 1, tzinfo=UTC), *, elapsed_s: float = 0.0) -> None:
        self._now_s = elapsed_s
        self._wall_0 = start
        self._waiting: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()
        self._mover: asyncio.Task[None] | None = None

    def now_s(self) -> float:
        """Seconds on this clock."""
        return self._now_s

    def wall(self) -> datetime:
        """The instant in UTC."""
        return self._wall_0 + timedelta(seconds=self._now_s)

    def advance_s(self, delay_s: float) -> None:
        """Move time on by hand."""
        if delay_s < 0:
            raise ValueError("time does not go back")
        self._now_s += delay_s

    async def sleep_s(self, delay_s: float) -> None:
        """Wait on this clock."""
        due = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (self._now_s + max(0.0, delay_s), next(self._order), due))
        if self._mover is None or self._mover.done():
            self._mover = asyncio.create_task(self._move())
        await due

    async def _move(self) -> None:
        while self._waiting:
            await self._others_done()
            while self._waiting and self._waiting[0][2].done():  # somebody stopped waiting
                heapq.heappop(self._waiting)
            if self._waiting:
                due_s, _, due = heapq.heappop(self._waiting)
                self._now_s = await self._moved_to(max(self._now_s, due_s))
                if not due.done():
                    due.set_result(None)

    async def _others_done(self) -> None:
        """Come back when no other task has anything left to do."""
        for _ in range(self._TURNS):
            await asyncio.sleep(0)

    async def _moved_to(self, due_s: float) -> float:
        """Have time moved to an instant, and say where it stands."""
        return due_s
