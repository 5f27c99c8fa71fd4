"""When gas may be shut off: what is wanted has been shown, and nothing that may still come would change it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gaswitness.response.adequacy import NEIGHBOURS_LIMIT
from gaswitness.response.live import LiveEstimate
from gaswitness.sentence import figure, said


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a test is to show before gas may be shut off. The numbers were chosen by simulation (docs/response.md)."""

    plateau_low: float
    plateau_high: float
    t90_high_s: float
    levels: tuple[float, ...] = ()
    """Set points whose alarm must have had its level: the fitted curve must have passed them."""
    reached: float = 0.8
    """Least share of the step covered: a model must not foresee too much of what it judges."""
    wander: float = 3.0
    """Most that the plateau foreseen may have moved of late, in units of what chance would do."""
    k: float = 1.25
    """Intervals of this coverage factor must lie on one side of their limits."""
    late: float = 0.82
    """A late part up to the size that it stays below with this probability must leave the verdict as it is ..."""
    k_late: float = 1.1
    """... with intervals of this coverage factor about the figures that go with it."""


@dataclass(frozen=True, slots=True)
class Enough:
    """Whether enough has been shown, and if not, what is missing."""

    enough: bool
    why: str


def enough(now: LiveEstimate, wanted: Wanted) -> Enough:
    """Whether what is wanted has been shown beyond doubt, in either way: a clear failure is shown, too.

    Five things: the curve has covered the least share and every set point; neither its residuals nor the course of
    its own forecasts contradict the model; the intervals of plateau and t90 lie wholly within or wholly beyond their
    limits; and a part of the response that comes late, as large as it may well be, leaves them on the same side.
    """
    if not (math.isfinite(now.plateau) and math.isfinite(now.t90_s)):
        return Enough(False, said("no response that could be judged yet"))
    if now.reached < wanted.reached:
        so_far, least = (figure(100 * share, ".0f") for share in (now.reached, wanted.reached))
        return Enough(False, said("{covered} % of the step covered, {least} % wanted", covered=so_far, least=least))
    sign = 1.0 if now.plateau >= now.zero else -1.0
    covered = now.zero + now.reached * (now.plateau - now.zero)
    for level in wanted.levels:
        if sign * (covered - level) < 0:
            return Enough(False, said("set point {level} not passed yet", level=figure(level, ".6g")))
    if now.neighbours_z > NEIGHBOURS_LIMIT or not now.wander <= wanted.wander:
        return Enough(False, said("the readings do not follow the model: wait until they have settled"))
    plateau = _side(now.plateau, wanted.k * now.u_plateau, wanted.plateau_low, wanted.plateau_high)
    if plateau is None:
        return Enough(False, said("the plateau is too close to its limit, or too uncertain, to be told yet"))
    t90 = _side(now.t90_s, wanted.k * now.u_t90_s, -math.inf, wanted.t90_high_s)
    if t90 is None:
        return Enough(False, said("t90 is too close to its limit, or too uncertain, to be told yet"))
    if not _stays(now, wanted, plateau, t90):
        return Enough(False, said("a part of the response that comes late could still change the verdict"))
    return Enough(True, said("plateau, t90 and set points are shown within their uncertainty"))


def _stays(now: LiveEstimate, wanted: Wanted, plateau_side: int, t90_side: int) -> bool:
    """Whether each figure is on the same side of its limits without a late part and with one as large as it may be."""
    if now.late is None:
        return False
    for share in (0.0, now.late.likely(wanted.late)):
        plateau, t90_s = now.late.at(share)
        wide, wide_s = wanted.k_late * now.late.u_plateau, wanted.k_late * now.late.u_t90_s
        if _side(plateau, wide, wanted.plateau_low, wanted.plateau_high) != plateau_side:
            return False
        if _side(t90_s, wide_s, -math.inf, wanted.t90_high_s) != t90_side:
            return False
    return True


def _side(value: float, wide: float, low: float, high: float) -> int | None:
    """Where an interval lies: below the limits (-1), within (0), above (1), or across one of them."""
    if value - wide >= low and value + wide <= high:
        return 0
    if value + wide < low:
        return -1
    return 1 if value - wide > high else None
