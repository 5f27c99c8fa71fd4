"""Where a press lies on the server's clock, from what the phone noted and the exchanges it had with the server.

A phone stamps every press with two clocks of its own: one that only runs (`own_s`, since its page was loaded) and its
wall clock. In an exchange it asks the server for the time and notes when it asked and when the answer was there. The
server read its clock at some instant between the two, so each exchange bounds the offset from both sides, whatever
the way out and the way back took. With o(t) = server - phone, asked at p0, answered s, received at p1:

    s - p1 <= o(p1)        o(p0) <= s - p0

Offsets at other instants follow from how fast clocks can drift apart: the rate is at most `RATE_MOST`, stays within
`WANDER` of its own mean, and that mean is bounded by every two exchanges. All exchanges together leave an interval
for the offset at the press; its middle is the estimate, and a uniform width w gives w / sqrt(12) (JCGM 100:2008,
4.3.7), so that k = 2 covers all of the interval. The exchange with the shortest delay counts most, as in RFC 5905
section 10, without being picked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.evidence.timeline import REACTION_U_S, Offset, uniform_u

RATE_MOST = 500e-6
"""How much faster or slower than ours a phone's clock may run: the frequency tolerance of RFC 5905, from memory."""
WANDER = 25e-6
"""How far its rate may stray from its own mean, with temperature and correction; our assumption."""
READ_S = 0.002
"""Steps in which browsers show time, so as not to be measured by it; our assumption."""
STEP_S = 0.05
"""The two clocks of a phone that went further apart than this: it slept, or its wall clock was set."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stamp:
    """An instant as a phone noted it."""

    load: str
    """Which loading of the page: the clock that only runs begins anew with each."""
    own_s: float
    wall_s: float
    """Seconds since 1970 as the phone's wall clock showed them."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """The phone asked at `sent`, and had the answer `took_s` later; the server's clock had shown `server_s`."""

    sent: Stamp
    took_s: float
    server_s: float


@dataclass(frozen=True, slots=True)
class Axis:
    """A run's clock beside the server's: both read at one instant."""

    speed: float
    now_s: float
    """The server's clock."""
    now_run_s: float
    now_wall_s: float
    """Seconds since 1970 on the run's own wall clock."""

    def run_time(self, server_s: float) -> float:
        """An instant of the server's clock on the run's.

        >>> Axis(2.0, now_s=100.0, now_run_s=50.0, now_wall_s=1000.0).run_time(99.0)
        48.0
        """
        return self.now_run_s - (self.now_s - server_s) * self.speed

    def wall_s(self, t_s: float) -> float:
        """An instant of the run's clock on its wall clock."""
        return self.now_wall_s + t_s - self.now_run_s


def offset_at(press: Stamp, exchanges: Sequence[Exchange], arrived_s: float) -> Offset | None:
    """The server's clock minus the phone's wall clock at a press, with its standard uncertainty; none without exchange.

    `arrived_s` is when the press reached the server, on the server's clock: it happened before that.

    >>> asked = Exchange(Stamp("a", 10.0, 5010.0), took_s=0.04, server_s=110.0)
    >>> found = offset_at(Stamp("a", 12.0, 5012.0), [asked], arrived_s=113.0)
    >>> round(found.offset_s + 5012.0, 3), round(found.u_s, 3)
    (111.98, 0.013)
    """
    if not exchanges:
        return None
    own = [one for one in exchanges if one.sent.load == press.load]
    steady = [one for one in own if abs(_apart(one.sent, press)) <= _allowed(one.sent, press)]
    if steady:
        ends = _bounds(press.own_s, [_Seen.own(one, press) for one in steady], arrived_s)
    else:  # it slept or its clock was set in between: whichever of its clocks is right, the interval holds it
        ends = _bounds(press.wall_s, [_Seen.wall(one) for one in exchanges], arrived_s)
        if own:
            others = _bounds(press.own_s, [_Seen.own(one, None) for one in own], arrived_s)
            ends = min(ends[0], others[0]), max(ends[1], others[1])
    middle_s = (ends[0] + ends[1]) / 2
    return Offset(middle_s - press.wall_s, uniform_u(ends[1] - ends[0]))


def mark_u(clock_u_s: float) -> float:
    """Standard uncertainty of a mark: the witness's reaction and the phone's clock.

    >>> round(mark_u(0.0), 3), round(mark_u(0.1), 3)
    (0.1, 0.141)
    """
    return math.hypot(REACTION_U_S, clock_u_s)


def _apart(one: Stamp, other: Stamp) -> float:
    return (one.wall_s - one.own_s) - (other.wall_s - other.own_s)


def _allowed(one: Stamp, other: Stamp) -> float:
    return STEP_S + RATE_MOST * abs(one.own_s - other.own_s)


@dataclass(frozen=True, slots=True)
class _Seen:
    """An exchange on one clock of the phone; `slack_s` is how far that clock may have been moved meanwhile."""

    sent_s: float
    received_s: float
    server_s: float
    slack_s: float

    @classmethod
    def own(cls, one: Exchange, press: Stamp | None) -> _Seen:
        apart_s = abs(_apart(one.sent, press)) if press is not None else 0.0
        return cls(one.sent.own_s, one.sent.own_s + one.took_s, one.server_s, apart_s)

    @classmethod
    def wall(cls, one: Exchange) -> _Seen:
        return cls(one.sent.wall_s, one.sent.wall_s + one.took_s, one.server_s, 0.0)


def _bounds(at_s: float, seen: Sequence[_Seen], arrived_s: float) -> tuple[float, float]:
    """Earliest and latest instant of the press on the server's clock.

    Exchanges that cannot all be right, because the clock was set between them, are given up from the far end.
    """
    near = sorted(seen, key=lambda one: abs(one.sent_s - at_s))
    while True:
        found = _interval(at_s, near)
        if found is not None:
            break
        near = near[: len(near) // 2]
    earliest_s, latest_s = at_s + found[0], min(at_s + found[1], arrived_s)
    return min(earliest_s, latest_s), latest_s


def _interval(at_s: float, seen: Sequence[_Seen]) -> tuple[float, float] | None:
    """Least and greatest offset at an instant that agree with these exchanges; none where they contradict."""
    sent, received, server, slack = (
        np.array([getattr(one, name) for one in seen]) for name in ("sent_s", "received_s", "server_s", "slack_s")
    )
    low, high = server - received - slack - READ_S, server - sent + slack + READ_S
    least, most = _rate(sent, received, low, high)
    before, after = at_s - received, at_s - sent
    reached_low = low + np.where(before >= 0, least, most) * before
    reached_high = high + np.where(after >= 0, most, least) * after
    earliest, latest = float(np.max(reached_low)), float(np.min(reached_high))
    return (earliest, latest) if least <= most and earliest <= latest else None


def _rate(sent: Floats, received: Floats, low: Floats, high: Floats) -> tuple[float, float]:
    """Least and greatest rate at which the offset changes, by every two exchanges.

    The mean rate between exchange i and a later one j lies between (low_j - high_i) / (p1_j - p0_i) and
    (high_j - low_i) / (p0_j - p1_i); it is within `WANDER` of the mean, and so is the rate at any other time.
    """
    far = received[None, :] - sent[:, None]
    near = sent[None, :] - received[:, None]
    later = near > 0
    if not np.any(later):
        return -RATE_MOST, RATE_MOST
    rise_low, rise_high = low[None, :] - high[:, None], high[None, :] - low[:, None]
    # the widest bound of each: a difference below zero is steepest over the shorter time, one above over the longer
    slowest = np.where(later, rise_low / np.where(rise_low < 0, near, far), -np.inf)
    fastest = np.where(later, rise_high / np.where(rise_high > 0, near, far), np.inf)
    least = max(-RATE_MOST, float(np.max(slowest)) - 2 * WANDER)
    most = min(RATE_MOST, float(np.min(fastest)) + 2 * WANDER)
    return least, most
