"""Readings as intervals: a display step or the end of a range tells where a value lies, not what it is.

The likelihood of a reading is the probability of its cell under a normal with mean mu (the curve) and standard
deviation sigma. Its first two derivatives turn into a working reading and a weight, so that weighted least squares,
repeated, maximises it (iteratively reweighted least squares; J. Tobin, Econometrica 26 (1958) 24-36 for the cut-off
case). A cell that is narrow against sigma gives back the plain reading with weight 1.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FINE_CELLS = 50.0
"""With noise of this many display steps a reading is worth as much as one without a step, to 1 in 30,000."""
SIGMA_FLOOR_CELLS = 0.05
"""Noise below this part of a display step cannot be told: cells then only say in or out."""


def cell_bounds(reading: Floats, resolution: float, low: float, high: float) -> tuple[Floats, Floats]:
    """Lower and upper bound of what each reading may have been; infinite beyond the ends of the range."""
    half = 0.5 * resolution
    lower = np.where(reading <= low + half, -np.inf, reading - half)
    upper = np.where(reading >= high - half, np.inf, reading + half)
    return lower, upper


def working(lower: Floats, upper: Floats, mu: Floats, sigma: float, floor: float) -> tuple[Floats, Floats]:
    """Working readings and weights (`floor` to 1) of interval readings about the curve `mu`.

    With floor 1 a round is one of expectation maximisation: slow, but it never goes downhill. With a small floor it
    is one of Newton.
    """
    moved, weight = _derivatives(lower, upper, mu, sigma)
    weight = np.clip(weight, floor, 1.0)
    return mu + sigma * moved / weight, weight


def pull(lower: Floats, upper: Floats, mu: Floats, sigma: float) -> Floats:
    """Mean of the noise, as a factor of sigma, that the cell of each reading tells of."""
    return _derivatives(lower, upper, mu, sigma)[0]


def _derivatives(lower: Floats, upper: Floats, mu: Floats, sigma: float) -> tuple[Floats, Floats]:
    """First and minus second derivative of log probability by mu / sigma."""
    from scipy.special import ndtr  # scipy is slow to import, and few traces need it

    a, b = (lower - mu) / sigma, (upper - mu) / sigma
    # keep both bounds on the side where tails are small
    flip = a > 0
    a, b = np.where(flip, -b, a), np.where(flip, -a, b)
    probability = np.maximum(ndtr(b) - ndtr(a), 1e-300)
    density_a, density_b = _density(a), _density(b)
    moved = (density_a - density_b) / probability
    weight = moved**2 + (_times(b, density_b) - _times(a, density_a)) / probability
    # a curve far outside its cell: pull straight to the nearest bound
    lost = probability < 1e-250
    moved = np.where(lost, np.where(b < 0, b, a), moved)
    return np.where(flip, -moved, moved), np.where(lost, 1.0, weight)


def expected_weight(edge: float, resolution: float, low: float, high: float, mu: Floats, sigma: float) -> Floats:
    """Weight that a reading is expected to have in the covariance, over all cells the display might have shown.

    `edge` is any cell boundary; `low`, `high` the ends of the range. The observed weights hang on how many readings
    happened to flip to the next cell, which also moves the fit itself; their expectation does not.
    """
    from scipy.special import ndtr

    if sigma > FINE_CELLS * resolution:  # the display step no longer matters, and there would be no end of cells
        return np.ones_like(mu)
    spread = math.ceil(5.0 * sigma / resolution) + 1
    home = np.floor((mu - edge) / resolution)
    total = np.zeros_like(mu)
    for k in range(-spread, spread + 1):
        a = edge + (home + k) * resolution
        b = a + resolution
        a = np.where(a < low, -np.inf, a)
        b = np.where(b > high, np.inf, b)
        inside = (b > low) & (a < high)
        x, z = (a - mu) / sigma, (b - mu) / sigma
        probability = np.maximum(np.where(x > 0, ndtr(-x) - ndtr(-z), ndtr(z) - ndtr(x)), 1e-300)
        total += np.where(inside, (_density(x) - _density(z)) ** 2 / probability, 0.0)
    return np.clip(total, 1e-9, 1.0)


def best_sigma(lower: Floats, upper: Floats, mu: Floats, lowest: float, highest: float) -> float:
    """The noise that makes these cells most likely about the curve, within given limits."""
    from scipy.optimize import minimize_scalar

    def cost(log_sigma: float) -> float:
        sigma = math.exp(log_sigma)
        return -float(np.sum(log_probability((lower - mu) / sigma, (upper - mu) / sigma)))

    bounds = (math.log(lowest), math.log(highest))
    return math.exp(float(minimize_scalar(cost, bounds=bounds, method="bounded", options={"xatol": 1e-3}).x))


def log_probability(a: Floats, b: Floats) -> Floats:
    """log(Phi(b) - Phi(a)), also far out in the tails."""
    from scipy.special import log_ndtr

    flip = a > 0
    a, b = np.where(flip, -b, a), np.where(flip, -a, b)
    high, low = log_ndtr(b), log_ndtr(a)
    return np.asarray(high + np.log1p(-np.exp(np.minimum(low - high, -1e-15))))


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * np.minimum(x * x, 1400.0)) * 0.3989422804014327) * np.isfinite(x)


def _times(x: Floats, density: Floats) -> Floats:
    return np.asarray(np.where(np.isfinite(x), x, 0.0) * density)
