"""The least squares of a step response: linear parts solved exactly, the others by Levenberg-Marquardt (kernels).

    y(t) = zero + drift (t - on) + gain S(t - on - theta) + shift S(t - off - theta) + noise
    S(u) = step response of 1 / (1 + s p + ratio s^2 p^2),   s = tau_1 + tau_2,   ratio = tau_1 tau_2 / s^2

zero, gain, shift and drift are linear and are projected out (variable projection: G. H. Golub, V. Pereyra, SIAM J.
Numer. Anal. 10 (1973) 413-432; the Jacobian is Kaufman's, BIT 15 (1975) 49-57). The sum s and the ratio are used in
place of the two time constants because S is smooth in them where the constants meet; in tau_1 and tau_2 the normal
matrix is singular there. Slopes are closed forms: with H = 1 / (1 + s p + q p^2), dH/ds = -p H^2, dH/dq = -p^2 H^2.

Searched are theta, log s and ratio; `free` says which. Everything is arrays in, arrays out.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

RATIO_MAX = 0.25
"""Two equal time constants."""
_RATIO_NONE = 1e-7
"""Below this the second lag is gone and the limit is used."""
_NEAR = 0.1
"""Below this |tau_1 - tau_2| u / (2 tau_1 tau_2) the series is used; five terms hold 1e-16 there."""

_PIECES = 64
_NODES = tuple(0.5 + 0.5 * float(x) for x in np.polynomial.legendre.leggauss(8)[0])
_WEIGHTS = tuple(0.5 * float(w) for w in np.polynomial.legendre.leggauss(8)[1])
"""Gauss's rule on 0..1, for what is known of the course but has no handy closed form: cap and moving average."""

_NOTHING = 1e-8
"""Part of the variance per sample that is not worth another step: a ten-thousandth of an uncertainty."""
_LEFT_OVER = 1e-3
"""A ratio below this is a second lag all but gone: perhaps truly, perhaps on the wrong side of a ridge."""

ZERO, GAIN, SHIFT, DRIFT, DEAD, LOG_SUM, RATIO = range(7)
"""Rows of parameters and covariance."""
PARAMETERS = 7

CONVERGED, STALLED, OUT_OF_STEPS = 0, 1, 2


@kernel
def curve(u: float, s: float, ratio: float) -> tuple[float, float, float, float]:
    """S and its slopes by time, log s and ratio, at time `u` > 0 after the step.

    >>> s, slope, _, _ = curve(2.302585092994046, 1.0, 0.0)
    >>> round(s, 12), round(slope, 12)
    (0.9, 0.1)
    """
    if ratio < _RATIO_NONE:
        return _single(u, math.exp(-u / s), s)
    q = ratio * s * s
    gap = s * math.sqrt(max(0.0, 1.0 - 4.0 * ratio))
    x = gap * u / (2.0 * q)
    if x >= _NEAR:
        slow = 0.5 * (s + gap)
        return _apart(u, x, math.exp(-u / slow), math.exp(-u * slow / q), s, q)
    x2 = x * x
    left = math.exp(-u * s / (2.0 * q))
    cosh = left * (1.0 + x2 * (1 / 2 + x2 * (1 / 24 + x2 * (1 / 720 + x2 / 40320))))
    sinhc = left * (1.0 + x2 * (1 / 6 + x2 * (1 / 120 + x2 * (1 / 5040 + x2 / 362880))))
    third = left * (1 / 3 + x2 * (1 / 30 + x2 * (1 / 840 + x2 * (1 / 45360 + x2 / 3991680))))
    return _two_lags(u, cosh, sinhc, third, s, q)


@kernel
def _single(u: float, left: float, s: float) -> tuple[float, float, float, float]:
    """One lag, of which `left` = e^(-u / s) is still to come; the ratio slope is that of a second lag of 0."""
    return 1.0 - left, left / s, -u * left / s, -left * (1.0 - u / s)


@kernel
def _apart(u: float, x: float, first: float, second: float, s: float, q: float) -> tuple[float, float, float, float]:
    """Two lags that are clearly different, from what is left of each."""
    cosh = 0.5 * (first + second)
    sinhc = 0.5 * (first - second) / x
    return _two_lags(u, cosh, sinhc, (cosh - sinhc) / (x * x), s, q)


@kernel
def _two_lags(
    u: float, cosh: float, sinhc: float, third: float, s: float, q: float
) -> tuple[float, float, float, float]:
    mu = u * s / (2.0 * q)
    by_s = -u * u * u * third / (2.0 * q * q)
    by_q = -u * u / (2.0 * q * q) * (sinhc - mu * third)
    return 1.0 - (cosh + mu * sinhc), u * sinhc / q, s * by_s + 2.0 * q * by_q, s * s * by_q


@kernel
def shown(u: float, s: float, ratio: float, average: float) -> tuple[float, float, float, float]:
    """`curve` behind a moving average over the last `average` seconds; the same where that is 0.

    >>> value, slope, _, _ = shown(2.0, 1.0, 0.0, 1.0)  # 1 - (e^-1 - e^-2)
    >>> round(value, 9), round(slope, 9)
    (0.767455842, 0.232544158)
    """
    if average <= 0.0:
        return curve(u, s, ratio)
    low = max(0.0, u - average)
    length = u - low
    pieces = min(_PIECES, 1 + int(length / s))
    value, by_s, by_r = 0.0, 0.0, 0.0
    for p in range(pieces):
        for g in range(8):
            part, _, part_s, part_r = curve(low + length * (p + _NODES[g]) / pieces, s, ratio)
            value += _WEIGHTS[g] * part
            by_s += _WEIGHTS[g] * part_s
            by_r += _WEIGHTS[g] * part_r
    share = length / (pieces * average)
    late = curve(low, s, ratio)[0] if low > 0.0 else 0.0
    return share * value, (curve(u, s, ratio)[0] - late) / average, share * by_s, share * by_r


@kernel
def passes(fraction: float, s: float, ratio: float, average: float) -> float:
    """Time [s] after the step (no dead time, no cap) at which the reading passes `fraction`; safeguarded Newton.

    >>> round(passes(0.5, 1.0, 0.0, 0.0), 6)  # ln 2
    0.693147
    """
    low, high = 0.0, s * (8.0 - 3.0 * math.log(1.0 - fraction)) + average
    u = -s * math.log(1.0 - fraction) + 0.5 * average
    for _ in range(100):
        value, slope, _a, _b = shown(u, s, ratio, average)
        if value < fraction:
            low = u
        else:
            high = u
        step = (fraction - value) / slope if slope > 0.0 else 0.0
        new = u + step
        if slope <= 0.0 or new <= low or new >= high:
            new = 0.5 * (low + high)
        if abs(new - u) <= 1e-15 * s:
            return new
        u = new
    return u


@kernel
def _dot(a: Floats, b: Floats) -> float:
    """a . b in four running sums, since one sum waits for itself at every step."""
    n = a.size
    s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0
    for i in range(0, n - 3, 4):
        s0 += a[i] * b[i]
        s1 += a[i + 1] * b[i + 1]
        s2 += a[i + 2] * b[i + 2]
        s3 += a[i + 3] * b[i + 3]
    for i in range(n - n % 4, n):
        s0 += a[i] * b[i]
    return (s0 + s1) + (s2 + s3)


@kernel
def _term(t: Floats, root_w: Floats, start: float, s: float, ratio: float, value: Floats, slopes: Floats) -> None:
    """A weighted step response that starts at `start`, and its slopes by start (theta), log s and ratio.

    On even samples what is left of a lag falls by the same factor from each to the next, which saves most of the
    exponentials; every 32nd is computed afresh, so that nothing adds up.
    """
    n = t.size
    one = ratio < _RATIO_NONE
    q = ratio * s * s
    gap = s * math.sqrt(max(0.0, 1.0 - 4.0 * ratio))
    slow = s if one else 0.5 * (s + gap)
    fast = 0.0 if one else q / slow
    bend = 0.0 if one else gap / (2.0 * q)
    first, second, by_first, by_second, every, since = 0.0, 0.0, 0.0, 0.0, -1.0, 32
    for i in range(n):
        u = t[i] - start
        if u <= 0.0:
            value[i], slopes[0, i], slopes[1, i], slopes[2, i] = 0.0, 0.0, 0.0, 0.0
            continue
        w = root_w[i]
        if not one and bend * u < _NEAR:
            height, by_t, by_s, by_r = curve(u, s, ratio)
        else:
            pause = t[i] - t[i - 1] if i > 0 else 0.0
            if since < 32 and abs(pause - every) <= 1e-13 * every:
                first *= by_first
                second *= by_second
                since += 1
            else:
                first = math.exp(-u / slow)
                second = 0.0 if one else math.exp(-u / fast)
                after = t[i + 1] - t[i] if i + 1 < n else 0.0
                if abs(after - every) > 1e-13 * every:
                    every = after
                    by_first = math.exp(-every / slow)
                    by_second = 0.0 if one else math.exp(-every / fast)
                since = 0
            if one:
                height, by_t, by_s, by_r = _single(u, first, s)
            else:
                height, by_t, by_s, by_r = _apart(u, bend * u, first, second, s, q)
        value[i], slopes[0, i], slopes[1, i], slopes[2, i] = w * height, -w * by_t, w * by_s, w * by_r


@kernel
def _through_cap(t: Floats, start: float, s: float, ratio: float, cap: float, out: Floats) -> None:
    """`curve` behind a lag of `cap` seconds at times `t`, rows (value, by time, by log s, by ratio).

    From sample to sample: what was there fades by e^(-pause / cap), what came in since is summed by Gauss's rule.
    """
    state = np.zeros(4)
    before = 0.0
    for i in range(t.size):
        u = t[i] - start
        if u <= 0.0:
            out[:, i] = 0.0
            continue
        if cap <= 0.0:
            out[0, i], out[1, i], out[2, i], out[3, i] = curve(u, s, ratio)
            continue
        pause = u - before
        fade = math.exp(-pause / cap)
        reach = min(pause, 40.0 * cap)
        pieces = min(_PIECES, 1 + int(reach / min(2.0 * cap, s)))
        width = reach / pieces
        for k in range(4):
            state[k] *= fade
        for p in range(pieces):
            for g in range(8):
                ago = width * (p + _NODES[g])
                weight = _WEIGHTS[g] * width / cap * math.exp(-ago / cap)
                value, by_t, by_s, by_r = curve(u - ago, s, ratio)
                state[0] += weight * value
                state[1] += weight * by_t
                state[2] += weight * by_s
                state[3] += weight * by_r
        out[:, i] = state
        before = u


@kernel
def filtered(
    t: Floats, root_w: Floats, start: float, s: float, ratio: float, cap: float, average: float,
    value: Floats, slopes: Floats,
) -> None:  # fmt: skip
    """`_term` behind a cap that fills and a moving average of the reading.

    With H of the sensor, C of the cap and A of the average: A C H = A H - cap (C H(t) - C H(t - average)) / average,
    since the cap holds back what its own slope says.
    """
    now, then = np.empty((4, t.size)), np.zeros((4, t.size))
    _through_cap(t, start, s, ratio, cap, now)
    if average > 0.0:
        _through_cap(t, start + average, s, ratio, cap, then)
    for i in range(t.size):
        u = t[i] - start
        if average > 0.0 and u > 0.0:
            plain, _, plain_s, plain_r = shown(u, s, ratio, average)
            now[1, i] = (now[0, i] - then[0, i]) / average
            now[0, i] = plain - cap * now[1, i]
            now[2, i] = plain_s - cap * (now[2, i] - then[2, i]) / average
            now[3, i] = plain_r - cap * (now[3, i] - then[3, i]) / average
        w = root_w[i]
        value[i], slopes[0, i] = w * now[0, i], -w * now[1, i]
        slopes[1, i], slopes[2, i] = w * now[2, i], w * now[3, i]


@kernel
def _fill(
    t: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, theta: float, s: float, ratio: float,
    linear: Floats, slopes_on: Floats, slopes_off: Floats,
) -> int:  # fmt: skip
    """Weighted linear columns (rows of `linear`) and slopes of the two step terms; returns the number of columns.

    `off` beyond the last sample is no gas off. With `tied` the reading returns to where it started (shift = -gain).
    The cap is away after gas off; what it had not yet filled by then, E = e^(-(off - on) / cap), no longer comes:
    the gain term becomes S_cap(t - on) + E (S - S_cap)(t - off).
    """
    n = t.size
    has_off = off < t[n - 1]
    known = cap > 0.0 or average > 0.0
    column = 0
    if not zero_held:
        for i in range(n):
            linear[column, i] = root_w[i]
        column += 1
    gain_column = column
    column += 1
    shift_column = 3
    if has_off and not tied:
        shift_column = column
        column += 1
    if known:
        filtered(t, root_w, on + theta, s, ratio, cap, average, linear[gain_column], slopes_on)
    else:
        _term(t, root_w, on + theta, s, ratio, linear[gain_column], slopes_on)
    if has_off:
        shift = linear[shift_column]
        if known:
            filtered(t, root_w, off + theta, s, ratio, 0.0, average, shift, slopes_off)
        else:
            _term(t, root_w, off + theta, s, ratio, shift, slopes_off)
        unfilled = math.exp(-(off - on) / cap) if cap > 0.0 else 0.0
        if unfilled > 1e-16:
            held, held_slopes = np.empty(n), np.empty((3, n))
            filtered(t, root_w, off + theta, s, ratio, cap, average, held, held_slopes)
            for i in range(n):
                linear[gain_column, i] += unfilled * (shift[i] - held[i])
                for k in range(3):
                    slopes_on[k, i] += unfilled * (slopes_off[k, i] - held_slopes[k, i])
        if tied:
            for i in range(n):
                linear[gain_column, i] -= shift[i]
    if drift:
        for i in range(n):
            linear[column, i] = root_w[i] * (t[i] - on)
        column += 1
    return column


@kernel
def _project(
    linear: Floats, columns: int, y: Floats, root_w: Floats, coefficients: Floats, residual: Floats, lower: Floats
) -> float:
    """Solve the linear part; fills the weighted `residual` and `lower`, Cholesky's factor of the columns' products.

    Normal equations lose digits, so the residual is formed in full and solved for once more. A column that depends on
    the others gets the coefficient 0 (and 0 in `lower`). Returns the sum of squares.
    """
    n = y.size
    for a in range(columns):
        for b in range(a + 1):
            total = _dot(linear[a], linear[b])
            size = total
            for c in range(b):
                total -= lower[a, c] * lower[b, c]
            if a == b:
                lower[a, a] = math.sqrt(total) if total > 1e-13 * size and total > 0.0 else 0.0
            else:
                lower[a, b] = total / lower[b, b] if lower[b, b] > 0.0 else 0.0
        coefficients[a] = 0.0
    for i in range(n):
        residual[i] = root_w[i] * y[i]
    solved = np.empty(4)
    for _ in range(2):
        for a in range(columns):
            solved[a] = _dot(linear[a], residual)
        _forward(lower, columns, solved)
        for a in range(columns - 1, -1, -1):
            for c in range(a + 1, columns):
                solved[a] -= lower[c, a] * solved[c]
            solved[a] = solved[a] / lower[a, a] if lower[a, a] > 0.0 else 0.0
        for a in range(columns):
            coefficients[a] += solved[a]
            for i in range(n):
                residual[i] -= solved[a] * linear[a, i]
    return _dot(residual, residual)


@kernel
def _forward(lower: Floats, columns: int, right: Floats) -> None:
    """Solve lower x = right in place."""
    for a in range(columns):
        for c in range(a):
            right[a] -= lower[a, c] * right[c]
        right[a] = right[a] / lower[a, a] if lower[a, a] > 0.0 else 0.0


@kernel
def _slopes(
    free: Bools, zero_held: bool, tied: bool, has_off: bool, coefficients: Floats,
    slopes_on: Floats, slopes_off: Floats, out: Floats,
) -> None:  # fmt: skip
    """Slopes of the reading by theta, log s and ratio, into rows of `out`."""
    n = out.shape[1]
    first = 0 if zero_held else 1
    gain = coefficients[first]
    shift = 0.0
    if has_off:
        shift = -gain if tied else coefficients[first + 1]
    for k in range(3):
        if not free[k]:
            continue
        if has_off:
            for i in range(n):
                out[k, i] = gain * slopes_on[k, i] + shift * slopes_off[k, i]
        else:
            for i in range(n):
                out[k, i] = gain * slopes_on[k, i]


@kernel
def _normal(
    jacobian: Floats, free: Bools, linear: Floats, columns: int, lower: Floats, residual: Floats,
    hessian: Floats, gradient: Floats,
) -> None:  # fmt: skip
    """J'J and J'r of the slopes freed of the linear columns: what those could take up is subtracted."""
    shared = np.zeros((3, 4))
    for a in range(3):
        if not free[a]:
            continue
        for b in range(columns):
            shared[a, b] = _dot(jacobian[a], linear[b])
        _forward(lower, columns, shared[a])
        gradient[a] = _dot(jacobian[a], residual)
        for b in range(a + 1):
            if not free[b]:
                continue
            total = _dot(jacobian[a], jacobian[b])
            for c in range(columns):
                total -= shared[a, c] * shared[b, c]
            hessian[a, b] = total
            hessian[b, a] = total


@kernel
def _solve_damped(hessian: Floats, gradient: Floats, live: Bools, damping: float, step: Floats) -> float:
    """(H + damping diag H) step = gradient over the live rows, by Cholesky; returns gradient . step, or -1."""
    index = np.zeros(3, dtype=np.int64)
    k = 0
    for j in range(3):
        step[j] = 0.0
        if live[j] and hessian[j, j] > 0.0:
            index[k] = j
            k += 1
    lower = np.zeros((3, 3))
    solved = np.zeros(3)
    for a in range(k):
        for b in range(a + 1):
            value = hessian[index[a], index[b]]
            if a == b:
                value *= 1.0 + damping
            for c in range(b):
                value -= lower[a, c] * lower[b, c]
            if a == b:
                if value <= 1e-15 * hessian[index[a], index[a]]:
                    return -1.0
                lower[a, a] = math.sqrt(value)
            else:
                lower[a, b] = value / lower[b, b]
    for a in range(k):
        value = gradient[index[a]]
        for c in range(a):
            value -= lower[a, c] * solved[c]
        solved[a] = value / lower[a, a]
    for a in range(k - 1, -1, -1):
        value = solved[a]
        for c in range(a + 1, k):
            value -= lower[c, a] * solved[c]
        solved[a] = value / lower[a, a]
    drop = 0.0
    for a in range(k):
        step[index[a]] = solved[a]
        drop += solved[a] * gradient[index[a]]
    return drop


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
    columns = _fill(
        t, root_w, on, off, tied, zero_held, drift, cap, average, found[0], math.exp(found[1]), found[2],
        linear, slopes_on, slopes_off,
    )  # fmt: skip
    rss = _project(linear, columns, y, root_w, coefficients, residual, lower)
    damping, drop = 1e-3, -1.0
    for count in range(steps):
        _slopes(free, zero_held, tied, has_off, coefficients, slopes_on, slopes_off, jacobian)
        _normal(jacobian, free, linear, columns, lower, residual, hessian, gradient)
        for k in range(3):
            outward = (found[k] <= low[k] and gradient[k] < 0.0) or (found[k] >= high[k] and gradient[k] > 0.0)
            live[k] = free[k] and not outward
        drop = _solve_damped(hessian, gradient, live, 1e-14, step)
        if 0.0 <= drop <= tolerance * rss / n:
            return rss, CONVERGED, count
        while True:
            if _solve_damped(hessian, gradient, live, damping, step) >= 0.0:
                moved = 0.0
                for k in range(3):
                    trial[k] = min(max(found[k] + step[k], low[k]), high[k])
                    moved = max(moved, abs(trial[k] - found[k]) / (abs(found[k]) + 1e-3))
                columns = _fill(
                    t, root_w, on, off, tied, zero_held, drift, cap, average, trial[0], math.exp(trial[1]), trial[2],
                    linear, slopes_on, slopes_off,
                )  # fmt: skip
                trial_rss = _project(linear, columns, y, root_w, trial_c, trial_residual, lower)
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
                columns = _fill(
                    t, root_w, on, off, tied, zero_held, drift, cap, average, theta, s, ratio,
                    linear, slopes_on, slopes_off,
                )  # fmt: skip
                rss = _project(linear, columns, y, root_w, c, residual, lower)
                if rss < row_best:
                    row_best, row_s = rss, s
            worst = 0
            for row in range(best.shape[0]):
                if best[row, 3] > best[worst, 3]:
                    worst = row
            if row_best < best[worst, 3]:
                best[worst, 0], best[worst, 1], best[worst, 2], best[worst, 3] = theta, math.log(row_s), ratio, row_best


@kernel
def covariance(
    t: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, found: Floats, free: Bools, coefficients: Floats, out: Floats,
) -> bool:  # fmt: skip
    """(J'J)^-1 over all seven parameters into `out`, 0 where one is held; False when it cannot be inverted.

    In the order zero, gain, shift, drift, theta, log s, ratio.
    """
    n = t.size
    has_off = off < t[n - 1]
    linear = np.empty((4, n))
    slopes_on = np.empty((3, n))
    slopes_off = np.empty((3, n))
    jacobian = np.zeros((3, n))
    columns = _fill(
        t, root_w, on, off, tied, zero_held, drift, cap, average, found[0], math.exp(found[1]), found[2],
        linear, slopes_on, slopes_off,
    )  # fmt: skip
    _slopes(free, zero_held, tied, has_off, coefficients, slopes_on, slopes_off, jacobian)
    rows = np.zeros(7, dtype=np.int64)
    full = np.zeros((7, n))
    k = 0
    for j in range(columns):
        full[k] = linear[j]
        k += 1
    at = 0
    if not zero_held:
        rows[at] = 0
        at += 1
    rows[at] = 1
    at += 1
    if has_off and not tied:
        rows[at] = 2
        at += 1
    if drift:
        rows[at] = 3
        at += 1
    for j in range(3):
        if free[j]:
            full[k] = jacobian[j]
            rows[k] = 4 + j
            k += 1
    for a in range(7):
        for b in range(7):
            out[a, b] = 0.0
    scale = np.zeros(7)
    for a in range(k):
        dot = _dot(full[a], full[a])
        if dot <= 0.0:
            return False
        scale[a] = 1.0 / math.sqrt(dot)
    # inverse by modified Gram-Schmidt: J = Q R, (J'J)^-1 = R^-1 R^-T
    triangle = np.zeros((7, 7))
    for a in range(k):
        for i in range(n):
            full[a, i] *= scale[a]
        for _ in range(2):
            for b in range(a):
                dot = _dot(full[b], full[a])
                triangle[b, a] += dot
                for i in range(n):
                    full[a, i] -= dot * full[b, i]
        left = _dot(full[a], full[a])
        if left < 1e-20:
            return False
        triangle[a, a] = math.sqrt(left)
        for i in range(n):
            full[a, i] /= triangle[a, a]
    inverse = np.zeros((7, 7))
    for a in range(k - 1, -1, -1):
        inverse[a, a] = 1.0 / triangle[a, a]
        for b in range(a + 1, k):
            total = 0.0
            for c in range(a + 1, b + 1):
                total += triangle[a, c] * inverse[c, b]
            inverse[a, b] = -total / triangle[a, a]
    for a in range(k):
        for b in range(k):
            total = 0.0
            for c in range(max(a, b), k):
                total += inverse[a, c] * inverse[b, c]
            out[rows[a], rows[b]] = total * scale[a] * scale[b]
    if has_off and tied:
        for a in range(7):
            out[2, a] = -out[1, a]
        for a in range(7):
            out[a, 2] = -out[a, 1]
        out[2, 2] = out[1, 1]
    return True


@kernel
def covariance_of_rest(
    t: Floats, root_w: Floats, on: float, off: float, tied: bool, zero_held: bool, drift: bool,
    cap: float, average: float, found: Floats, inside: Bools, coefficients: Floats, out: Floats,
) -> bool:  # fmt: skip
    """`covariance`; where a second lag has all but gone and cannot be told from dead time, without its ratio.

    The ratio is then taken out of `inside`.
    """
    if covariance(t, root_w, on, off, tied, zero_held, drift, cap, average, found, inside, coefficients, out):
        return True
    if not inside[2] or found[2] > _LEFT_OVER:
        return False
    inside[2] = False
    return covariance(t, root_w, on, off, tied, zero_held, drift, cap, average, found, inside, coefficients, out)


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
        if ended != CONVERGED or (order > 1 and found[2] < _LEFT_OVER):
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


@kernel
def inflation(phi: float, n: int) -> float:
    """Factor on the variance for residuals that hang together, (1 + phi) / (1 - phi).

    1 while phi may be chance (within 2 / sqrt n), and under 20 samples, which cannot tell.
    """
    if n < 20 or phi <= 2.0 / math.sqrt(n):
        return 1.0
    phi = min(phi, 1.0 - 1.0 / n)
    return (1.0 + phi) / (1.0 - phi)


@kernel
def slope_of(u: float, s: float, ratio: float, average: float, out: Floats) -> None:
    """Slope of (dead time + time at which S passes its value at `u`) by the seven parameters."""
    _, by_t, by_s, by_r = shown(u, s, ratio, average)
    for k in range(4):
        out[k] = 0.0
    out[4], out[5], out[6] = 1.0, -by_s / by_t, -by_r / by_t


@kernel
def quadratic(matrix: Floats, vector: Floats) -> float:
    """v' M v."""
    total = 0.0
    for a in range(vector.size):
        for b in range(vector.size):
            total += vector[a] * matrix[a, b] * vector[b]
    return total
