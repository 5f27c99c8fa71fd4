"""The small contracts a run needs from outside: links that are polled, and hands that do what a step says."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

from gaswitness.plan.records import Step
from gaswitness.run.measured import Measured

Quality = Literal["good", "over", "under", "bad", "stale", "by-hand"]


@dataclass(frozen=True, slots=True)
class PolledReading:
    """One reading as a link gives it; `source_age_s` where the source says how old it is."""

    value_ppm: float | None
    quality: Quality = "good"
    source_age_s: float | None = None


@dataclass(frozen=True, slots=True)
class Polled:
    """Everything one poll brought: readings by detector tag, status by signal (`NH3-1.low`, `FAN-1.on`)."""

    readings: Mapping[str, PolledReading] = field(default_factory=dict)
    status: Mapping[str, bool] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    """What a person must know of what was read and could not be used; each is said once for as long as it holds."""


class Link(Protocol):
    """Where readings and status come from. There is nothing here to write with, and that is on purpose."""

    url: str
    poll_s: float

    async def open(self) -> None:
        """Connect; raises LinkError."""
        ...

    async def poll(self) -> Polled:
        """Read everything once; raises LinkError. The next poll may succeed: a link mends itself."""
        ...

    async def close(self) -> None:
        """Let go; never raises."""
        ...


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a step that was handed to somebody; `t_s` is on the run's clock where the hands know better
    than the moment the answer came in."""

    state: Literal["done", "skipped", "aborted"] = "done"
    by: str = ""
    note: str = ""
    t_s: float | None = None
    u_s: float = 0.1
    measured: Measured | None = None
    """What was read off an instrument, at a step that asks for it; without it such a step counts as skipped."""


@dataclass(frozen=True, slots=True)
class Press:
    """A witness pressed something. `t_s` is on the run's clock."""

    mark_id: str
    post: str
    witness: str
    signal: str
    on: bool
    t_s: float
    u_s: float
    pattern: Literal["steady", "flashing", "pulsed"] | None = None
    offset_s: float = 0.0
    note: str = ""
    corrects: str | None = None
    own_wall: str = ""
    """The same instant as the witness's own clock showed it."""


class Hands(Protocol):
    """Whoever does what the steps say, and sees what happens: people at the keyboard or the rig's own hands."""

    name: str

    async def do(self, step: Step) -> Answer:
        """Do this step and come back when it is done."""
        ...

    def presses(self) -> AsyncIterator[Press]:
        """Marks as they come, until the run ends."""
        ...


@dataclass(frozen=True, slots=True)
class StopWish:
    """The person in charge wants the run to end."""

    outcome: Literal["stopped", "aborted"]
    by: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class NoteWish:
    """Words to be kept."""

    by: str
    text: str


@dataclass(frozen=True, slots=True)
class ReadingWish:
    """A reading taken off a display by a person."""

    by: str
    tag: str
    value_ppm: float
    t_s: float | None = None
    """When it was read, on the run's clock, where that is known better than by when the wish came in."""


@dataclass(frozen=True, slots=True)
class HandOverWish:
    """An inhibit that cannot be lifted now becomes somebody's, by name."""

    by: str
    effect: str
    to: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class EndWaitWish:
    """The reading on gas need not settle: what is wanted of it has been shown."""

    by: str
    step: str
    why: str


Wish = StopWish | NoteWish | ReadingWish | HandOverWish | EndWaitWish
"""What a person may want of a run at any time, whatever step stands."""
