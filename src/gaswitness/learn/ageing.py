"""How much slower a sensor has become: t90 as found against what it should be, test by test.

For each test the ratio r = t90 found / t90 expected is taken. Ratios multiply, so mean and spread are those of ln r:

    ratio  = exp(mean(ln r))
    spread = exp(s(ln r)),  s with n - 1
    u      = ratio * max(s(ln r) / sqrt(n), sqrt(sum((u_i / t90_i)^2)) / n)

the standard deviation of a mean (JCGM 100:2008, 4.2.3), and never less than the tests' own uncertainties leave.
Only tests since the last exchange of the sensor count: a new one has not aged.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from gaswitness.learn.records import DetectorTest, in_order

Against = Literal["expected", "stated", "first"]


@dataclass(frozen=True, slots=True)
class Ageing:
    """Response ageing of one detector; ratios are of t90, 1.0 is as new, 1.3 is 30 % slower."""

    tag: str
    tests: int
    """Tests of the sensor that is fitted now, with a t90 as found."""
    ratio: float
    """Geometric mean of the ratios."""
    u: float
    """Standard uncertainty of `ratio`; NaN where one test without a stated uncertainty is all there is."""
    spread: float | None
    """Geometric standard deviation between tests, a factor of 1 or more; none from one test alone."""
    last: float
    """The ratio at the last test."""
    last_day: date
    against: Against
    """What `ratio` compares with: the plan's prediction under the cap (`expected`), the site's stated t90 (`stated`),
    or the first test of this sensor (`first`)."""
    simulated: bool = False
    """It was seen on a simulated installation only."""


def ageing(tests: Iterable[DetectorTest], stated_t90_s: Mapping[str, float] | None = None) -> dict[str, Ageing]:
    """Ageing of every detector with a t90 as found, by tag; `tests` are those of one site.

    >>> from gaswitness.learn.records import Figure
    >>> def test(year, t90_s):
    ...     return DetectorTest(visit=str(year), source="paper", site="S", tag="A", gas="CO", at=f"{year}-05-01",
    ...         outcome="pass", as_found="pass", found=(Figure(kind="t90", value=t90_s, u=1.0),))
    >>> found = ageing([test(2024, 40.0), test(2025, 44.0), test(2026, 48.4)], {"A": 40.0})["A"]
    >>> found.tests, round(found.ratio, 3), round(found.spread, 3), round(found.last, 2), found.against
    (3, 1.1, 1.1, 1.21, 'stated')
    """
    by_tag: dict[str, list[DetectorTest]] = defaultdict(list)
    for test in in_order(list(tests)):
        by_tag[test.tag].append(test)
    found = {tag: _ageing(tag, rows, (stated_t90_s or {}).get(tag)) for tag, rows in by_tag.items()}
    return {tag: one for tag, one in found.items() if one is not None}


def _ageing(tag: str, tests: list[DetectorTest], stated_s: float | None) -> Ageing | None:
    exchanged = [number for number, test in enumerate(tests) if test.sensor_exchanged]
    rows = tests[exchanged[-1] + 1 :] if exchanged else tests
    seen = [(test, figure) for test in rows if (figure := test.figure("t90")) is not None and figure.value > 0]
    if not seen:
        return None
    against: Against
    if all(test.expected_t90_s for test, _ in seen):
        against, expected = "expected", [test.expected_t90_s or math.nan for test, _ in seen]
    elif stated_s:
        against, expected = "stated", [stated_s] * len(seen)
    else:
        against, expected = "first", [seen[0][1].value] * len(seen)
    logs = np.log([figure.value / base for (_, figure), base in zip(seen, expected, strict=True)])
    n = len(logs)
    own = math.nan
    if all(figure.u is not None for _, figure in seen):
        own = math.sqrt(sum(((figure.u or 0.0) / figure.value) ** 2 for _, figure in seen)) / n
    s = float(np.std(logs, ddof=1)) if n > 1 else None
    ratio = math.exp(float(np.mean(logs)))
    between = own if s is None else s / math.sqrt(n)
    relative = between if math.isnan(own) else max(own, between)
    return Ageing(
        tag=tag,
        tests=n,
        ratio=ratio,
        u=ratio * relative,
        spread=None if s is None else math.exp(s),
        last=math.exp(float(logs[-1])),
        last_day=seen[-1][0].day,
        against=against,
        simulated=all(test.simulated for test, _ in seen),
    )
