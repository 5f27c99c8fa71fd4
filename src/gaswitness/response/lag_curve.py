"""The step response of one or two lags and its slopes, behind a moving average too (kernels).

    S(u) = step response of 1 / (1 + s p + ratio s^2 p^2),   s = tau_1 + tau_2,   ratio = tau_1 tau_2 / s^2

The sum s and the ratio are used in place of the two time constants because S is smooth in them where the constants
meet; in tau_1 and tau_2 the normal matrix of a fit is singular there. Slopes are closed forms: with
H = 1 / (1 + s p + q p^2), dH/ds = -p H^2, dH/dq = -p^2 H^2.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.kernels import kernel

Floats = NDArray[np.float64]

RATIO_MAX = 0.25
"""Two equal time constants."""
RATIO_NONE = 1e-7
"""Below this the second lag is gone and the limit is used."""
NEAR = 0.1
"""Below this |tau_1 - tau_2| u / (2 tau_1 tau_2) the series is used; five terms hold 1e-16 there."""

PIECES = 64
NODES = tuple(0.5 + 0.5 * float(x) for x in np.polynomial.legendre.leggauss(8)[0])
WEIGHTS = tuple(0.5 * float(w) for w in np.polynomial.legendre.leggauss(8)[1])
"""Gauss's rule on 0..1, for what is known of the course but has no handy closed form: cap and moving average."""


@kernel
def curve(u: float, s: float, ratio: float) -> tuple[float, float, float, float]:
    """S and its slopes by time, log s and ratio, at time `u` > 0 after the step.

    >>> s, slope, _, _ = curve(2.302585092994046, 1.0, 0.0)
    >>> round(s, 12), round(slope, 12)
    (0.9, 0.1)
    """
    if ratio < RATIO_NONE:
        return single(u, math.exp(-u / s), s)
    q = ratio * s * s
    gap = s * math.sqrt(max(0.0, 1.0 - 4.0 * ratio))
    x = gap * u / (2.0 * q)
    if x >= NEAR:
        slow = 0.5 * (s + gap)
        return apart(u, x, math.exp(-u / slow), math.exp(-u * slow / q), s, q)
    x2 = x * x
    left = math.exp(-u * s / (2.0 * q))
    cosh = left * (1.0 + x2 * (1 / 2 + x2 * (1 / 24 + x2 * (1 / 720 + x2 / 40320))))
    sinhc = left * (1.0 + x2 * (1 / 6 + x2 * (1 / 120 + x2 * (1 / 5040 + x2 / 362880))))
    third = left * (1 / 3 + x2 * (1 / 30 + x2 * (1 / 840 + x2 * (1 / 45360 + x2 / 3991680))))
    return _two_lags(u, cosh, sinhc, third, s, q)


@kernel
def single(u: float, left: float, s: float) -> tuple[float, float, float, float]:
    """One lag, of which `left` = e^(-u / s) is still to come; the ratio slope is that of a second lag of 0."""
    return 1.0 - left, left / s, -u * left / s, -left * (1.0 - u / s)


@kernel
def apart(u: float, x: float, first: float, second: float, s: float, q: float) -> tuple[float, float, float, float]:
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
    pieces = min(PIECES, 1 + int(length / s))
    value, by_s, by_r = 0.0, 0.0, 0.0
    for p in range(pieces):
        for g in range(8):
            part, _, part_s, part_r = curve(low + length * (p + NODES[g]) / pieces, s, ratio)
            value += WEIGHTS[g] * part
            by_s += WEIGHTS[g] * part_s
            by_r += WEIGHTS[g] * part_r
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
def slope_of(u: float, s: float, ratio: float, average: float, out: Floats) -> None:
    """Slope of (dead time + time at which S passes its value at `u`) by the seven parameters."""
    _, by_t, by_s, by_r = shown(u, s, ratio, average)
    for k in range(4):
        out[k] = 0.0
    out[4], out[5], out[6] = 1.0, -by_s / by_t, -by_r / by_t
