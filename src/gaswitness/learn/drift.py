"""How a detector has drifted since it was last adjusted, and when it will leave its tolerance if it goes on like that.

Span is followed as its relative error, reading / what it should show - 1, so that bottles of different levels can stand
in one line; zero as reading minus what it should show [ppm]; t90 as it is [s]. A drift belongs to a *period*: an
adjustment or a new sensor ends one and begins the next. The reading as left opens a period, the readings as found go
on with it, and the one as found before the next adjustment closes it. An adjustment does not make a sensor faster,
so t90 has periods between sensors only.

The line is fitted by generalised least squares (`regression`). Its prediction is guarded: what is told is the day on
which the line *and its expanded uncertainty* reach the limit first, and the span of days in which the line itself may
cross it (the 95 % band of the line against the limit, after Fieller). Two points make a line and no evidence of one:
then the answer is "cannot say". A visit on which the detector did not alarm at all is a failure and no drift.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from gaswitness.learn.records import DetectorTest, Figure, FigureKind, in_order
from gaswitness.learn.regression import LinearFit, covariance_of, fit_linear

Floats = NDArray[np.float64]
DriftKind = Literal["zero", "span", "t90"]
DRIFT_KINDS: tuple[DriftKind, ...] = ("zero", "span", "t90")
DAYS_PER_YEAR = 365.25
FEWEST = 3
"""Points below which nothing is said of a drift."""
AHEAD = 2.0
"""No day is predicted further ahead than so many times the time seen; a line through two years does not tell of ten."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a period: relative (span), ppm (zero) or s (t90); `u` is standard, none where not stated."""

    day: date
    value: float
    u: float | None
    as_left: bool
    outside: bool
    """Beyond the limits of its day."""
    failed: bool
    """The detector did not alarm on that visit: a failure is no drift, and the line leaves it out."""
    figure: Figure
    """The same with what it shares with others, in the unit of `value`."""


@dataclass(frozen=True, slots=True)
class Reaches:
    """When the tolerance is reached, if the drift goes on."""

    limit: float
    guarded: date | None
    """From this day on it can no longer be excluded (95 %) that the limit is passed; none within the time told."""
    likely: date | None
    """When the line itself gets there."""
    latest: date | None
    """By this day it will have got there (95 %); none if it may never."""
    until: date
    """How far ahead was looked at all."""


@dataclass(frozen=True, slots=True)
class Period:
    """What happened between two adjustments."""

    points: tuple[Point, ...]
    ended: str
    """`open`, `adjusted`, or `sensor exchanged`."""
    lower: float | None
    upper: float | None
    """Limits of the last test that had some, in the unit of the values."""
    fit: LinearFit | None
    per_year: float | None
    """Drift a year, in the unit of the values."""
    u_per_year: float | None
    robust_per_year: float | None
    """Theil-Sen slope, which one wild point cannot pull; for comparison, from 4 points on."""
    reaches: Reaches | None
    says: str
    """The drift in one word: `drifts`, `no drift shown`, or `cannot say`."""
    why: str
    flags: tuple[str, ...] = ()
    """`uncertainty-from-scatter`, `scatters`, `disagrees-with-robust`, `tolerance-unknown`, `already-outside`,
    `failed-left-out`."""


@dataclass(frozen=True, slots=True)
class Drift:
    """One quantity of one detector over the years, its periods in order."""

    site: str
    tag: str
    kind: DriftKind
    unit: Literal["relative", "ppm", "s"]
    periods: tuple[Period, ...]
    simulated: bool = False

    @property
    def now(self) -> Period:
        """The last period."""
        return self.periods[-1]


def drifts(tests: Iterable[DetectorTest], kinds: Iterable[DriftKind] = DRIFT_KINDS) -> list[Drift]:
    """Every quantity of every detector, by site, tag and kind; detectors without a value are left out."""
    groups: dict[tuple[str, str], list[DetectorTest]] = defaultdict(list)
    for test in in_order(list(tests)):
        groups[test.site, test.tag].append(test)
    wanted = tuple(kinds)
    found = [_drift(site, tag, rows, kind) for (site, tag), rows in sorted(groups.items()) for kind in wanted]
    return [one for one in found if one is not None]


def _drift(site: str, tag: str, tests: list[DetectorTest], kind: DriftKind) -> Drift | None:
    periods: list[tuple[list[Point], str]] = []
    points: list[Point] = []
    for test in tests:
        if (point := _point(test, kind, left=False)) is not None:
            points.append(point)
        ended = _ends(test, kind)
        if not ended:
            continue
        if points:
            periods.append((points, ended))
        opening = _point(test, kind, left=True)
        points = [opening] if opening is not None else []
    if points:
        periods.append((points, "open"))
    if not periods:
        return None
    unit: Literal["relative", "ppm", "s"] = "relative" if kind == "span" else "ppm" if kind == "zero" else "s"
    made = tuple(_period(tuple(rows), ended) for rows, ended in periods)
    return Drift(site, tag, kind, unit, made, all(test.simulated for test in tests))


def _ends(test: DetectorTest, kind: DriftKind) -> str:
    """Whether this visit ended a period; a moved zero moves the reading on gas too, but not the other way round."""
    if test.sensor_exchanged:
        return "sensor exchanged"
    adjusted = {"zero": test.adjusted_zero, "span": test.adjusted_span or test.adjusted_zero, "t90": False}[kind]
    return "adjusted" if adjusted else ""


def _point(test: DetectorTest, kind: FigureKind, *, left: bool) -> Point | None:
    figure = test.figure(kind, left=left)
    if figure is None:
        return None
    base, scale = 0.0, 1.0
    if kind == "span":
        if not figure.target:
            return None
        base, scale = 1.0, figure.target
    elif kind == "zero":
        if figure.target is None:
            return None
        base = figure.target

    def moved(value: float | None) -> float | None:
        return None if value is None else value / scale - base

    value = figure.value / scale - base
    u = None if figure.u is None else figure.u / abs(scale)
    lower, upper = moved(figure.lower), moved(figure.upper)
    shared = tuple(term.model_copy(update={"u": term.u / abs(scale)}) for term in figure.shared)
    scaled = Figure(kind=kind, value=value, u=u, shared=shared, lower=lower, upper=upper)
    outside = (lower is not None and value < lower) or (upper is not None and value > upper)
    return Point(test.day, value, u, left, outside, not left and test.alarmed is False, scaled)


def _period(points: tuple[Point, ...], ended: str) -> Period:
    limits = next((p.figure for p in reversed(points) if (p.figure.lower, p.figure.upper) != (None, None)), None)
    lower, upper = (limits.lower, limits.upper) if limits else (None, None)
    sound = tuple(point for point in points if not point.failed)
    days = len({point.day for point in sound})
    if days < FEWEST:
        why = f"{days} day{'s' if days != 1 else ''} with a value since the last change; a drift needs {FEWEST}"
        return Period(points, ended, lower, upper, None, None, None, None, None, "cannot say", why)
    flags = ["failed-left-out"] if len(sound) < len(points) else []
    years = _years(sound)
    values = np.array([point.value for point in sound])
    design = np.column_stack([np.ones(len(sound)), years])
    unstated = any(point.u is None for point in sound)
    if unstated:
        flags.append("uncertainty-from-scatter")
    fit = fit_linear(design, values, _covariance(sound, design, values), from_scatter=unstated)
    slope, u = float(fit.coefficients[1]), math.sqrt(float(fit.covariance[1, 1]))
    robust = None
    if len(sound) > FEWEST:
        robust, low, high, *_ = (float(one) for one in _theil_sen(values, years))
        if not low - fit.k * u <= slope <= high + fit.k * u:
            flags.append("disagrees-with-robust")
    if fit.scatter > 1 and special.chdtrc(fit.dof, fit.chi2) < 0.05:
        flags.append("scatters")
    shown = abs(slope) > fit.k * u
    reaches = None
    if ended == "open":
        if lower is None and upper is None:
            flags.append("tolerance-unknown")
        else:
            reaches = _reaches(fit, sound[0].day, years, lower, upper)
            if points[-1].outside:
                flags.append("already-outside")
    why = f"{len(sound)} values over {years[-1]:.1f} years; {slope:.3g} a year, expanded uncertainty {fit.k * u:.2g}"
    return Period(
        points, ended, lower, upper, fit, slope, u, robust, reaches, "drifts" if shown else "no drift shown", why,
        tuple(flags),
    )  # fmt: skip


def _years(points: tuple[Point, ...]) -> Floats:
    first = points[0].day
    return np.array([(point.day - first).days / DAYS_PER_YEAR for point in points])


def _theil_sen(values: Floats, years: Floats) -> tuple[float, float, float]:
    found = stats.theilslopes(values, years, alpha=0.95)
    return float(found[0]), float(found[2]), float(found[3])


def _covariance(points: tuple[Point, ...], design: Floats, values: Floats) -> Floats:
    """Covariance of the values; a value whose uncertainty nobody stated gets the scatter about an unweighted line."""
    own = [point.figure.own_u for point in points]
    n = len(points)
    residual = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    scatter = math.sqrt(float(residual @ residual) / max(n - 2, 1))
    size = max(float(np.max(np.abs(values))), 1e-6)
    filled = [scatter if one is None else one for one in own]
    return covariance_of([point.figure for point in points], [max(one, 1e-9 * size) for one in filled])


def _reaches(fit: LinearFit, first: date, years: Floats, lower: float | None, upper: float | None) -> Reaches | None:
    """Days on which the band of the line, and the line, get to the limit they go towards."""
    slope = float(fit.coefficients[1])
    limit = upper if slope > 0 else lower
    if limit is None:
        limit, sign = (lower, -1.0) if lower is not None else (upper, 1.0)
    else:
        sign = 1.0 if slope > 0 else -1.0
    if limit is None:
        return None
    last = float(years[-1])
    until = last + AHEAD * max(last, 1.0)
    grid = np.arange(last, until, 1.0 / DAYS_PER_YEAR)
    line = fit.coefficients[0] + slope * grid
    v = fit.covariance
    band = fit.k * np.sqrt(np.maximum(0.0, v[0, 0] + 2 * grid * v[0, 1] + grid**2 * v[1, 1]))

    def day(passed: NDArray[np.bool_]) -> date | None:
        at = np.flatnonzero(passed)
        return first + timedelta(days=round(float(grid[at[0]]) * DAYS_PER_YEAR)) if at.size else None

    toward, goal = sign * line, sign * limit
    return Reaches(
        limit=limit,
        guarded=day(toward + band >= goal),
        likely=day(toward >= goal),
        latest=day(toward - band >= goal),
        until=first + timedelta(days=round(until * DAYS_PER_YEAR)),
    )
