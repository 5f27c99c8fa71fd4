"""The course of a reading over its samples: weighted step terms and the columns of the least squares (kernels).

    y(t) = zero + drift (t - on) + gain S(t - on - theta) + shift S(t - off - theta)

The cap's filling and a moving average are parts of the course where they are known.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel
from gaswitness.response.lag_curve import NEAR, NODES, PIECES, RATIO_NONE, WEIGHTS, apart, curve, shown, single

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@kernel
def term(t: Floats, root_w: Floats, start: float, s: float, ratio: float, value: Floats, slopes: Floats) -> None:
    """A weighted step response that starts at `start`, and its slopes by start (theta), log s and ratio.

    On even samples what is left of a lag falls by the same factor from each to the next, which saves most of the
    exponentials; every 32nd is computed afresh, so that nothing adds up.
    """
    n = t.size
    one = ratio < RATIO_NONE
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
        if not one and bend * u < NEAR:
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
                height, by_t, by_s, by_r = single(u, first, s)
            else:
                height, by_t, by_s, by_r = apart(u, bend * u, first, second, s, q)
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
        pieces = min(PIECES, 1 + int(reach / min(2.0 * cap, s)))
        width = reach / pieces
        for k in range(4):
            state[k] *= fade
        for p in range(pieces):
            for g in range(8):
                ago = width * (p + NODES[g])
                weight = WEIGHTS[g] * width / cap * math.exp(-ago / cap)
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
    """`term` behind a cap that fills and a moving average of the reading.

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
def fill(
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
        term(t, root_w, on + theta, s, ratio, linear[gain_column], slopes_on)
    if has_off:
        shift = linear[shift_column]
        if known:
            filtered(t, root_w, off + theta, s, ratio, 0.0, average, shift, slopes_off)
        else:
            term(t, root_w, off + theta, s, ratio, shift, slopes_off)
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
def slopes_of_reading(
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
