"""Whether the time between tests should be longer or shorter, by the simplest published rule. Advice, never an order.

The rule is the staircase of ILAC-G24:2022 / OIML D 10:2022, 6.2 ("automatic adjustment", calendar time; wording and the
example of 80 % from memory: check the current text): found within 80 % of the tolerance, the next interval may be
longer; found outside it, it should be shorter; between, it stays. Law, code and the site's own rules come first, and
an interval they set is not lengthened by any of this.
"""

from __future__ import annotations

from typing import Literal

from gaswitness.learn.drift import Drift

WITHIN = 0.8
"""Share of the tolerance within which a detector must be found before a longer interval may be thought of."""
Advice = Literal["may be longer", "stays", "should be shorter", "cannot say"]


def share_of_tolerance(value: float, lower: float | None, upper: float | None) -> float | None:
    """How much of the tolerance on its side a value uses up, a share: 1 is at the limit; none without limits.

    >>> [share_of_tolerance(*one) for one in ((4.0, -10.0, 10.0), (-12.0, -10.0, 10.0), (45.0, None, 90.0))]
    [0.4, 1.2, 0.5]
    """
    if lower is not None and upper is not None:
        middle, half = (lower + upper) / 2, (upper - lower) / 2
        return abs(value - middle) / half if half > 0 else None
    if upper is not None and upper > 0:
        return max(0.0, value / upper)
    return None


def staircase(of_one_detector: list[Drift]) -> Advice:
    """What the last test as found says about the next interval of one detector: zero, span and t90 together.

    ILAC-G24:2022 / OIML D 10:2022, 6.2 (from memory).
    """
    shares = []
    for drift in of_one_detector:
        found = [point for period in drift.periods for point in period.points if not point.as_left]
        if found:
            last = found[-1]
            shares.append(share_of_tolerance(last.value, last.figure.lower, last.figure.upper))
    known = [share for share in shares if share is not None]
    if not known:
        return "cannot say"
    worst = max(known)
    return "should be shorter" if worst > 1 else "may be longer" if worst <= WITHIN else "stays"
