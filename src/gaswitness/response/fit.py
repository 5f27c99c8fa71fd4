"""Fit of a step: zero, plateau, dead time, one or two lags, with uncertainties that mean what they say.

Least squares by variable projection (`separable`), after spikes have been left out. A coarse display or a range end
makes readings intervals, and then their likelihood is maximised (`cells`). Residuals that hang together widen every
uncertainty by sqrt((1 + phi) / (1 - phi)), phi being their lag-one correlation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import InputError, OutOfDomain
from gaswitness.response import columns, lag_curve, separable, spread
from gaswitness.response.cells import (
    SIGMA_FLOOR_CELLS,
    best_sigma,
    cell_bounds,
    expected_weight,
    log_probability,
    working,
)
from gaswitness.response.quality import flat_top_from, gap_after, resolution_seen, runs_z, spikes
from gaswitness.response.result import StepFit
from gaswitness.response.settle import settled

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_STARTS = 4
_ROUGH = 1e-8
"""Tolerance while starts compete; the winner is polished to the last digit."""
COARSE = 0.6
"""A display step above sigma / this is coarse; below it rounding acts as noise of its own, to 1 % of the step."""
_RUNS_LIMIT = -3.5
_MISFIT_LIMIT = 0.003
"""Misfit that hangs together matters from this part of the step."""
_REACHED = 0.95
"""A plateau is extrapolated when the curve had reached less than this part of the step."""
_RESPONSE_F = 8.0
"""F ratio of the step against no step that noise alone passes less than once in 10,000 traces."""
_CELL_ROUNDS = 40
_MIN_SAMPLES = 6


@dataclass(frozen=True, slots=True)
class _Trace:
    """A checked trace and how it is to be fitted."""

    t: Floats
    y: Floats
    on: float
    off: float
    """Infinite without gas off."""
    tied: bool
    zero: float | None
    dead: float
    """Below 0 where it is searched."""
    drift: bool
    order: int
    cap: float
    """Known time constant of the cap's filling, 0 where there is none."""
    average: float
    """Known window of a moving average of the reading, 0 where there is none."""

    def search(
        self, y: Floats, root_w: Floats, start: Floats, free: Bools, low: Floats, high: Floats,
        tolerance: float = 1e-20,
    ) -> _Search:  # fmt: skip
        found, c, residual = np.zeros(3), np.zeros(5), np.zeros(y.size)
        rss, ended, steps = separable.search(
            self.t, y, root_w, self.on, self.off, self.tied, self.zero is not None, self.drift,
            self.cap, self.average, start, free, low, high, 200, tolerance, found, c, residual,
        )  # fmt: skip
        return _Search(found, c, residual, rss, ended, steps)

    @property
    def linear(self) -> int:
        """How many linear parts are fitted."""
        has_shift = self.off < self.t[-1] and not self.tied
        return (self.zero is None) + 1 + has_shift + self.drift


@dataclass(frozen=True, slots=True)
class _Search:
    found: Floats
    coefficients: Floats
    residual: Floats
    """Weighted."""
    rss: float
    ended: int
    steps: int


def fit_step(
    t_s: ArrayLike,
    reading: ArrayLike,
    gas_on_s: float,
    gas_off_s: float | None = None,
    *,
    order: int = 2,
    zero: float | None = None,
    dead_time_s: float | None = None,
    returns_to_zero: bool = False,
    drift: bool | None = None,
    cap_tau_s: float = 0.0,
    average_s: float = 0.0,
    resolution: float | None = None,
    range_low: float = -math.inf,
    range_high: float = math.inf,
) -> StepFit:
    """Fit one exposure of a detector to gas: the rise, or rise and recovery with shared lags.

    y = zero + drift (t - on) + gain S(t - on - theta) [+ shift S(t - off - theta)], S of one or two lags.

    A recovery alone is fitted as a step with gas off as its `gas_on_s`. Samples need not be evenly spaced; NaN are
    left out and counted.

    - `t_s` [s, shape (n,), rising], `reading` [any unit, shape (n,)], `gas_on_s`, `gas_off_s` [s, same clock]
    - `zero`, `dead_time_s`: hold that parameter fixed
    - `returns_to_zero`: the reading goes back to where it started, instead of to a level of its own
    - `drift`: a straight line under all; default: where the whole trace asks for it and readings before gas agree
    - `cap_tau_s`: cap volume / flow while gas flows [s]; the cap is away after gas off. Known, not fitted: S is that
      behind the cap, while lags and times are those of the detector without it
    - `average_s`: the reading is a moving average over this many seconds [s], known; its part in t50, t90 and t10
      stays, since it belongs to the instrument
    - `resolution`: display step; default: what the readings show. `range_low`, `range_high`: ends of the range;
      readings there count as "at most", "at least"

    Raises `InputError` for arrays that do not match or times that do not rise, `OutOfDomain` for order other than 1, 2
    and for a cap or average that is negative or without end.

    >>> t = np.arange(-10.0, 120.0)
    >>> y = np.where(t > 5, 400 + 600 * (1 - np.exp(-(t - 5).clip(0) / 20)), 400.0)
    >>> fit = fit_step(t, y, 0.0, order=1)
    >>> round(fit.plateau, 6), round(fit.t90_s, 6)  # t90 = 5 + 20 ln 10
    (1000.0, 51.051702)
    """
    times, values, kept = _checked(t_s, reading, gas_on_s, gas_off_s, order)
    check_known(cap_tau_s, average_s)
    flags: set[str] = set()
    if gap_after(times[kept]).size:
        flags.add("gaps")
    step = resolution_seen(values[kept]) if resolution is None else resolution
    if range_high == math.inf and range_low == -math.inf:
        range_low, range_high = _ends_seen(times[kept], values[kept], step, gas_on_s, gas_off_s)
    open_ended = kept & (values > range_low + 0.5 * step) & (values < range_high - 0.5 * step)
    bad = np.zeros(kept.size, dtype=np.bool_)
    bad[np.flatnonzero(open_ended)] = spikes(values[open_ended], step)
    use = kept & ~bad
    dropped = tuple(int(i) for i in np.flatnonzero(~use))
    if dropped:
        flags.add("points-dropped")
    t, y = times[use], values[use]
    off = math.inf if gas_off_s is None or gas_off_s >= t[-1] else float(gas_off_s)
    end_s = float(min(off, t[-1]))
    before = t <= gas_on_s
    if zero is None and int(before.sum()) < 3:
        flags.add("baseline-missing")
    trace = _Trace(
        t, y, float(gas_on_s), off, returns_to_zero, zero, -1.0 if dead_time_s is None else float(dead_time_s),
        bool(drift), order, float(cap_tau_s), float(average_s),
    )  # fmt: skip
    lower, upper = cell_bounds(y, step, range_low, range_high)
    censored = int(np.sum(~np.isfinite(lower)) + np.sum(~np.isfinite(upper)))
    if censored:
        flags.add("saturated")
    if np.ptp(y[t > gas_on_s]) == 0 and not censored and (not before.any() or np.ptp(y) == 0):
        return _nothing(trace, dropped, flags | {"stuck", "no-response", "covariance-unusable"})
    best = _best(trace, lower, upper, step, censored)
    if drift is None:
        sloping = replace(trace, drift=True)
        leaning = _best(sloping, lower, upper, step, censored)
        if _drifts(sloping, leaning, before, step):
            trace, best = sloping, leaning
    if trace.drift:
        flags.add("baseline-drifting")
    if best.coarse:
        flags.add("quantised")
    return _figures(trace, best, step, censored, dropped, flags, end_s)


def _checked(
    t_s: ArrayLike, reading: ArrayLike, gas_on_s: float, gas_off_s: float | None, order: int
) -> tuple[Floats, Floats, Bools]:
    t = np.ascontiguousarray(t_s, dtype=np.float64)
    y = np.ascontiguousarray(reading, dtype=np.float64)
    if order not in (1, 2):
        raise OutOfDomain("the order of a step fit is the number of its lags", found=order, expected="1 or 2")
    if t.ndim != 1 or t.shape != y.shape:
        raise InputError("times and readings do not match", found=(t.shape, y.shape), expected="two equal lengths")
    kept = np.isfinite(y)
    if not np.all(np.isfinite(t)) or np.any(np.diff(t) < 0):
        raise InputError("times of a trace must be finite and never go back", hint="sort the samples by time first")
    if gas_off_s is not None and gas_off_s <= gas_on_s:
        raise InputError("gas off comes after gas on", found=(gas_on_s, gas_off_s))
    if int(np.sum(kept & (t > gas_on_s))) < _MIN_SAMPLES - 2 or int(kept.sum()) < _MIN_SAMPLES:
        raise InputError(
            "too few readings for a fit",
            found=f"{int(kept.sum())} in all, {int(np.sum(kept & (t > gas_on_s)))} after gas on",
            expected=f"at least {_MIN_SAMPLES} in all and {_MIN_SAMPLES - 2} after gas on",
        )
    return t, y, kept


def check_known(cap_tau_s: float, average_s: float) -> None:
    """Raise `OutOfDomain` where a cap or an average is no time."""
    if not all(math.isfinite(time) and time >= 0 for time in (cap_tau_s, average_s)):
        raise OutOfDomain("cap and average are times, 0 for none", found=(cap_tau_s, average_s), expected="seconds")


def _ends_seen(t: Floats, y: Floats, step: float, gas_on_s: float, gas_off_s: float | None) -> tuple[float, float]:
    """Ends of the range as a cut-off trace shows them; infinite where it shows none."""
    during = y if gas_off_s is None else y[t <= gas_off_s]
    flat = flat_top_from(during, step)
    if flat < 0 or t[flat] <= gas_on_s:
        return -math.inf, math.inf
    end = float(y[flat])
    return (-math.inf, end) if end >= np.median(y) else (end, math.inf)


def _drifts(trace: _Trace, best: _Best, before: Bools, step: float) -> bool:
    """Whether a straight line belongs under the step: the whole trace asks for one and the readings before gas agree.

    Creep after gas on alone is not a drift of the baseline. The slope of the whole fit must be above three of its
    uncertainties, readings before gas must be able to tell it from none, and must not contradict it.
    """
    if int(before.sum()) < 8:
        return False
    cov, c = np.zeros((7, 7)), best.search.coefficients
    usable = spread.covariance_of_rest(
        trace.t, best.root_w, trace.on, trace.off, trace.tied, trace.zero is not None, True,
        trace.cap, trace.average, best.search.found, best.inside, c, cov,
    )  # fmt: skip
    if not usable:
        return False
    phi, _ = _hanging_together(best.search.residual / best.root_w)
    slope = float(c[trace.linear - 1])
    u_slope = best.sigma * math.sqrt(cov[spread.DRIFT, spread.DRIFT] * spread.inflation(phi, trace.t.size))
    t, y = trace.t[before], trace.y[before]
    centred = t - t.mean()
    moment = float(centred @ centred)
    early = float(centred @ y) / moment
    rest = y - y.mean() - early * centred
    phi_early, _ = _hanging_together(rest)
    variance = (float(rest @ rest) / (t.size - 2) + step**2 / 12) * spread.inflation(phi_early, t.size)
    u_early = math.sqrt(variance / moment)
    agree = abs(slope - early) < 3 * math.hypot(u_slope, u_early)
    return abs(slope) > 3 * u_slope and abs(slope) > 1.5 * u_early and agree


@dataclass(frozen=True, slots=True)
class _Best:
    """The search that won, and what it was given in the end."""

    search: _Search
    root_w: Floats
    inside: Bools
    """Searched parameters that came to rest within their bounds."""
    at_bound: bool
    open_ended: bool
    """The lags grew to their bound: the readings show a slope and no end of it."""
    sigma: float
    coarse: bool


def _best(trace: _Trace, lower: Floats, upper: Floats, step: float, censored: int) -> _Best:
    """The search with the least sum of squares, then the likelihood of cells where readings are intervals."""
    offset = 0.0 if trace.zero is None else trace.zero
    y, lower, upper = trace.y - offset, lower - offset, upper - offset
    inner = np.isfinite(lower) & np.isfinite(upper)
    root_w = np.where(inner, 1.0, 0.05) if inner.sum() >= _MIN_SAMPLES else np.ones(y.size)
    low, high, starts = np.zeros(3), np.zeros(3), np.zeros((_STARTS, 4))
    free = np.array([trace.dead < 0, True, trace.order > 1])
    separable.prepare(
        trace.t, y, root_w, trace.on, trace.off, trace.tied, trace.zero is not None, trace.drift,
        trace.cap, trace.average, trace.order, trace.dead, 3, low, high, starts,
    )  # fmt: skip
    tries = [
        trace.search(y, root_w, np.ascontiguousarray(row[:3]), free, low, high, _ROUGH)
        for row in starts
        if math.isfinite(row[3])
    ]
    best = min(tries, key=lambda one: one.rss)
    if trace.order > 1:
        start = np.zeros(3)
        separable.nudge(best.found, start)
        best = min(best, trace.search(y, root_w, start, free, low, high, _ROUGH), key=lambda one: one.rss)
    best = trace.search(y, root_w, best.found, free, low, high)

    inside = _inside(best.found, free, low, high)
    rest = best.residual[inner] / root_w[inner]
    sigma = math.sqrt(float(rest @ rest) / max(1.0, float(inner.sum()) - trace.linear - float(inside.sum())))
    coarse = step > 0 and sigma < COARSE * step
    if coarse or censored:
        best, root_w, sigma = _by_cells(trace, y, lower, upper, step, coarse, best, root_w, sigma, (free, low, high))
        inside = _inside(best.found, free, low, high)
    # an upper bound on the ratio is the mirror of itself (two equal lags): the data may still lean either way
    counted = inside | (free & (best.found >= high) & np.array([False, False, True]))
    return _Best(best, root_w, counted, bool(np.any(free & ~inside)), bool(best.found[1] >= high[1]), sigma, coarse)


def _inside(found: Floats, free: Bools, low: Floats, high: Floats) -> Bools:
    return np.asarray(free & (found > low) & (found < high))


def _by_cells(
    trace: _Trace, y: Floats, lower: Floats, upper: Floats, step: float, coarse: bool,
    best: _Search, root_w: Floats, sigma: float, limits: tuple[Bools, Floats, Floats],
) -> tuple[_Search, Floats, float]:  # fmt: skip
    """Maximise the likelihood of interval readings; rounds of Newton, held back where one goes downhill."""
    free, low, high = limits
    inner = np.isfinite(lower) & np.isfinite(upper)
    lowest = max(SIGMA_FLOOR_CELLS * step, 1e-9 * float(np.ptp(y)), 1e-300)
    mu, sigma, floor = y - best.residual / root_w, max(sigma, lowest), 0.1
    spare = trace.linear + int(_inside(best.found, free, low, high).sum())

    def likelihood(mu: Floats, sigma: float) -> float:
        exact = 0.0
        some = ~inner
        if coarse:
            some = np.ones_like(inner)
        else:
            exact = float(np.sum(-0.5 * ((y[inner] - mu[inner]) / sigma) ** 2) - inner.sum() * math.log(sigma))
        return exact + float(
            np.sum(log_probability((lower[some] - mu[some]) / sigma, (upper[some] - mu[some]) / sigma))
        )

    def noise(mu: Floats) -> float:
        if coarse:
            return best_sigma(lower, upper, mu, max(0.3 * sigma, lowest), max(3 * sigma, 2 * lowest))
        rest = y[inner] - mu[inner]
        return max(math.sqrt(float(rest @ rest) / max(1, rest.size)), lowest)

    sigma = noise(mu)
    height = likelihood(mu, sigma)
    for _ in range(_CELL_ROUNDS):
        target, weight = working(lower, upper, mu, sigma, floor)
        if not coarse:  # on a fine display only the ends of the range are intervals
            target, weight = np.where(inner, y, target), np.where(inner, 1.0, weight)
        trial_w = np.sqrt(weight)
        trial = trace.search(target, trial_w, best.found, free, low, high, _ROUGH)
        trial_mu = target - trial.residual / trial_w
        trial_sigma = noise(trial_mu)
        trial_height = likelihood(trial_mu, trial_sigma)
        if trial_height < height - 1e-9 * abs(height):
            if floor >= 1.0:
                break
            floor = min(1.0, floor * 10.0)
            continue
        gained = trial_height - height
        best, mu, sigma, height = trial, trial_mu, trial_sigma, trial_height
        if gained < 1e-5 and floor <= 1e-2:
            break
        floor = max(1e-7, floor * 0.1)
    if coarse:
        edge = float(lower[inner][0]) if inner.any() else 0.0
        low_end = float(upper[~np.isfinite(lower)][0]) if (~np.isfinite(lower)).any() else -math.inf
        high_end = float(lower[~np.isfinite(upper)][0]) if (~np.isfinite(upper)).any() else math.inf
        weight = expected_weight(edge, step, low_end, high_end, mu, sigma)
    else:
        weight = np.where(inner, 1.0, working(lower, upper, mu, sigma, 1e-9)[1])
    # what the readings are worth together, in readings without a display step
    number = float(weight.sum()) if coarse else float(inner.sum())
    root_w = np.sqrt(weight)
    residual = (np.where(inner, y, mu) - mu) * root_w
    settled_at = _Search(best.found, best.coefficients, residual, float(residual @ residual), best.ended, best.steps)
    return settled_at, root_w, sigma * math.sqrt(number / max(1.0, number - spare))


def _figures(
    trace: _Trace,
    best: _Best,
    resolution: float,
    censored: int,
    dropped: tuple[int, ...],
    flags: set[str],
    end_s: float,
) -> StepFit:
    """Figures, covariance in the names people use, and flags."""
    theta, log_s, ratio = (float(value) for value in best.search.found)
    s, c = math.exp(log_s), best.search.coefficients
    has_off = trace.off < trace.t[-1]
    cov = np.zeros((7, 7))
    usable = spread.covariance_of_rest(
        trace.t, best.root_w, trace.on, trace.off, trace.tied, trace.zero is not None, trace.drift,
        trace.cap, trace.average, best.search.found, best.inside, c, cov,
    )  # fmt: skip
    parts = list(c[: trace.linear])
    zero = trace.zero if trace.zero is not None else parts.pop(0)
    gain = parts.pop(0)
    shift = -gain if trace.tied else (parts.pop(0) if has_off else math.nan)
    drift = parts.pop(0) if trace.drift else 0.0
    residual = best.search.residual / best.root_w
    phi, z = _hanging_together(residual)
    n = trace.t.size
    stretch = 1.0 if best.coarse else spread.inflation(phi, n)
    if stretch > 1.0:
        flags.add("correlated-residuals")
    cov *= best.sigma**2 * stretch
    if not usable or best.open_ended or not np.isfinite(cov).all():
        usable = False
        cov[:] = math.nan
        flags.add("covariance-unusable")
    if best.search.ended == separable.OUT_OF_STEPS:
        flags.add("not-converged")
    if best.at_bound:
        flags.add("at-bound")
    times, slopes = _times(s, ratio, trace.average)
    u_times = [math.sqrt(max(0.0, float(g @ cov @ g))) if usable else math.nan for g in slopes]
    natural, names = _natural(s, ratio, trace.order, has_off, trace.drift)
    covariance = natural @ cov @ natural.T if usable else np.full((len(names), len(names)), math.nan)
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0)) if usable else np.full(len(names), math.nan)
    gap = math.sqrt(max(0.0, 1.0 - 4.0 * ratio))
    taus = (0.5 * s * (1 + gap), 0.5 * s * (1 - gap))[: trace.order]
    if _no_response(trace, best.search.rss, gain, phi, resolution, best.root_w):
        flags.add("no-response")
    reached = np.zeros(1)
    columns.filtered(
        np.array([end_s]), np.ones(1), trace.on + theta, s, ratio, trace.cap, trace.average, reached, np.zeros((3, 1))
    )
    if reached[0] < _REACHED:
        flags.add("extrapolated")
    during = trace.t <= end_s
    if not censored and not settled(
        trace.t[during], trace.y[during], zero, trace.on, end_s, resolution=resolution
    ).settled:  # fmt: skip
        flags.add("not-settled")
    if z < _RUNS_LIMIT and not best.coarse and _misfit(residual, trace.t <= trace.on) > _MISFIT_LIMIT * abs(gain):
        flags.add("model-inadequate")
    recovered = has_off and int(np.sum(trace.t > trace.off)) >= _MIN_SAMPLES - 2
    u50, u90 = theta + times[0], theta + times[1]
    return StepFit(
        order=trace.order,
        gas_on_s=trace.on,
        gas_off_s=trace.off if has_off else None,
        zero=float(zero),
        plateau=float(zero + gain),
        dead_time_s=theta,
        taus_s=taus,
        t50_s=u50,
        t90_s=u90,
        t10_s=u90 if recovered else math.nan,
        after=float(zero + gain + shift) if has_off else math.nan,
        drift_per_s=float(drift),
        u_zero=float(u[0]),
        u_plateau=float(u[1]),
        u_dead_time_s=float(u[2]),
        u_taus_s=tuple(float(value) for value in u[3 : 3 + trace.order]),
        u_t50_s=u_times[0],
        u_t90_s=u_times[1],
        u_t10_s=u_times[1] if recovered else math.nan,
        names=names,
        covariance=covariance,
        rss=float(residual @ residual) if not censored and not best.coarse else best.search.rss,
        sigma=best.sigma,
        correlation=phi,
        runs_z=z,
        samples=n,
        dropped=dropped,
        censored=censored,
        steps=best.search.steps,
        flags=tuple(sorted(flags)),
    )


def _times(s: float, ratio: float, average: float) -> tuple[tuple[float, float], tuple[Floats, Floats]]:
    """Times to 50 and 90 % after the dead time, and their slopes by the seven parameters."""
    times = lag_curve.passes(0.5, s, ratio, average), lag_curve.passes(0.9, s, ratio, average)
    slopes = np.zeros(7), np.zeros(7)
    for u, slope in zip(times, slopes, strict=True):
        lag_curve.slope_of(u, s, ratio, average, slope)
    return times, slopes


def _natural(s: float, ratio: float, order: int, has_off: bool, drift: bool) -> tuple[Floats, tuple[str, ...]]:
    """Matrix from the seven parameters to the named ones."""
    gap = math.sqrt(max(1e-6, 1.0 - 4.0 * ratio))
    rows = {
        "zero": {spread.ZERO: 1.0},
        "plateau": {spread.ZERO: 1.0, spread.GAIN: 1.0},
        "dead_time_s": {spread.DEAD: 1.0},
        "tau_1_s": {spread.LOG_SUM: 0.5 * s * (1 + gap), spread.RATIO: -s / gap},
    }
    if order == 2:
        rows["tau_2_s"] = {spread.LOG_SUM: 0.5 * s * (1 - gap), spread.RATIO: s / gap}
    if has_off:
        rows["after"] = {spread.ZERO: 1.0, spread.GAIN: 1.0, spread.SHIFT: 1.0}
    if drift:
        rows["drift_per_s"] = {spread.DRIFT: 1.0}
    matrix = np.zeros((len(rows), spread.PARAMETERS))
    for i, row in enumerate(rows.values()):
        for j, value in row.items():
            matrix[i, j] = value
    return matrix, tuple(rows)


def _hanging_together(residual: Floats) -> tuple[float, float]:
    """Lag-one correlation and runs statistic of the residuals."""
    squares = float(residual @ residual)
    phi = float(residual[1:] @ residual[:-1]) / squares if squares > 0 else 0.0
    return phi, runs_z(residual)


def _misfit(residual: Floats, before: Bools) -> float:
    """Size of what hangs together in the residuals after gas on, beyond what did so in clean air."""

    def together(part: Floats) -> float:
        return max(0.0, float(part[:-1] @ part[1:]) / (part.size - 1))

    air = together(residual[before] - residual[before].mean()) if int(before.sum()) >= 10 else 0.0
    return math.sqrt(max(0.0, together(residual[~before]) - air))


def _no_response(trace: _Trace, rss: float, gain: float, phi: float, resolution: float, root_w: Floats) -> bool:
    """Whether the step explains no more than chance would, or less than a display step."""
    weight = root_w**2
    centre = float(np.sum(weight * trace.y) / np.sum(weight)) if trace.zero is None else trace.zero
    flat = float(np.sum(weight * (trace.y - centre) ** 2))
    extra = 3 + trace.order
    freedom = max(1.0, (trace.y.size - extra) / spread.inflation(phi, trace.y.size))
    ratio = (flat - rss) / extra / max(rss / freedom, 1e-300)
    return ratio < _RESPONSE_F or abs(gain) < resolution


def _nothing(trace: _Trace, dropped: tuple[int, ...], flags: set[str]) -> StepFit:
    """The answer for a reading that never moved."""
    value, unknown = float(trace.y[0]), math.nan
    names = ("zero", "plateau", "dead_time_s", *(f"tau_{k + 1}_s" for k in range(trace.order)))
    return StepFit(
        order=trace.order, gas_on_s=trace.on, gas_off_s=None, zero=value, plateau=value, dead_time_s=unknown,
        taus_s=(unknown,) * trace.order, t50_s=unknown, t90_s=unknown, t10_s=unknown, after=unknown, drift_per_s=0.0,
        u_zero=unknown, u_plateau=unknown, u_dead_time_s=unknown, u_taus_s=(unknown,) * trace.order,
        u_t50_s=unknown, u_t90_s=unknown, u_t10_s=unknown, names=names,
        covariance=np.full((len(names), len(names)), unknown), rss=0.0, sigma=0.0, correlation=0.0, runs_z=0.0,
        samples=trace.t.size, dropped=dropped, censored=0, steps=0, flags=tuple(sorted(flags)),
    )  # fmt: skip
