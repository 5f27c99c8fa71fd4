"""Fit of a step: zero, plateau, dead time, one or two lags, with uncertainties that mean what they say.

Least squares by variable projection (`separable`), after spikes have been left out. A coarse display or a range end
makes readings intervals, and then their likelihood is maximised (`cells`). Residuals that hang together widen every
uncertainty by sqrt((1 + phi) / (1 - phi)), phi being their lag-one correlation.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.response import columns, lag_curve, separable, spread
from gaswitness.response.adequacy import NEIGHBOURS_LIMIT, Neighbours, drifts, lag_one, neighbours, no_response
from gaswitness.response.cells import cell_bounds, pull
from gaswitness.response.quality import gap_after, resolution_seen, spikes
from gaswitness.response.result import StepFit
from gaswitness.response.seek import Best, best_of
from gaswitness.response.settle import settled
from gaswitness.response.trace import MIN_SAMPLES, Trace, check_known, checked, ends_seen

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_MISFIT_LIMIT = 0.003
"""Misfit that hangs together matters from this part of the step."""
_UNSEEN_LIMIT = 0.005
"""A display that would hide a misfit of this part of the step cannot show whether the model holds."""
_SURE = 4.0
"""Such a display hides whether noise is correlated, too: only what is far above the limit then counts."""
_REACHED = 0.95
"""A plateau is extrapolated when the curve had reached less than this part of the step."""


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
    times, values, kept = checked(t_s, reading, gas_on_s, gas_off_s, order)
    check_known(cap_tau_s, average_s)
    flags: set[str] = set()
    if gap_after(times[kept]).size:
        flags.add("gaps")
    step = resolution_seen(values[kept]) if resolution is None else resolution
    if range_high == math.inf and range_low == -math.inf:
        range_low, range_high = ends_seen(times[kept], values[kept], step, gas_on_s, gas_off_s)
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
    trace = Trace(
        t, y, float(gas_on_s), off, returns_to_zero, zero, -1.0 if dead_time_s is None else float(dead_time_s),
        bool(drift), order, float(cap_tau_s), float(average_s),
    )  # fmt: skip
    lower, upper = cell_bounds(y, step, range_low, range_high)
    censored = int(np.sum(~np.isfinite(lower)) + np.sum(~np.isfinite(upper)))
    if censored:
        flags.add("saturated")
    if np.ptp(y[t > gas_on_s]) == 0 and not censored and (not before.any() or np.ptp(y) == 0):
        return _nothing(trace, dropped, flags | {"stuck", "no-response", "covariance-unusable"})
    best = best_of(trace, lower, upper, step, censored)
    if drift is None:
        sloping = replace(trace, drift=True)
        leaning = best_of(sloping, lower, upper, step, censored)
        if drifts(sloping, leaning, before, step):
            trace, best = sloping, leaning
    if trace.drift:
        flags.add("baseline-drifting")
    if best.coarse:
        flags.add("quantised")
    return _figures(trace, best, (lower, upper), step, censored, dropped, flags, end_s)


def _figures(
    trace: Trace,
    best: Best,
    cells: tuple[Floats, Floats],
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
    phi, told = lag_one(residual), _neighbours(trace, best, residual, cells)
    n = trace.t.size
    stretch = 1.0 if best.coarse else spread.inflation(phi, n)
    if stretch > 1.0:
        flags.add("correlated-residuals")
    cov *= best.sigma**2 * stretch
    if not usable or not best.inside[1] or not np.isfinite(cov).all():
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
    if no_response(trace, best.search.rss, gain, phi, resolution, best.root_w):
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
    blind = best.coarse and told.smallest * best.sigma > _UNSEEN_LIMIT * abs(gain)
    limit = _SURE if blind else NEIGHBOURS_LIMIT
    if told.z > limit and told.misfit * best.sigma > _MISFIT_LIMIT * abs(gain):
        flags.add("model-inadequate")
    elif blind:
        flags.add("model-unproven")
    recovered = has_off and int(np.sum(trace.t > trace.off)) >= MIN_SAMPLES - 2
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
        neighbours_z=told.z,
        samples=n,
        dropped=dropped,
        censored=censored,
        steps=best.search.steps,
        flags=tuple(sorted(flags)),
    )


def _neighbours(trace: Trace, best: Best, residual: Floats, cells: tuple[Floats, Floats]) -> Neighbours:
    """Whether residuals hang together; those of intervals by what their cells tell."""
    pulled, worth = residual / max(best.sigma, 1e-300), np.ones(residual.size)
    if best.coarse:
        pulled, worth = pull(*cells, trace.y - residual, best.sigma), best.root_w**2
    return neighbours(pulled, worth, trace.t <= trace.on)


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


def _nothing(trace: Trace, dropped: tuple[int, ...], flags: set[str]) -> StepFit:
    """The answer for a reading that never moved."""
    value, unknown = float(trace.y[0]), math.nan
    names = ("zero", "plateau", "dead_time_s", *(f"tau_{k + 1}_s" for k in range(trace.order)))
    return StepFit(
        order=trace.order, gas_on_s=trace.on, gas_off_s=None, zero=value, plateau=value, dead_time_s=unknown,
        taus_s=(unknown,) * trace.order, t50_s=unknown, t90_s=unknown, t10_s=unknown, after=unknown, drift_per_s=0.0,
        u_zero=unknown, u_plateau=unknown, u_dead_time_s=unknown, u_taus_s=(unknown,) * trace.order,
        u_t50_s=unknown, u_t90_s=unknown, u_t10_s=unknown, names=names,
        covariance=np.full((len(names), len(names)), unknown), rss=0.0, sigma=0.0, correlation=0.0, neighbours_z=0.0,
        samples=trace.t.size, dropped=dropped, censored=0, steps=0, flags=tuple(sorted(flags)),
    )  # fmt: skip
