"""The least squares of a step response: linear parts solved exactly, the others by Levenberg-Marquardt (kernels).

    y(t) = zero + drift (t - on) + gain S(t - on - theta) + shift S(t - off - theta) + noise

zero, gain, shift and drift are linear and are projected out (variable projection: G. H. Golub, V. Pereyra, SIAM J.
Numer. Anal. 10 (1973) 413-432; the Jacobian is Kaufman's, BIT 15 (1975) 49-57). Searched are theta, log s and ratio
(`lag_curve`); `free` says which. Everything is arrays in, arrays out.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel
from gaswitness.response.columns import fill, slopes_of_reading
from gaswitness.response.lag_curve import RATIO_MAX
from gaswitness.response.projection import normal, project, solve_damped

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_NOTHING = 1e-8
"""Part of the variance per sample that is not worth another step: a ten-thousandth of an uncertainty."""

CONVERGED, STALLED, OUT_OF_STEPS = 0, 1, 2


@kernel
def search(
    t: Floats, y: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, start: Floats, free: Bools, low: Floats, high: Floats, steps: int, tolerance: float,
    found: Floats, coefficients: Floats, residual: Floats,
) -> tuple[float, int, int]:  # fmt: skip
    """Levenberg-Marquardt from `start` (theta, log s, ratio) within `low`..`high`.

    Fills `found`, `coefficients` (zero, gain, shift, drift as far as present) and the weighted `residual`. Stops when
    a full Gauss-Newton step would lower the sum of squares by less than `tolerance` of its variance per sample.
    Returns the sum of squares, how it ended, and the steps taken.
    """
    n = t.size
    has_off = off < t[n - 1]
    linear = np.empty((4, n))
    slopes_on = np.empty((3, n))
    slopes_off = np.empty((3, n))
    jacobian = np.zeros((3, n))
    trial_residual = np.empty(n)
    trial_c = np.zeros(5)
    lower = np.zeros((4, 4))
    hessian = np.zeros((3, 3))
    gradient = np.zeros(3)
    step = np.zeros(3)
    trial = np.zeros(3)
    live = np.zeros(3, dtype=np.bool_)

    for k in range(3):
        found[k] = min(max(start[k], low[k]), high[k])
    columns = fill(
        t, root_w, on, off, tied, zero_held, drift, cap, average, found[0], math.exp(found[1]), found[2],
        linear, slopes_on, slopes_off,
    )  # fmt: skip
    rss = project(linear, columns, y, root_w, coefficients, residual, lower)
    damping, drop = 1e-3, -1.0
    for count in range(steps):
        slopes_of_reading(free, zero_held, tied, has_off, coefficients, slopes_on, slopes_off, jacobian)
        normal(jacobian, free, linear, columns, lower, residual, hessian, gradient)
        for k in range(3):
            outward = (found[k] <= low[k] and gradient[k] < 0.0) or (found[k] >= high[k] and gradient[k] > 0.0)
            live[k] = free[k] and not outward
        drop = solve_damped(hessian, gradient, live, 1e-14, step)
        if 0.0 <= drop <= tolerance * rss / n:
            return rss, CONVERGED, count
        while True:
            if solve_damped(hessian, gradient, live, damping, step) >= 0.0:
                moved = 0.0
                for k in range(3):
                    trial[k] = min(max(found[k] + step[k], low[k]), high[k])
                    moved = max(moved, abs(trial[k] - found[k]) / (abs(found[k]) + 1e-3))
                columns = fill(
                    t, root_w, on, off, tied, zero_held, drift, cap, average, trial[0], math.exp(trial[1]), trial[2],
                    linear, slopes_on, slopes_off,
                )  # fmt: skip
                trial_rss = project(linear, columns, y, root_w, trial_c, trial_residual, lower)
                if trial_rss < rss or (trial_rss <= rss and moved > 0.0):
                    break
            damping *= 8.0
            if damping > 1e12:
                return rss, STALLED, count
        rss = trial_rss
        for k in range(3):
            found[k] = trial[k]
        for k in range(5):
            coefficients[k] = trial_c[k]
        for i in range(n):
            residual[i] = trial_residual[i]
        damping = max(damping * 0.1, 1e-12)
    # along a flat valley the last digits may wander for ever: what is left to gain is then nothing that counts
    return rss, CONVERGED if 0.0 <= drop <= max(tolerance, _NOTHING) * rss / n else OUT_OF_STEPS, steps


@kernel
def scout(
    t: Floats, y: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, first_move: float, shortest: float, longest: float, order: int, dead_held: float,
    ratios: int, best: Floats,
) -> None:  # fmt: skip
    """Try a coarse lattice of dead times, lags and 1 to 3 ratios; the best starts go to the rows of `best`.

    `first_move` is the time after gas on at which the reading has clearly begun to move; a row of `best` is theta,
    log s, ratio, sum of squares.
    """
    n = t.size
    linear = np.empty((4, n))
    slopes_on = np.empty((3, n))
    slopes_off = np.empty((3, n))
    residual = np.empty(n)
    lower = np.zeros((4, 4))
    c = np.zeros(5)
    for row in range(best.shape[0]):
        best[row, 0], best[row, 1], best[row, 2], best[row, 3] = 0.0, math.log(longest), 0.0, math.inf
    rungs = 10
    for a in range(3):
        theta = first_move * (0.0, 0.5, 0.95)[a]
        if dead_held >= 0.0:
            if a > 0:
                break
            theta = dead_held
        for b in range(ratios):
            ratio = (0.14, 0.22, 0.06)[b] if order > 1 else 0.0
            row_best = math.inf
            row_s = longest
            for k in range(rungs):
                s = shortest * (longest / shortest) ** (k / (rungs - 1.0))
                columns = fill(
                    t, root_w, on, off, tied, zero_held, drift, cap, average, theta, s, ratio,
                    linear, slopes_on, slopes_off,
                )  # fmt: skip
                rss = project(linear, columns, y, root_w, c, residual, lower)
                if rss < row_best:
                    row_best, row_s = rss, s
            worst = 0
            for row in range(best.shape[0]):
                if best[row, 3] > best[worst, 3]:
                    worst = row
            if row_best < best[worst, 3]:
                best[worst, 0], best[worst, 1], best[worst, 2], best[worst, 3] = theta, math.log(row_s), ratio, row_best


@kernel
def nudge(found: Floats, start: Floats) -> None:
    """A start away from a place where a second lag has vanished into the dead time, along the valley between them."""
    s = math.exp(found[1])
    start[0] = max(0.0, found[0] - 0.3 * s)
    start[1] = math.log(1.3 * s)
    start[2] = 0.2


@kernel
def prepare(
    t: Floats, y: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, order: int, dead_held: float, ratios: int, low: Floats, high: Floats, best: Floats,
) -> None:  # fmt: skip
    """Bounds of the search and, from a thinned trace, its best starts (rows of `best`, see `scout`)."""
    n = t.size
    first = 0
    while first < n and t[first] <= on:
        first += 1
    span = max(t[n - 1] - on, 1e-9)
    shortest_gap = span
    for i in range(max(first, 1), n):
        if t[i] > t[i - 1]:
            shortest_gap = min(shortest_gap, t[i] - t[i - 1])
    low[0], high[0] = 0.0, 0.9 * span
    low[1], high[1] = math.log(0.02 * shortest_gap), math.log(30.0 * span)
    low[2], high[2] = 0.0, RATIO_MAX
    if order < 2:
        high[2] = 0.0
    if dead_held >= 0.0:
        low[0], high[0] = dead_held, dead_held
    # thin: what lies before gas on becomes one heavy sample; then up to 40 samples, crowded towards gas on
    wanted = 40
    thin_t = np.empty(wanted + 1)
    thin_y = np.empty(wanted + 1)
    thin_w = np.empty(wanted + 1)
    k = 0
    total, weight = 0.0, 0.0
    for i in range(first):
        total += y[i] * root_w[i] * root_w[i]
        weight += root_w[i] * root_w[i]
    if weight > 0.0:
        thin_t[0], thin_y[0], thin_w[0] = on, total / weight, math.sqrt(min(weight, 10.0))
        k = 1
    after = n - first
    last = -1
    for j in range(wanted):
        fraction = (j + 1.0) / wanted
        i = first + int((after - 1) * (0.35 * fraction + 0.65 * fraction * fraction)) if after > wanted else first + j
        if i >= n or i <= last:
            continue
        last = i
        value = y[i]
        if first < i < n - 1:  # the middle one of three: a spike must not start the search
            a, b = y[i - 1], y[i + 1]
            value = max(min(a, b), min(max(a, b), value))
        thin_t[k], thin_y[k], thin_w[k] = t[i], value, root_w[i]
        k += 1
    base = thin_y[0]
    reach = 0.0
    for i in range(k):
        reach = max(reach, abs(thin_y[i] - base))
    first_move = 0.0
    for i in range(k):
        if abs(thin_y[i] - base) > 0.1 * reach:
            first_move = max(0.0, thin_t[i] - on)
            break
    shortest = max(0.3 * shortest_gap, span / 400.0)
    scout(
        thin_t[:k], thin_y[:k], thin_w[:k], on, off, tied, zero_held, drift, cap, average,
        first_move, shortest, 4.0 * span, order, dead_held, ratios if order > 1 else 1, best,
    )  # fmt: skip
