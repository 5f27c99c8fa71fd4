"""Whether a fitted curve is to be believed: what moves, what drifts, what hangs together in its residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response import spread
from gaswitness.response.seek import Best
from gaswitness.response.trace import Trace

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_RESPONSE_F = 8.0
"""F ratio of the step against no step that noise alone passes less than once in 10,000 traces."""
_REACHES = (1, 3, 8)
"""A misfit that lasts sees the whole of eight neighbours; one that swings within a short rise, the closest only."""
_LEAST_AIR = 20
"""Readings of clean air that can tell whether its noise is correlated."""
_MOST = 0.8
_STILL = 0.01
"""Mean square below this is no noise."""
NEIGHBOURS_LIMIT = 1.645
"""Residuals that hang together more than this contradict the model; 1 in 20 traces of a true one would, by chance."""
_SEEN = NEIGHBOURS_LIMIT + 1.645
"""Limit of the test, and as much more as 19 of 20 draws of a unit normal stay above minus."""


def drifts(trace: Trace, best: Best, before: Bools, step: float) -> bool:
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
    phi = lag_one(best.search.residual / best.root_w)
    slope = float(c[trace.linear - 1])
    u_slope = best.sigma * math.sqrt(cov[spread.DRIFT, spread.DRIFT] * spread.inflation(phi, trace.t.size))
    t, y = trace.t[before], trace.y[before]
    centred = t - t.mean()
    moment = float(centred @ centred)
    early = float(centred @ y) / moment
    rest = y - y.mean() - early * centred
    phi_early = lag_one(rest)
    variance = (float(rest @ rest) / (t.size - 2) + step**2 / 12) * spread.inflation(phi_early, t.size)
    u_early = math.sqrt(variance / moment)
    agree = abs(slope - early) < 3 * math.hypot(u_slope, u_early)
    return abs(slope) > 3 * u_slope and abs(slope) > 1.5 * u_early and agree


def lag_one(residual: Floats) -> float:
    """Correlation of neighbouring residuals [part]."""
    squares = float(residual @ residual)
    return float(residual[1:] @ residual[:-1]) / squares if squares > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Neighbours:
    """How far residuals hang together after gas on, beyond what noise as in clean air may do."""

    z: float
    """Sum of the products of neighbours 1, up to 3 or up to 8 apart in standard deviations, whichever says most."""
    misfit: float
    """Size of what hangs together, in standard deviations of a reading."""
    smallest: float
    """A misfit of this size, likewise, would be seen in 19 of 20 traces."""


def neighbours(pulled: Floats, worth: Floats, before: Bools) -> Neighbours:
    """Test of residuals for what hangs together, for readings that are numbers and for those that are intervals.

    `pulled` is the mean of the noise, in its standard deviations, that each reading tells of, and `worth` what the
    variance of that is under a true model: for a plain reading the residual and 1. Products of neighbours then have
    mean 0 and the variance of the product of their worths, whatever the display. Noise that hangs together in clean
    air may do so under gas: that much is expected of the sum, and the sum is held to be less certain.

    >>> wave = np.sin(np.arange(200.0) / 5.0) * np.repeat([0.0, 1.0], 100)
    >>> neighbours(wave, np.ones(200), np.arange(200) < 100).z > 5
    True
    """
    sums = _products(pulled[~before], worth[~before])
    if not sums:
        return Neighbours(0.0, 0.0, math.inf)
    phi, size = _in_air(pulled[before], worth[before])
    stretch = 1.0 - size + size * (1.0 + phi) / (1.0 - phi)
    best, smallest = -math.inf, math.inf
    for lags, total, variance in sums:
        expected = size * variance * sum(phi**lag for lag in range(1, lags + 1)) / lags
        wide = math.sqrt(variance) * stretch
        best = max(best, (total - expected) / wide)
        smallest = min(smallest, math.sqrt((_SEEN * wide + expected) / variance))
    _, closest, of_closest = sums[0]
    return Neighbours(best, math.sqrt(max(0.0, closest / of_closest - size * phi)), smallest)


def _in_air(pulled: Floats, worth: Floats) -> tuple[float, float]:
    """The most by which noise may well be correlated from one reading to the next, and its variance in clean air.

    One standard error above the correlation about a straight line, first freed of its bias -(2 + 4 phi) / n (P. A. P.
    Moran, Biometrika 35 (1948), M. G. Kendall, Biometrika 41 (1954), from memory). The sum over neighbours then has
    a standard deviation larger by (1 + phi) / (1 - phi), that of a spectrum at frequency zero. The variance is a part
    of that about the whole curve: where that curve misses the readings, noise as in air is the lesser part.
    """
    n = pulled.size
    if n < _LEAST_AIR:  # too short to tell: a doubt too many costs less than one too few
        return 0.0, 0.0
    at = np.arange(n) - 0.5 * (n - 1)  # a baseline on the move is no noise: the straight line is taken out
    moved = pulled - pulled.mean() - at * float(at @ pulled) / float(at @ at)
    if float(moved @ moved) < _STILL * n:  # a display so coarse that the noise does not show on it
        return 0.0, 0.0
    pairs = float(worth[1:] @ worth[:-1])
    size = min(1.0, float(moved @ moved) / float(worth.sum()))
    phi = float(moved[1:] @ moved[:-1]) / (size * pairs)
    phi = min(1.0, phi + (2.0 + 4.0 * phi) / n)
    phi = min(_MOST, max(0.0, phi + math.sqrt(max(0.0, 1.0 - phi**2) / pairs)))
    # the line took a part of the variance with it, and as few readings as these leave it open by as much again
    lost = 2.0 * (1.0 + phi) / (1.0 - phi) / n + math.sqrt(2.0 * (1.0 + phi**2) / (1.0 - phi**2) / pairs)
    return phi, min(1.0, size * (1.0 + min(1.0, lost)))


def _products(pulled: Floats, worth: Floats) -> list[tuple[int, float, float]]:
    """For each reach of the test: how many lags, the sum of products over them, and its variance."""
    sums = []
    total, variance = 0.0, 0.0
    for lag in range(1, min(_REACHES[-1], pulled.size - 1) + 1):
        total += float(pulled[lag:] @ pulled[:-lag])
        variance += float(worth[lag:] @ worth[:-lag])
        if lag in _REACHES and variance > 0:
            sums.append((lag, total, variance))
    return sums


def no_response(trace: Trace, rss: float, gain: float, phi: float, resolution: float, root_w: Floats) -> bool:
    """Whether the step explains no more than chance would, or less than a display step."""
    weight = root_w**2
    centre = float(np.sum(weight * trace.y) / np.sum(weight)) if trace.zero is None else trace.zero
    flat = float(np.sum(weight * (trace.y - centre) ** 2))
    extra = 3 + trace.order
    freedom = max(1.0, (trace.y.size - extra) / spread.inflation(phi, trace.y.size))
    ratio = (flat - rss) / extra / max(rss / freedom, 1e-300)
    return ratio < _RESPONSE_F or abs(gain) < resolution
