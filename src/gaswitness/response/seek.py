"""The curve that follows a trace best: least squares, then the likelihood of cells where readings are intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response import separable
from gaswitness.response.cells import (
    SIGMA_FLOOR_CELLS,
    best_sigma,
    expected_weight,
    log_probability,
    working,
)
from gaswitness.response.trace import MIN_SAMPLES, Search, Trace

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_STARTS = 4
_ROUGH = 1e-8
"""Tolerance while starts compete; the winner is polished to the last digit."""
COARSE = 0.6
"""A display step above sigma / this is coarse; below it rounding acts as noise of its own, to 1 % of the step."""
_CELL_ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Best:
    """The search that won, and what it was given in the end."""

    search: Search
    root_w: Floats
    inside: Bools
    """Searched parameters that came to rest within their bounds."""
    at_bound: bool
    open_ended: bool
    """The lags grew to their bound: the readings show a slope and no end of it."""
    sigma: float
    coarse: bool


def best_of(trace: Trace, lower: Floats, upper: Floats, step: float, censored: int) -> Best:
    """The search with the least sum of squares, then the likelihood of cells where readings are intervals."""
    offset = 0.0 if trace.zero is None else trace.zero
    y, lower, upper = trace.y - offset, lower - offset, upper - offset
    inner = np.isfinite(lower) & np.isfinite(upper)
    root_w = np.where(inner, 1.0, 0.05) if inner.sum() >= MIN_SAMPLES else np.ones(y.size)
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
    return Best(best, root_w, counted, bool(np.any(free & ~inside)), bool(best.found[1] >= high[1]), sigma, coarse)


def _inside(found: Floats, free: Bools, low: Floats, high: Floats) -> Bools:
    return np.asarray(free & (found > low) & (found < high))


def _by_cells(
    trace: Trace, y: Floats, lower: Floats, upper: Floats, step: float, coarse: bool,
    best: Search, root_w: Floats, sigma: float, limits: tuple[Bools, Floats, Floats],
) -> tuple[Search, Floats, float]:  # fmt: skip
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
    settled_at = Search(best.found, best.coefficients, residual, float(residual @ residual), best.ended, best.steps)
    return settled_at, root_w, sigma * math.sqrt(number / max(1.0, number - spare))
