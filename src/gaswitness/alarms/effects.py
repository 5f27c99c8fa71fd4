"""An effect (lamp, sounder, relay, fan, valve, message) as a pure step machine over its causes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import InputError, OutOfDomain

EffectEdgeKind = Literal["on", "off", "pattern"]


@dataclass(frozen=True, slots=True)
class EffectEdge:
    """The effect came on, went off, or went over to another pattern while on."""

    t_s: float
    effect: str
    kind: EffectEdgeKind
    pattern: str


@dataclass(frozen=True, slots=True)
class CauseLine:
    """One line of the matrix: any of the causes brings the effect, or all of them at once."""

    causes: tuple[str, ...]
    need: Literal["any", "all"] = "any"
    pattern: str | None = None
    """The pattern that this line brings, where it differs from the effect's own."""

    def met(self, causes: Mapping[str, bool]) -> bool:
        """Whether this line asks for the effect now."""
        return (any if self.need == "any" else all)(causes[cause] for cause in self.causes)


@dataclass(frozen=True, slots=True)
class EffectState:
    """What an effect remembers; made by `EffectLogic.start`."""

    driven: bool = False
    """Called for, hold and reset taken into account; what is seen is `on`."""
    since_s: float = 0.0
    """When it was first called for, or, once driven, when it started."""
    pending: bool = False
    """Called for, and its delay runs."""
    waits_reset: bool = False
    """Goes on until reset is pressed."""
    silenced: bool = False
    inhibited: bool = False
    causes: frozenset[str] = frozenset()
    """Causes that stood at the last step."""
    pattern: str = "steady"

    @property
    def on(self) -> bool:
        """Whether it can be seen or heard."""
        return self.driven and not self.silenced and not self.inhibited


@dataclass(frozen=True, slots=True)
class EffectLogic:
    """How one effect follows its causes.

    - It is called for while any of its `lines` is met, starts once called for without a break for `delay_s`, and
      then goes on for at least `hold_s`.
    - `needs_reset`: it goes on, although its causes are gone, until reset is pressed; pressed while a cause stands,
      reset does nothing.
    - `silenceable`: silence stops it while it is driven; a cause that appears afterwards starts it again.
    - Inhibited, it is off; the logic goes on underneath, and what is still called for starts when it is lifted.
    - The pattern is that of the first line that is met; the one it had where none is met any more.

    >>> siren = EffectLogic("SND-1", (CauseLine(("NH3-1.low",)),), hold_s=10.0)
    >>> state, edges = siren.step(siren.start(), 5.0, {"NH3-1.low": True})
    >>> edges
    (EffectEdge(t_s=5.0, effect='SND-1', kind='on', pattern='steady'),)
    >>> siren.step(state, 14.0, {"NH3-1.low": False})[0].on, siren.step(state, 15.0, {"NH3-1.low": False})[0].on
    (True, False)
    """

    name: str
    lines: tuple[CauseLine, ...]
    delay_s: float = 0.0
    hold_s: float = 0.0
    silenceable: bool = False
    needs_reset: bool = False
    pattern: str = "steady"

    def __post_init__(self) -> None:
        for name in ("delay_s", "hold_s"):
            number = getattr(self, name)
            if not (math.isfinite(number) and number >= 0):
                raise OutOfDomain(
                    name, where=f"effect {self.name!r}", found=number, expected="a finite number, 0 or above"
                )
        if not all(line.causes for line in self.lines):
            raise InputError("a line without a cause", where=f"effect {self.name!r}", expected="at least one cause")

    def start(self) -> EffectState:
        """The state before anything happened."""
        return EffectState(pattern=self.pattern)

    def step(
        self,
        state: EffectState,
        t_s: float,
        causes: Mapping[str, bool],
        *,
        silence: bool = False,
        reset: bool = False,
        inhibited: bool = False,
    ) -> tuple[EffectState, tuple[EffectEdge, ...]]:
        """The state after the causes have become as given at `t_s`, and what changed; raises where one is not told."""
        named = [cause for line in self.lines for cause in line.causes]
        unknown = [cause for cause in named if cause not in causes]
        if unknown:
            raise InputError(
                "causes whose state is not known", where=f"effect {self.name!r}", found=unknown, expected="on or off"
            )
        met = [line for line in self.lines if line.met(causes)]
        standing = frozenset(cause for cause in named if causes[cause])
        called = bool(met)
        if state.driven:
            waits_reset = self.needs_reset and (called or (state.waits_reset and not reset))
            driven = called or waits_reset or t_s - state.since_s < self.hold_s
            since_s, pending = (state.since_s if driven else 0.0), False
        else:
            since_s = state.since_s if state.pending else t_s
            driven = called and t_s - since_s >= self.delay_s
            waits_reset = driven and self.needs_reset
            pending = called and not driven
            since_s = t_s if driven else since_s if pending else 0.0
        silenced = state.silenced and standing <= state.causes
        silenced = driven and (silenced or (silence and self.silenceable and state.driven))
        pattern = (met[0].pattern or self.pattern) if met else state.pattern if driven else self.pattern
        after = EffectState(driven, since_s, pending, waits_reset, silenced, inhibited, standing, pattern)
        return after, self._edges(state, after, t_s)

    def _edges(self, before: EffectState, after: EffectState, t_s: float) -> tuple[EffectEdge, ...]:
        kind: EffectEdgeKind
        if before.on != after.on:
            kind = "on" if after.on else "off"
        elif after.on and before.pattern != after.pattern:
            kind = "pattern"
        else:
            return ()
        return (EffectEdge(t_s, self.name, kind, after.pattern if after.on else before.pattern),)
