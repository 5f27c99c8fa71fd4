"""First-order lags in a row, in closed form and steady where time constants meet.

For a row of lags with rates r_k = 1 / tau_k and a constant input u, stage n started from values x_j is

    x_n(t) = u + sum over j <= n of (x_j(0) - u) G_jn(t)
    G_jn(t) = r_(j+1) ... r_n t^(n-j) exp[-r_j t, ..., -r_n t]

where exp[...] is the divided difference of the exponential. Divided differences have a limit where rates are equal,
so nothing special happens there (the textbook difference of exponentials divides nothing by nothing).
Source of the form: A. McCurdy, K. C. Ng, B. N. Parlett, Mathematics of Computation 43 (1984) 501-528 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import OutOfDomain

Floats = NDArray[np.float64]

_CLOSE = 0.5
"""Below this spread the series is used: 14 terms then hold 1e-16, and the plain quotient loses under a digit above."""
_TERMS = 14
_INSTANT_S = 1e-9
"""A time constant up to this is no lag: no instrument or clock could tell."""


def _exp_difference(a: Floats, b: Floats) -> Floats:
    """exp[a, b] = (e^a - e^b) / (a - b)."""
    high, gap = np.maximum(a, b), np.abs(a - b)
    # e^high expm1(-gap) / -gap: no overflow, and exact down to gap 0
    with np.errstate(invalid="ignore"):
        quotient = np.where(gap > 0, -np.expm1(-gap) / np.where(gap > 0, gap, 1.0), 1.0)
    return np.asarray(np.exp(high) * quotient)


def _exp_difference_2(a: Floats, b: Floats, c: Floats) -> Floats:
    """exp[a, b, c]; by the recursion over the widest gap, or by the series about the mean where all are close."""
    low, middle, high = np.sort(np.stack([a, b, c]), axis=0)
    spread = high - low
    far = spread > _CLOSE
    wide = (_exp_difference(high, middle) - _exp_difference(middle, low)) / np.where(far, spread, 1.0)
    mean = (low + middle + high) / 3.0
    x, y, z = (np.where(far, 0.0, part - mean) for part in (low, middle, high))
    # complete homogeneous sums h_k(x, y, z): exp[...] = e^mean sum h_k / (k + 2)!
    h_x = h_xy = h_xyz = np.ones_like(mean)
    factorial = 2.0
    series = h_xyz / factorial
    for k in range(1, _TERMS):
        h_x = x * h_x
        h_xy = h_x + y * h_xy
        h_xyz = h_xy + z * h_xyz
        factorial *= k + 2
        series = series + h_xyz / factorial
    return np.where(far, wide, np.exp(mean) * series)


def relax(taus_s: Sequence[float], start: Sequence[float] | Floats, target: float, dt_s: Floats) -> Floats:
    """Values of every stage after times `dt_s` [s, shape (n,)] at a constant input; shape (stages, n).

    Up to three stages. A time constant of 0 (to a nanosecond) is no lag: that stage shows what feeds it.

    >>> relax((10.0, 10.0), (0.0, 0.0), 1.0, np.array([20.0]))[1].round(6)  # 1 - e^-2 (1 + 2)
    array([0.593994])
    """
    dt = np.asarray(dt_s, dtype=np.float64)
    out = np.empty((len(taus_s), dt.size))
    live: list[tuple[float, float]] = []  # (rate, start - target) of the lags met so far
    for stage, (tau, value) in enumerate(zip(taus_s, start, strict=True)):
        if tau > _INSTANT_S:
            live.append((1.0 / tau, float(value) - target))
        total = np.full(dt.shape, float(target))
        for j, (_, offset) in enumerate(live):
            total += offset * _free(tuple(rate for rate, _ in live[j:]), dt)
        out[stage] = total
    return out


def _free(rates: tuple[float, ...], dt: Floats) -> Floats:
    """G: what is left in the last of these lags of a unit put in the first."""
    exponents = [-rate * dt for rate in rates]
    if len(rates) == 1:
        return np.asarray(np.exp(exponents[0]))
    if len(rates) == 2:
        return rates[1] * dt * _exp_difference(exponents[0], exponents[1])
    if len(rates) == 3:
        return rates[1] * rates[2] * dt**2 * _exp_difference_2(*exponents)
    raise OutOfDomain("up to three lags in a row are known here", found=len(rates))


@lru_cache(maxsize=4096)
def passes_fraction_s(taus_s: tuple[float, ...], fraction: float) -> float:
    """Time [s] at which a row of lags, stepped at 0, passes this fraction of the change; 0 < fraction < 1.

    >>> round(passes_fraction_s((1.0,), 0.9) / passes_fraction_s((1.0,), 0.5), 4)  # log2 10
    3.3219
    """
    if not 0 < fraction < 1:
        raise OutOfDomain("a fraction of the change", found=fraction, expected="above 0 and below 1")
    lags = tuple(tau for tau in taus_s if tau > _INSTANT_S)
    if not lags:
        return 0.0
    if len(lags) == 1:
        return float(-lags[0] * np.log1p(-fraction))
    from scipy.optimize import brentq  # slow to import, and most programs never get here

    slowest = max(lags)
    reach_s = sum(lags) * (1.0 - np.log1p(-fraction)) + 10 * slowest
    rest = (0.0,) * len(lags)
    return float(
        brentq(lambda t: relax(lags, rest, 1.0, np.array([t]))[-1, 0] - fraction, 0.0, reach_s, xtol=1e-13 * slowest)
    )
