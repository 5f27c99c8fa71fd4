"""Plain fits of many traces over one time axis (kernel)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel
from gaswitness.response.lag_curve import passes, slope_of
from gaswitness.response.projection import quadratic
from gaswitness.response.separable import CONVERGED, nudge, prepare, search
from gaswitness.response.spread import LEFT_OVER, covariance_of_rest, inflation

Floats = NDArray[np.float64]


@kernel
def fit_rows(
    t: Floats, rows: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, order: int, dead_held: float, tolerance: float,
    values: Floats, variances: Floats, quality: Floats,
) -> None:  # fmt: skip
    """Plain fits of many traces over one time axis; `rows` is (traces, samples), the outputs are filled row by row.

    values, variances: zero, plateau, dead time, tau_1, tau_2, t50, t90. quality: sum of squares, residual variance,
    lag-one correlation of the residual, ended as (0 converged), samples clearly out of line, covariance usable (1).
    """
    n = t.size
    root_w = np.ones(n)
    free = np.zeros(3, dtype=np.bool_)
    low, high = np.zeros(3), np.zeros(3)
    best = np.zeros((2, 4))
    found, other = np.zeros(3), np.zeros(3)
    c, other_c = np.zeros(5), np.zeros(5)
    residual, other_residual = np.zeros(n), np.zeros(n)
    cov = np.zeros((7, 7))
    g50, g90 = np.zeros(7), np.zeros(7)
    level = np.zeros(7)
    free[0], free[1], free[2] = dead_held < 0.0, True, order > 1
    has_off = off < t[n - 1]
    for row in range(rows.shape[0]):
        y = rows[row]
        prepare(t, y, root_w, on, off, tied, zero_held, drift, cap, average, order, dead_held, 1, low, high, best)
        a = 0 if best[0, 3] <= best[1, 3] else 1
        rss, ended, _ = search(
            t, y, root_w, on, off, tied, zero_held, drift, cap, average, best[a, :3], free, low, high, 60, tolerance,
            found, c, residual,
        )  # fmt: skip
        if ended != CONVERGED or (order > 1 and found[2] < LEFT_OVER):
            if ended == CONVERGED or best[1 - a, 3] == math.inf:
                nudge(found, best[1 - a])
            rss_b, ended_b, _ = search(
                t, y, root_w, on, off, tied, zero_held, drift, cap, average, best[1 - a, :3], free, low, high,
                60, tolerance, other, other_c, other_residual,
            )  # fmt: skip
            if rss_b < rss:
                rss, ended = rss_b, ended_b
                found[:], c[:], residual[:] = other, other_c, other_residual
        inside = free.copy()
        for k in range(3):
            inside[k] = free[k] and low[k] < found[k] < high[k]
        usable = (
            covariance_of_rest(t, root_w, on, off, tied, zero_held, drift, cap, average, found, inside, c, cov)
            and inside[1]
        )
        s, ratio = math.exp(found[1]), found[2]
        gap = math.sqrt(max(0.0, 1.0 - 4.0 * ratio))
        u50, u90 = passes(0.5, s, ratio, average), passes(0.9, s, ratio, average)
        at = 0 if zero_held else 1
        zero = 0.0 if zero_held else c[0]
        values[row, 0], values[row, 1], values[row, 2] = zero, zero + c[at], found[0]
        values[row, 3], values[row, 4] = 0.5 * s * (1.0 + gap), 0.5 * s * (1.0 - gap)
        values[row, 5], values[row, 6] = found[0] + u50, found[0] + u90
        columns = at + 1 + (1 if has_off and not tied else 0) + (1 if drift else 0)
        k = columns
        for j in range(3):
            if inside[j]:
                k += 1
        variance = rss / max(1, n - k)
        products, squares = 0.0, 0.0
        for i in range(n - 1):
            products += residual[i] * residual[i + 1]
            squares += residual[i] * residual[i]
        squares += residual[n - 1] * residual[n - 1]
        phi = products / squares if squares > 0.0 else 0.0
        stretch = inflation(phi, n)
        out_of_line = 0
        for i in range(n):
            if residual[i] * residual[i] > 36.0 * variance:
                out_of_line += 1
        level[0], level[1] = 1.0, 1.0
        slope_of(u50, s, ratio, average, g50)
        slope_of(u90, s, ratio, average, g90)
        for j in range(7):
            variances[row, j] = math.nan
        if usable:
            scale = variance * stretch
            near = max(gap, 1e-3)
            dt1, dt2 = -s / near, s / near
            tau1, tau2 = values[row, 3], values[row, 4]
            a_log, a_ratio = 5, 6
            variances[row, 0] = scale * cov[0, 0]
            variances[row, 1] = scale * quadratic(cov, level)
            variances[row, 2] = scale * cov[4, 4]
            variances[row, 3] = scale * (
                tau1 * tau1 * cov[a_log, a_log]
                + 2.0 * tau1 * dt1 * cov[a_log, a_ratio]
                + dt1 * dt1 * cov[a_ratio, a_ratio]
            )
            variances[row, 4] = scale * (
                tau2 * tau2 * cov[a_log, a_log]
                + 2.0 * tau2 * dt2 * cov[a_log, a_ratio]
                + dt2 * dt2 * cov[a_ratio, a_ratio]
            )
            variances[row, 5] = scale * quadratic(cov, g50)
            variances[row, 6] = scale * quadratic(cov, g90)
        quality[row, 0], quality[row, 1], quality[row, 2] = rss, variance, phi
        quality[row, 3], quality[row, 4], quality[row, 5] = ended, out_of_line, 1.0 if usable else 0.0
