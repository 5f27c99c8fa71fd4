"""Time between a run and a rig: each goes by itself, or the run leads and neither can leave the other behind.

At many times the speed of life a moment in which the machine is busy with something else would cost seconds of the
simulated day, and polls would seem to be missing that nobody missed. A run that leads moves the rig's time on itself,
once it has done all there was to do; a busy machine then only makes the day go slower.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import Awaitable, Callable, Iterator
from datetime import datetime

import numpy as np

from gaswitness.clock import OwnedClock, SystemClock
from gaswitness.errors import LinkError
from gaswitness.run.ports import Link, Polled

COURSE_KEPT = 20_000
"""Moves of a led clock that are remembered, so that what was pressed a while ago still finds its instant."""


class RigTime:
    """The rig's own clock: runs free at its speed until somebody leads it, and again when they have gone."""

    def __init__(self, speed: float) -> None:
        self._speed = speed
        self._free = SystemClock(speed=speed)
        self._led_s: float | None = None

    def now_s(self) -> float:
        """Seconds since the rig was started."""
        return self._free.now_s() if self._led_s is None else self._led_s

    def lead(self, to_s: float | None) -> None:
        """Stand still, or move on to `to_s`; time never goes back."""
        now_s = self.now_s()
        self._led_s = now_s if to_s is None else max(now_s, to_s)

    def run_free(self) -> None:
        """Go on by itself from where it stands."""
        if self._led_s is not None:
            self._free = SystemClock(speed=self._speed, elapsed_s=self._led_s)
            self._led_s = None


class LeadingClock(OwnedClock):
    """The clock of a run that leads a rig: at most `speed` times as fast as life, and never ahead of its own work.

    `lead` moves the rig to an instant of this clock and says where it stands. Whoever waits for an answer from
    outside does so within `hold()`, and time stands meanwhile.
    """

    def __init__(self, speed: float, *, start: datetime, elapsed_s: float = 0.0) -> None:
        super().__init__(start, elapsed_s=elapsed_s)
        self.speed = speed
        self.lead: Callable[[float], Awaitable[float]] | None = None
        self._held = 0
        self._let_go = asyncio.Event()
        self._not_before = time.monotonic()
        self._course = deque([(self._not_before, elapsed_s)], maxlen=COURSE_KEPT)

    @contextlib.contextmanager
    def hold(self) -> Iterator[None]:
        """Time stands within."""
        self._held += 1
        try:
            yield
        finally:
            self._held -= 1
            self._let_go.set()

    async def _others_done(self) -> None:
        await super()._others_done()
        while self._held:
            self._let_go.clear()
            await self._let_go.wait()
            await super()._others_done()

    def at_s(self, monotonic_s: float) -> float:
        """This clock at an instant of the machine's own, which other processes go by: between the moves it made."""
        course = tuple(self._course)
        return float(np.interp(monotonic_s, [real_s for real_s, _ in course], [t_s for _, t_s in course]))

    async def _moved_to(self, due_s: float) -> float:
        self._not_before += (due_s - self.now_s()) / self.speed
        early_s = self._not_before - time.monotonic()
        if early_s > 0:
            await asyncio.sleep(early_s)
        else:
            self._not_before = time.monotonic()  # what was lost to other work is not made up by haste
        if self.lead is not None:
            try:
                due_s = await self.lead(due_s)
            except LinkError:
                self.lead = None  # the rig has gone: the polls will say so, and time goes on to let them
        self._course.append((time.monotonic(), due_s))
        return due_s


class HeldLink:
    """A link whose polls hold the clock of the run."""

    def __init__(self, link: Link, clock: LeadingClock) -> None:
        self._link = link
        self._clock = clock
        self.url = link.url
        self.poll_s = link.poll_s

    async def open(self) -> None:
        """Connect; raises LinkError."""
        await self._link.open()

    async def poll(self) -> Polled:
        """Read everything once; raises LinkError."""
        with self._clock.hold():
            return await self._link.poll()

    async def close(self) -> None:
        """Let go; never raises."""
        await self._link.close()
