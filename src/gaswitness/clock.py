"""One clock object for a run: wall time, monotonic run time, and waiting.

Stages never ask the operating system for the time; they are handed one of these. A run on the simulated
installation may go faster than life (`SystemClock(speed=60)`), a test owns its time (`OwnedClock`).
"""

from __future__ import annotations

import asyncio
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
    cannot make run time jump.
    """

    def __init__(self, *, speed: float = 1.0, start: datetime | None = None) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, found {speed}")
        self.speed = speed
        self._mono_0 = time.monotonic()
        self._wall_0 = start or datetime.now(UTC)

    def now_s(self) -> float:
        """Seconds on this clock."""
        return (time.monotonic() - self._mono_0) * self.speed

    def wall(self) -> datetime:
        """The instant in UTC."""
        return self._wall_0 + timedelta(seconds=self.now_s())

    async def sleep_s(self, delay_s: float) -> None:
        """Wait on this clock."""
        await asyncio.sleep(max(0.0, delay_s) / self.speed)


class OwnedClock:
    """A clock that moves only when told to, or when somebody waits on it.

    >>> clock = OwnedClock()
    >>> clock.advance_s(2.5)
    >>> clock.now_s()
    2.5
    """

    def __init__(self, start: datetime = datetime(2026, 1, 1, tzinfo=UTC)) -> None:
        self._now_s = 0.0
        self._wall_0 = start

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
        self.advance_s(max(0.0, delay_s))
        await asyncio.sleep(0)
