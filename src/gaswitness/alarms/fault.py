"""Faults of a detector: loop current, range, age of the reading, communication; as a pure step machine."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import OutOfDomain

FAILURE_LOW_MA = 3.6
"""At or below it the current tells of a failure (NAMUR NE 43; some texts write `<`)."""
FAILURE_HIGH_MA = 21.0
"""At or above it the current tells of a failure (NAMUR NE 43; some texts write `>`)."""
MEASURING_MA = (3.8, 20.5)
"""Currents that tell of a reading (NAMUR NE 43); between here and failure nothing is said."""

LoopState = Literal["failure-low", "uncertain-low", "measuring", "uncertain-high", "failure-high", "unknown"]
FaultReason = Literal["communication", "no-reading", "stale", "loop-low", "loop-high", "under-range", "over-range"]


def loop_state(current_ma: float) -> LoopState:
    """What a 4-20 mA current tells of its detector (NAMUR NE 43).

    >>> [loop_state(ma) for ma in (3.6, 3.7, 3.8, 20.5, 20.7, 21.0)]
    ['failure-low', 'uncertain-low', 'measuring', 'measuring', 'uncertain-high', 'failure-high']
    """
    if math.isnan(current_ma):
        return "unknown"
    if current_ma <= FAILURE_LOW_MA:
        return "failure-low"
    if current_ma < MEASURING_MA[0]:
        return "uncertain-low"
    if current_ma <= MEASURING_MA[1]:
        return "measuring"
    return "uncertain-high" if current_ma < FAILURE_HIGH_MA else "failure-high"


def level_of_current(current_ma: float, range_low: float, range_high: float) -> float:
    """Reading of a 4-20 mA loop: `low + (I - 4) / 16 x (high - low)`, I in mA, in the unit of the range.

    >>> round(level_of_current(12.08, 0.0, 100.0), 9)
    50.5
    """
    return range_low + (current_ma - 4.0) / 16.0 * (range_high - range_low)


@dataclass(frozen=True, slots=True)
class FaultEdge:
    """A fault came, went, or changed its reasons (`set` again)."""

    t_s: float
    kind: Literal["set", "clear"]
    reasons: tuple[FaultReason, ...]


@dataclass(frozen=True, slots=True)
class FaultState:
    """What the fault logic remembers."""

    reasons: tuple[FaultReason, ...] = ()
    """Why the fault stands; empty while there is none."""
    value: float | None = None
    """The last reading that was due."""
    current_ma: float | None = None
    """The last current seen, where there is a loop."""
    fresh_t_s: float | None = None
    """When a reading last was true."""
    begun_s: float | None = None
    """Since when something has been wrong, whether told yet or not."""

    @property
    def on(self) -> bool:
        """Whether the fault is told."""
        return bool(self.reasons)


@dataclass(frozen=True, slots=True)
class FaultLogic:
    """When a detector counts as faulty. A fault takes no alarm away: the alarm points judge readings on their own.

    - `communication`: the link says so.
    - `loop-low`, `loop-high`: the current is at or beyond 3.6 / 21 mA.
    - `under-range`, `over-range`: the reading is beyond the range by more than `margin`.
    - `no-reading`: a reading was due and none came (NaN, or nothing yet).
    - `stale`: the newest reading has been true for longer than `stale_s`.

    A fault is told once something has been wrong, without a break, for `delay_s`; it goes as soon as all is well.

    >>> logic = FaultLogic(0.0, 100.0, margin=5.0, stale_s=10.0)
    >>> state, _ = logic.step(FaultState(), 0.0, 21.0)
    >>> logic.step(state, 10.5)[1]
    (FaultEdge(t_s=10.5, kind='set', reasons=('stale',)),)
    """

    range_low: float
    range_high: float
    margin: float = 0.0
    stale_s: float = math.inf
    delay_s: float = 0.0

    def __post_init__(self) -> None:
        if not self.range_low < self.range_high:
            raise OutOfDomain(
                "range", found=(self.range_low, self.range_high), expected="its low end below its high end"
            )
        for name in ("margin", "delay_s"):
            if not getattr(self, name) >= 0:
                raise OutOfDomain(name, found=getattr(self, name), expected="0 or above")
        if not self.stale_s > 0:
            raise OutOfDomain("stale_s", found=self.stale_s, expected="above 0")

    def step(
        self,
        state: FaultState,
        t_s: float,
        value: float | None = None,
        *,
        current_ma: float | None = None,
        source_age_s: float = 0.0,
        communicating: bool = True,
    ) -> tuple[FaultState, tuple[FaultEdge, ...]]:
        """The state at `t_s`, and what changed.

        `value` is None where no reading was due, NaN where one was due and did not come; `source_age_s` is how old
        the source says the reading is. Where `current_ma` is given, its failure bands speak for the loop, and the
        reading may be left to it.
        """
        if current_ma is not None and value is None:
            value = level_of_current(current_ma, self.range_low, self.range_high)
        fresh_t_s = state.fresh_t_s
        if communicating and value is not None and not math.isnan(value):
            fresh_t_s = max(t_s - source_age_s, -math.inf if fresh_t_s is None else fresh_t_s)
        value = state.value if value is None else value
        current_ma = state.current_ma if current_ma is None else current_ma
        reasons: tuple[FaultReason, ...] = ("communication",)
        if communicating:
            reasons = self._reasons(t_s, value, current_ma, fresh_t_s)
        begun_s = None if not reasons else t_s if state.begun_s is None else state.begun_s
        told = reasons if begun_s is not None and (state.on or t_s - begun_s >= self.delay_s) else ()
        after = FaultState(told, value, current_ma, fresh_t_s, begun_s)
        if told == state.reasons:
            return after, ()
        return after, (FaultEdge(t_s, "set", told) if told else FaultEdge(t_s, "clear", state.reasons),)

    def _reasons(
        self, t_s: float, value: float | None, current_ma: float | None, fresh_t_s: float | None
    ) -> tuple[FaultReason, ...]:
        loop = "measuring" if current_ma is None else loop_state(current_ma)
        if loop == "failure-low":
            return ("loop-low",)
        if loop == "failure-high":
            return ("loop-high",)
        reasons: list[FaultReason] = []
        if value is None or math.isnan(value):
            reasons.append("no-reading")
        elif value < self.range_low - self.margin:
            reasons.append("under-range")
        elif value > self.range_high + self.margin:
            reasons.append("over-range")
        if fresh_t_s is not None and t_s - fresh_t_s > self.stale_s:
            reasons.append("stale")
        return tuple(reasons)
