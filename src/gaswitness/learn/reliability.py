"""How often detectors were found not to work, and what that says about the time between tests. Evidence, no SIL claim.

A *failure* is one of two things, and the answer says which was counted:

    no-alarm  as found, with gas beyond its level on it, an alarm point did not set: it would not have alarmed
    any       as found, anything at all fell short: reading, response, level, chain

A failure found at a test happened at some time since the test before. With a constant rate r and an interval T_i,
the chance of finding one is 1 - exp(-r T_i); the rate is the one under which what was found is most likely, and its
interval is where the likelihood ratio stays within chi2(1) (Wilks), exact bounds beside it:

    on demand   Clopper-Pearson (1934): beta quantiles of failures in tests
    per hour    r_low = chi2(a/2; 2n) / (2 T), r_high = chi2(1 - a/2; 2n + 2) / (2 T)
                (exact for Poisson; NIST/SEMATECH e-Handbook 8.4.5.1), T counting half of each interval that ended in
                a failure, since on average it happened halfway
    PFDavg      1 - (1 - exp(-r T)) / (r T), about r T / 2 (one channel, no common cause; IEC 61508-6 annex B, from
                memory)

The first test of a detector counts on demand, but not per hour: nobody knows since when it stood there.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy import optimize, stats

from gaswitness.errors import OutOfDomain
from gaswitness.learn.records import DetectorTest, in_order

Counting = Literal["no-alarm", "any"]
Grouping = Literal["all", "site", "gas", "sensor", "tag"]
HOURS_PER_DAY = 24.0
HOURS_PER_MONTH = 730.5
CONFIDENCE = 0.95
OTHER_INTERVALS = (3, 6, 12, 24, 36)
"""Months between tests for which the consequence is told."""
STATEMENT = (
    "Evidence from these tests only. It is no SIL claim: that needs the whole safety function, its diagnostics, common "
    "causes and proof-test coverage, and a person who answers for it. Local codes and licensed persons decide."
)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its two-sided interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Interval:
    """One stretch between two tests of one detector [h], and whether a failure was found at its end."""

    hours: float
    failed: bool


@dataclass(frozen=True, slots=True)
class Reliability:
    """What the tests of one group say."""

    group: str
    counting: Counting
    detectors: int
    tests: int
    """Tests that showed the one or the other."""
    unclear: int
    """Tests that did not show whether it worked: not counted."""
    failures: int
    on_demand: Estimate | None
    """Chance to be found failed at a test."""
    hours: float
    """Hours between tests that count, half of each that ended in a failure."""
    timed_failures: int
    """Failures that ended a stretch of known length."""
    per_hour: Estimate | None
    """Most likely rate with its likelihood interval, 1/h."""
    per_hour_bounds: tuple[float, float] | None
    """Exact bounds with hours at risk, 1/h."""
    mean_interval_h: float | None
    pfd_avg: Estimate | None
    """Mean chance to be failed when needed, at the mean interval."""
    by_months: tuple[tuple[int, Estimate], ...]
    """The same for other times between tests."""
    simulated: bool = False


def clopper_pearson(failures: int, tests: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided bounds of a probability; raises OutOfDomain.

    NIST/SEMATECH e-Handbook 7.2.4.1 has 4 defects in 20 at 90 %, 0.071354 to 0.401029 (from memory):

    >>> [round(bound, 5) for bound in clopper_pearson(4, 20, 0.90)]
    [0.07135, 0.40103]
    >>> clopper_pearson(0, 10)[0]
    0.0
    """
    if not (0 <= failures <= tests and tests > 0 and 0 < confidence < 1):
        raise OutOfDomain("not a number of failures in tests", found=(failures, tests))
    tail = (1 - confidence) / 2
    low = 0.0 if failures == 0 else float(stats.beta.ppf(tail, failures, tests - failures + 1))
    high = 1.0 if failures == tests else float(stats.beta.ppf(1 - tail, failures + 1, tests - failures))
    return low, high


def rate_bounds_per_hour(failures: int, hours: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided Poisson bounds of a rate [1/h] from failures in hours at risk; raises OutOfDomain.

    NIST/SEMATECH e-Handbook 8.4.5.1: 2 failures in 800 h, 90 %: a mean time of 127 h to 2,251 h (figures from memory):

    >>> low, high = rate_bounds_per_hour(2, 800.0, 0.90)
    >>> round(1 / high), round(1 / low)
    (127, 2251)
    """
    if not (failures >= 0 and hours > 0 and 0 < confidence < 1):
        raise OutOfDomain("not a number of failures in hours", found=(failures, hours))
    tail = (1 - confidence) / 2
    low = 0.0 if failures == 0 else float(stats.chi2.ppf(tail, 2 * failures)) / (2 * hours)
    return low, float(stats.chi2.ppf(1 - tail, 2 * failures + 2)) / (2 * hours)


def rate_per_hour(intervals: Sequence[Interval], confidence: float = CONFIDENCE) -> Estimate:
    """Most likely constant rate [1/h] of failures that are only found at the next test, and its likelihood interval.

    Equal intervals T with k failures in n give -ln(1 - k/n) / T (by hand):

    >>> found = rate_per_hour([Interval(8766.0, n < 2) for n in range(20)])
    >>> round(found.value * 8766, 5), round(-math.log(1 - 2 / 20), 5)
    (0.10536, 0.10536)

    Raises OutOfDomain without intervals; where every one ended in a failure the rate has no upper bound (infinite).
    """
    if not intervals or any(not one.hours > 0 for one in intervals):
        raise OutOfDomain("not times between tests", found=len(intervals), expected="one or more, each above 0 h")
    failed = [one.hours for one in intervals if one.failed]
    passed_h = sum(one.hours for one in intervals if not one.failed)
    total_h = passed_h + sum(failed)

    def log_likelihood(log_rate: float) -> float:
        return sum(_log_chance(log_rate + math.log(hours)) for hours in failed) - math.exp(log_rate) * passed_h

    drop = float(stats.chi2.ppf(confidence, 1)) / 2
    if not failed:
        return Estimate(0.0, 0.0, drop / passed_h)
    if passed_h == 0:
        best, top = math.inf, 0.0
    else:

        def slope(log_rate: float) -> float:
            xs = [(hours, min(math.exp(log_rate) * hours, _LARGEST)) for hours in failed]
            return sum(hours / math.expm1(x) for hours, x in xs) - passed_h

        log_best = _crossing(slope, math.log(len(failed) / total_h), rising=False)
        best, top = math.exp(log_best), log_likelihood(log_best)

    def above(log_rate: float) -> float:
        return log_likelihood(log_rate) - top + drop

    if passed_h == 0:
        return Estimate(best, math.exp(_crossing(above, -math.log(max(failed)), rising=True)), math.inf)
    low = _crossing(above, log_best, rising=True, until=log_best)
    high = _crossing(above, log_best, rising=False, until=log_best)
    return Estimate(best, math.exp(low), math.exp(high))


_LARGEST = 700.0
"""Beyond it exp is too large for a number; a failure is certain long before."""


def _log_chance(log_x: float) -> float:
    """ln(1 - exp(-x)) for x = exp(log_x), without running out of digits; a plain number."""
    if log_x < -36.0:
        return log_x
    return math.log(-math.expm1(-math.exp(log_x))) if log_x < 4.0 else -math.exp(-min(math.exp(log_x), _LARGEST))


def _crossing(f: Callable[[float], float], near: float, *, rising: bool, until: float | None = None) -> float:
    """Where a function of a logarithm goes through zero, searched outwards from `near`; a plain number.

    With `until` it is searched to one side only: below it where the function rises, above it where it falls.
    """
    low, high, step = near - 1.0, near + 1.0, 1.0
    if until is not None:
        low, high = (low, until) if rising else (until, high)
    for _ in range(60):
        a, b = f(low), f(high)
        if (a < 0 < b) if rising else (a > 0 > b):
            break
        step *= 1.5
        low = low if until is not None and not rising else low - step
        high = high if until is not None and rising else high + step
    return float(optimize.brentq(f, low, high, xtol=1e-12))


def pfd_average(rate_per_h: float, interval_h: float) -> float:
    """Mean probability to be failed at a moment between tests: 1 - (1 - exp(-x)) / x with x = r T; about x / 2.

    IEC 61508-6 annex B gives r T / 2 for one channel tested every T (from memory).

    >>> round(pfd_average(1e-6, 8760.0), 6), 1e-6 * 8760.0 / 2
    (0.004367, 0.00438)
    """
    x = rate_per_h * interval_h
    if math.isinf(x):
        return 1.0
    return x / 2 - x**2 / 6 if x < 1e-4 else 1 + math.expm1(-x) / x


def failed(test: DetectorTest, counting: Counting) -> bool | None:
    """Whether the test found a failure; none where it did not show the one or the other."""
    if counting == "no-alarm":
        return None if test.alarmed is None else not test.alarmed
    return {"fail": True, "pass": False}.get(test.as_found)


def reliability(
    tests: Iterable[DetectorTest], counting: Counting = "no-alarm", by: Grouping = "all"
) -> list[Reliability]:
    """Failures found, as chance on demand and as rate, for all detectors or one group of them after the other."""
    groups: dict[str, list[DetectorTest]] = defaultdict(list)
    for test in in_order(list(tests)):
        name = {"all": "all", "site": test.site, "gas": test.gas, "sensor": test.sensor or "not stated"}
        groups[f"{test.site} {test.tag}" if by == "tag" else name[by]].append(test)
    return [_group(name, rows, counting) for name, rows in sorted(groups.items())]


def _group(name: str, tests: list[DetectorTest], counting: Counting) -> Reliability:
    told = [(test, failed(test, counting)) for test in tests]
    clear = [(test, was) for test, was in told if was is not None]
    failures = sum(was for _, was in clear)
    intervals = _intervals(clear)
    hours = sum(one.hours / 2 if one.failed else one.hours for one in intervals)
    timed = sum(one.failed for one in intervals)
    rate = rate_per_hour(intervals) if intervals else None
    mean_h = sum(one.hours for one in intervals) / len(intervals) if intervals else None
    return Reliability(
        group=name,
        counting=counting,
        detectors=len({(test.site, test.tag) for test in tests}),
        tests=len(clear),
        unclear=len(told) - len(clear),
        failures=failures,
        on_demand=Estimate(failures / len(clear), *clopper_pearson(failures, len(clear))) if clear else None,
        hours=hours,
        timed_failures=timed,
        per_hour=rate,
        per_hour_bounds=rate_bounds_per_hour(timed, hours) if intervals else None,
        mean_interval_h=mean_h,
        pfd_avg=_pfd(rate, mean_h) if rate and mean_h else None,
        by_months=tuple((m, _pfd(rate, m * HOURS_PER_MONTH)) for m in OTHER_INTERVALS) if rate else (),
        simulated=all(test.simulated for test in tests),
    )


def _pfd(rate: Estimate, interval_h: float) -> Estimate:
    return Estimate(*(pfd_average(one, interval_h) for one in (rate.value, rate.low, rate.high)))


def _intervals(clear: list[tuple[DetectorTest, bool]]) -> list[Interval]:
    """Stretches between tests that showed the one or the other; a test that did not leaves the stretch going on."""
    before: dict[tuple[str, str], DetectorTest] = {}
    found: list[Interval] = []
    for test, was in clear:
        key = (test.site, test.tag)
        if key in before and (days := (test.day - before[key].day).days) > 0:
            found.append(Interval(days * HOURS_PER_DAY, was))
        if test.outcome == "pass" or not was:
            before[key] = test
        else:
            before.pop(key, None)  # left failed: time counts again once it was shown to work
    return found
