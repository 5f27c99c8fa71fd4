"""One alarm point as a pure step machine: state and reading in, state and edges out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from gaswitness.alarms import logic
from gaswitness.errors import OutOfDomain

Direction = Literal["rising", "falling"]
EdgeKind = Literal["acknowledged", "set", "recurred", "returned", "clear"]
IsaState = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned to normal unacknowledged",
    "latched unacknowledged",
    "latched acknowledged",
    "out of service",
]

KINDS: tuple[EdgeKind, ...] = ("acknowledged", "set", "recurred", "returned", "clear")
"""Edge kinds in the order in which one step tells them; the position is the code that arrays carry."""

_step = logic.transition.plain


@dataclass(frozen=True, slots=True)
class Edge:
    """Something that changed at an alarm point.

    `set` and `clear`: the point begins or ceases to annunciate. `returned`: the condition is gone but the latch
    holds. `recurred`: the condition came back while the latch held. `acknowledged`: somebody took note.
    """

    t_s: float
    point: str
    kind: EdgeKind
    value: float
    """The reading at that instant; NaN where the step brought none."""


@dataclass(frozen=True, slots=True)
class PointState:
    """What an alarm point remembers between two readings; made by `AlarmPoint.start`."""

    flags: int = 0
    since_s: float = 0.0
    """When the running delay began; 0 where none runs."""
    seen_s: float = 0.0
    """Last sample within the running delay; 0 where none runs."""

    @property
    def on(self) -> bool:
        """The condition stands, deadband and delays taken into account."""
        return bool(self.flags & logic.ON)

    @property
    def latched(self) -> bool:
        """Holds until reset."""
        return bool(self.flags & logic.LATCHED)

    @property
    def unacknowledged(self) -> bool:
        """Nobody has acknowledged it yet."""
        return bool(self.flags & logic.UNACKNOWLEDGED)

    @property
    def pending(self) -> bool:
        """An on-delay or off-delay runs."""
        return bool(self.flags & logic.PENDING)

    @property
    def inhibited(self) -> bool:
        """Held back from annunciating."""
        return bool(self.flags & logic.INHIBITED)

    @property
    def active(self) -> bool:
        """Annunciates: the condition stands or the latch holds, and nothing inhibits it."""
        return (self.on or self.latched) and not self.inhibited

    @property
    def isa_state(self) -> IsaState:
        """The alarm state in the words of ISA-18.2 / IEC 62682 (from memory: check the current text)."""
        if self.inhibited:
            return "out of service"
        if self.on:
            return "unacknowledged" if self.unacknowledged else "acknowledged"
        if self.latched:
            return "latched unacknowledged" if self.unacknowledged else "latched acknowledged"
        return "returned to normal unacknowledged" if self.unacknowledged else "normal"


_START = PointState()


@dataclass(frozen=True, slots=True)
class AlarmPoint:
    """One alarm of one detector.

    Rising: sets at `value >= set_level`, clears at `value < set_level - deadband`. Falling: sets at
    `value <= set_level`, clears at `value > set_level + deadband`. A delay is over at the first sample at which the
    condition has stood for at least that long without a break; a sample that breaks it starts it anew.

    NaN is no sample: it neither sets nor clears, and a running delay goes on as if the last reading held. Where two
    samples within a running delay lie more than `stale_s` apart, the delay starts anew at the later one: what was not
    measured has not persisted. An alarm that stands is never taken away by missing readings.

    Levels and deadband share one unit, whichever the readings have; times are seconds, not going back.

    >>> low = AlarmPoint("low", 2000.0, deadband=400.0)
    >>> state, edges = low.step(low.start(), 0.0, 2000.0)
    >>> edges
    (Edge(t_s=0.0, point='low', kind='set', value=2000.0),)
    >>> state, edges = low.step(state, 1.0, 1600.0)
    >>> state.active, edges
    (True, ())
    >>> low.step(state, 2.0, 1599.9)[1][0].kind
    'clear'
    """

    name: str
    set_level: float
    direction: Direction = "rising"
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    latching: bool = False
    stale_s: float = math.inf

    def __post_init__(self) -> None:
        where = f"alarm point {self.name!r}"
        if self.direction not in ("rising", "falling"):
            raise OutOfDomain("direction", where=where, found=self.direction, expected="'rising' or 'falling'")
        if not math.isfinite(self.set_level):
            raise OutOfDomain("set level", where=where, found=self.set_level, expected="a finite number")
        for name in ("deadband", "on_delay_s", "off_delay_s"):
            number = getattr(self, name)
            if not (math.isfinite(number) and number >= 0):
                raise OutOfDomain(name, where=where, found=number, expected="a finite number, 0 or above")
        if not self.stale_s > 0:
            raise OutOfDomain("stale_s", where=where, found=self.stale_s, expected="a number above 0")

    @property
    def clear_level(self) -> float:
        """Level beyond which the point clears, in the unit of its set level; on it, it still stands."""
        return self.set_level - self.deadband if self.direction == "rising" else self.set_level + self.deadband

    @property
    def sign(self) -> float:
        """Factor that makes a rising alarm of it."""
        return 1.0 if self.direction == "rising" else -1.0

    def start(self) -> PointState:
        """The state before the first reading: normal, nothing running."""
        return _START

    def step(
        self,
        state: PointState,
        t_s: float,
        value: float,
        *,
        reset: bool = False,
        acknowledge: bool = False,
        inhibited: bool = False,
    ) -> tuple[PointState, tuple[Edge, ...]]:
        """The state after a reading at `t_s`, and what changed.

        `reset` and `acknowledge` were pressed since the reading before, and act on what stood until this one; a press
        alone is a step with a NaN reading. `inhibited` says how it is now: the logic, latch included, goes on
        underneath, and what still stands annunciates when the inhibit is lifted.
        """
        t_s = float(t_s)
        value = float(value)
        sign = self.sign
        flags, since_s, seen_s, bits = _step(
            state.flags,
            state.since_s,
            state.seen_s,
            t_s,
            sign * value,
            sign * self.set_level,
            sign * self.clear_level,
            self.on_delay_s,
            self.off_delay_s,
            self.stale_s,
            self.latching,
            reset,
            acknowledge,
            inhibited,
        )
        edges = tuple(Edge(t_s, self.name, kind, value) for code, kind in enumerate(KINDS) if bits >> code & 1)
        return PointState(flags, since_s, seen_s), edges
