"""One time axis for everybody: instants with their uncertainty, on the run's own clock.

A poll says only that something changed after the last look and not later than this one; a witness presses after a
reaction; a phone's clock is off by what an exchange of messages can tell. Each becomes an estimate and a standard
uncertainty (a uniform width w gives w / sqrt(12), JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

REACTION_S = 0.25
"""Mean time from seeing to pressing; common practice, no source."""
REACTION_U_S = 0.1
"""Its standard uncertainty; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Instant:
    """When something happened, with standard uncertainty."""

    t_s: float
    u_s: float

    def __sub__(self, other: Instant) -> Instant:
        """Time from `other` to this one; the two are taken as independent.

        >>> Instant(12.0, 0.3) - Instant(10.0, 0.4)
        Instant(t_s=2.0, u_s=0.5)
        """
        return Instant(self.t_s - other.t_s, math.hypot(self.u_s, other.u_s))


def uniform_u(width: float) -> float:
    """Standard uncertainty of something known to lie within a width, in its unit: width / sqrt(12).

    >>> round(uniform_u(1.0), 4)
    0.2887
    """
    return width / math.sqrt(12.0)


def between(after_s: float, until_s: float) -> Instant:
    """Instant of a change that one poll had not seen yet and the next one had.

    >>> between(10.0, 11.0).t_s
    10.5
    """
    return Instant((after_s + until_s) / 2, uniform_u(until_s - after_s))


def pressed(t_s: float, u_s: float) -> Instant:
    """Instant at which a witness saw what was then pressed: the press, less the mean reaction.

    `u_s` is what the mark states, reaction and clock together.
    """
    return Instant(t_s - REACTION_S, u_s)


@dataclass(frozen=True, slots=True)
class Offset:
    """Run clock minus another clock."""

    offset_s: float
    u_s: float


def offset_from_exchange(sent_s: float, answered_remote_s: float, received_s: float) -> Offset:
    """Offset of a clock that answered a message: the answer was given between sending and receiving.

    offset = (sent + received) / 2 - remote, within +- half of the round trip (RFC 5905 section 8, symmetric case).
    Of several exchanges, the one with the shortest round trip says most.

    >>> offset_from_exchange(100.0, 50.25, 100.5)
    Offset(offset_s=50.0, u_s=0.14433756729740646)
    """
    if received_s < sent_s:
        raise ValueError("an answer cannot be received before the question was sent")
    return Offset((sent_s + received_s) / 2 - answered_remote_s, uniform_u(received_s - sent_s))
