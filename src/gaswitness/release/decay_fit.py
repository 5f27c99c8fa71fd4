"""The numbers behind a decay: least squares of one exponential, and an interval that does not trust the samples.

    y(t) = background + amplitude exp(-n t)

For a given rate the model is linear in the rest, so one number is searched and the rest solved.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

Floats = NDArray[np.float64]

MOST_BINS = 4096
"""More samples than this are averaged into so many bins of equal time: keeps memory and time bounded."""
BLOCKS = 10
"""Parts of the window that are left out in turn."""


@dataclass(frozen=True, slots=True)
class Decay:
    """A fitted decay."""

    n_per_s: float
    background: float
    amplitude: float
    rss: float
    count: int

    @property
    def rms(self) -> float:
        """Root mean square of the residuals."""
        return math.sqrt(self.rss / self.count)


def noise_of(values: Floats) -> float:
    """Robust standard deviation of the noise, from second differences (a straight slope does not count).

    >>> bool(abs(noise_of(np.random.default_rng(1).normal(0, 2, 4000)) - 2) < 0.1)
    True
    """
    if len(values) < 3:
        return 0.0
    second = np.diff(values, 2)
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / math.sqrt(6.0))


def smooth(values: Floats, width: int) -> Floats:
    """Running median over `width` samples, the ends held; same length."""
    if width < 3:
        return values
    half = width // 2
    padded = np.concatenate([np.full(half, values[0]), values, np.full(half, values[-1])])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1))


def binned(t_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Means over bins of equal time where there are more samples than `MOST_BINS`, else the samples themselves."""
    if len(t_s) <= MOST_BINS:
        return t_s, values
    place = np.minimum(((t_s - t_s[0]) / (t_s[-1] - t_s[0]) * MOST_BINS).astype(np.int64), MOST_BINS - 1)
    count = np.bincount(place, minlength=MOST_BINS)
    kept = count > 0
    mean_t = np.bincount(place, t_s, MOST_BINS)[kept] / count[kept]
    return mean_t, np.bincount(place, values, MOST_BINS)[kept] / count[kept]


def _linear(shape: Floats, values: Floats, background: float | None) -> tuple[float, float, float]:
    """Background, amplitude and rss for one shape exp(-n t)."""
    if background is None:
        mean_x, mean_y = shape.mean(), values.mean()
        spread = float(((shape - mean_x) ** 2).sum())
        if spread <= 1e-12 * max(float((shape**2).sum()), 1e-300):
            return float(mean_y), 0.0, float(((values - mean_y) ** 2).sum())
        amplitude = float(((shape - mean_x) * (values - mean_y)).sum()) / spread
        background = float(mean_y - amplitude * mean_x)
    else:
        amplitude = float((shape * (values - background)).sum() / (shape**2).sum())
    rest = values - background - amplitude * shape
    return background, amplitude, float((rest**2).sum())


def fit_decay(t_s: Floats, values: Floats, background: float | None, near: float | None = None) -> Decay:
    """Least squares; the rate is searched between a thousandth and three hundred per window."""
    span_s = t_s[-1] - t_s[0]
    since_s = t_s - t_s[0]

    def rss(log_n: float) -> float:
        return _linear(np.exp(-math.exp(log_n) * since_s), values, background)[2]

    low, high = math.log(1e-3 / span_s), math.log(300.0 / span_s)
    if near is None:
        grid = np.linspace(low, high, 48)
        best = int(np.argmin([rss(float(x)) for x in grid]))
        low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, len(grid) - 1)])
    else:
        low, high = max(low, math.log(near) - 1.0), min(high, math.log(near) + 1.0)
    found = optimize.minimize_scalar(rss, bounds=(low, high), method="bounded", options={"xatol": 1e-9})
    n_per_s = math.exp(float(found.x))
    return Decay(n_per_s, *_linear(np.exp(-n_per_s * since_s), values, background), len(values))


def _correlation_length(rest: Floats) -> float:
    """How many samples count as one: 1 + 2 sum rho_k, summed until the correlation has died away."""
    count = len(rest)
    centred = rest - rest.mean()
    power = float((centred**2).sum())
    if count < 8 or power <= 0.0:
        return 1.0
    size = 1 << (2 * count - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    rho = np.fft.irfft(spectrum * np.conj(spectrum), size)[:count] / power
    total = 1.0
    for lag in range(1, count // 2):
        if rho[lag] <= 0.0:
            break
        total += 2.0 * float(rho[lag])
    return max(total, 1.0)


def uncertainty(t_s: Floats, values: Floats, fit: Decay, background: float | None) -> tuple[float, float]:
    """Standard uncertainties of rate [1/s] and background, the larger of two honest ways.

    1. The covariance of the least squares with the residuals' own correlation: as if only one sample in
       (1 + 2 sum rho_k) were new.
    2. The block jackknife: leave out each tenth of what the window tells in turn and see how far the answer moves. It
       also sees what is wrong with the model (mixing at the start, wind that changes), which correlation does not.
    """
    since_s = t_s - t_s[0]
    shape = np.exp(-fit.n_per_s * since_s)
    columns = [-fit.amplitude * since_s * shape, shape] + ([np.ones_like(shape)] if background is None else [])
    jacobian = np.column_stack(columns)
    scale = np.linalg.norm(jacobian, axis=0)
    scale[scale == 0.0] = 1.0
    free = max(len(values) - jacobian.shape[1], 1)
    rest = values - fit.background - fit.amplitude * shape
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale)) / np.outer(scale, scale)
    variance = np.diag(inverse) * fit.rss / free * _correlation_length(rest)
    by_residuals = (float(variance[0]), float(variance[2]) if background is None else 0.0)

    blocks = min(BLOCKS, len(values))
    tells = since_s * shape / max(float((since_s * shape).sum()), 1e-300) + 1.0 / len(values)
    told = np.cumsum(tells) - 0.5 * tells
    place = np.minimum((told / told[-1] * blocks).astype(np.int64), blocks - 1)
    kept = [place != block for block in range(blocks)]
    fits = [fit_decay(since_s[k], values[k], background, fit.n_per_s) for k in kept if k.sum() > jacobian.shape[1]]
    if len(fits) < 3:
        return math.sqrt(by_residuals[0]), math.sqrt(by_residuals[1])
    factor = (len(fits) - 1) / len(fits)
    rates = np.array([one.n_per_s for one in fits])
    levels = np.array([one.background for one in fits])
    by_blocks = (
        factor * float(((rates - rates.mean()) ** 2).sum()),
        factor * float(((levels - levels.mean()) ** 2).sum()),
    )
    return math.sqrt(max(by_residuals[0], by_blocks[0])), math.sqrt(max(by_residuals[1], by_blocks[1]))
