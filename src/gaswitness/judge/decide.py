"""An uncertain value meets its limits here, by a named rule, and nowhere else.

Probability of conformity: JCGM 106:2012 (evaluation of measurement data: conformity assessment), clause 7, for a
normal state of knowledge after the measurement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import InputError
from gaswitness.site.records import Rule

COVERAGE_K = 2.0
"""Expanded uncertainty is U = 2 u throughout, about 95 %."""

SHARED_RISK_RATIO = 3.0
"""By `shared-risk`, the tolerance must be at least so many times U."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What a rule made of a value: `margin` is the distance to the nearer limit, below zero outside."""

    outcome: Literal["pass", "fail", "inconclusive", "error"]
    margin: float | None
    p_conform: float | None


def decide(value: float, u: float, lower: float | None, upper: float | None, rule: Rule) -> Decision:
    """Decide whether a value with standard uncertainty `u` lies within its limits.

    simple       pass if lower <= value <= upper, else fail
    guarded      pass if within the limits drawn in by U, fail if outside the limits pushed out by U,
                 between them inconclusive
    shared-risk  simple, provided that the tolerance is at least 3 U: half the width of two limits, the limit's own
                 size where there is one. With a larger U only what lies outside by more than U fails; all else
                 is inconclusive.

    p_conform = Phi((upper - value) / u) - Phi((lower - value) / u), whatever the rule.

    `value`, `u`, `lower` and `upper` share one unit; `u` is standard (k = 1) and not below zero, None is no limit on
    that side. A value or u that is not a finite number, or u below zero, gives `error`. Raises InputError without
    any limit, with crossed or infinite limits, or for an unknown rule.

    The worked example of JCGM 106 on burst strength (printed as 99 %):

    >>> decision = decide(509.7, 8.6, 490.0, None, "simple")
    >>> decision.outcome, round(decision.margin, 1), round(decision.p_conform, 4)
    ('pass', 19.7, 0.989)
    """
    _check_limits(lower, upper)
    if rule not in ("simple", "guarded", "shared-risk"):
        raise InputError("unknown decision rule", found=rule, expected="simple, guarded or shared-risk")
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0):
        return Decision("error", None, None)
    margin = min(
        value - lower if lower is not None else math.inf,
        upper - value if upper is not None else math.inf,
    )
    return Decision(_apply(rule, margin, COVERAGE_K * u, lower, upper), margin, p_within(value, u, lower, upper))


def _apply(
    rule: Rule, margin: float, expanded: float, lower: float | None, upper: float | None
) -> Literal["pass", "fail", "inconclusive"]:
    within: Literal["pass", "fail"] = "pass" if margin >= 0 else "fail"
    if rule == "simple":
        return within
    if rule == "guarded":
        if margin >= expanded:
            return "pass"
        return "fail" if margin < -expanded else "inconclusive"
    if SHARED_RISK_RATIO * expanded <= _tolerance(lower, upper):
        return within
    return "fail" if margin < -expanded else "inconclusive"


def _tolerance(lower: float | None, upper: float | None) -> float:
    if lower is not None and upper is not None:
        return (upper - lower) / 2
    return abs(lower if lower is not None else upper or 0.0)


def p_within(value: float, u: float, lower: float | None, upper: float | None) -> float:
    """Probability that the true value lies within the limits, JCGM 106:2012 equation for a normal distribution.

    >>> round(p_within(46.0, 1.0, 45.0, 55.0), 4)
    0.8413
    """
    if u == 0:
        return float((lower is None or value >= lower) and (upper is None or value <= upper))
    low = (lower - value) / u if lower is not None else -math.inf
    high = (upper - value) / u if upper is not None else math.inf
    if low > 0:  # the far tail loses no digits when it is looked at from its own side
        low, high = -high, -low
    return min(1.0, max(0.0, _phi(high) - _phi(low)))


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _check_limits(lower: float | None, upper: float | None) -> None:
    given = [limit for limit in (lower, upper) if limit is not None]
    if not given:
        raise InputError("a decision needs a limit", expected="a lower limit, an upper limit, or both")
    if not all(map(math.isfinite, given)):
        raise InputError("a limit must be a finite number", found=(lower, upper), hint="leave out the side without one")
    if lower is not None and upper is not None and lower > upper:
        raise InputError("the limits are crossed", found=(lower, upper), expected="lower not above upper")
