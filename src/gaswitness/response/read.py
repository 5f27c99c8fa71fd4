"""Figures read on the trace itself, without a model: zero, plateau, times by monotone interpolation.

They stand beside the fit as a second opinion. A time is read only once the reading has settled, or nearly, since a
share of an unknown plateau is no figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.response.quality import noise_sd, spikes
from gaswitness.response.settle import Settled, settled

Floats = NDArray[np.float64]

_ZERO_SAMPLES = 3
_NEARLY = 0.05
"""A plateau that moves by up to this part of the step over the last quarter carries times, with that move in `u`."""


@dataclass(frozen=True, slots=True)
class ReadValue:
    """A value with its standard uncertainty; NaN is unknown."""

    value: float
    u: float


UNKNOWN = ReadValue(math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class ReadTimes:
    """What one exposure shows to the eye."""

    zero: ReadValue
    plateau: ReadValue
    t50_s: ReadValue
    t90_s: ReadValue
    noise: float
    settled: Settled


def read_zero(reading: ArrayLike, resolution: float = 0.0) -> ReadValue:
    """Level of readings in clean air: their median, with the correlation of its noise and the display step in `u`.

    >>> read_zero([400.0, 401.0, 399.0, 400.0, 400.0]).value
    400.0
    """
    y = np.asarray(reading, dtype=np.float64)
    y = y[np.isfinite(y)]
    n = int(y.size)
    if n < _ZERO_SAMPLES:
        return UNKNOWN
    level = float(np.median(y))
    rest = y - y.mean()
    squares = float(rest @ rest)
    phi = min(max(float(rest[1:] @ rest[:-1]) / squares, 0.0), 0.98) if squares > 0 else 0.0
    variance = squares / (n - 1)
    # a median spreads pi / 2 times as much as a mean
    u = math.sqrt(0.5 * math.pi * variance * (1 + phi) / (1 - phi) / n)
    grain = resolution / math.sqrt(12.0) if variance < resolution**2 / 4 else 0.0
    return ReadValue(level, math.hypot(u, grain))


def read_times(
    t_s: ArrayLike,
    reading: ArrayLike,
    gas_on_s: float,
    gas_off_s: float | None = None,
    *,
    zero: ReadValue | None = None,
    resolution: float = 0.0,
) -> ReadTimes:
    """Read zero, plateau, t50 and t90 of one exposure; times in seconds from gas on.

    The times are NaN when the reading is far from settled or the zero is unknown. For a recovery give gas off as
    `gas_on_s` and the settled plateau as `zero`.

    >>> t = np.arange(-20.0, 300.0)
    >>> y = 1000 * (1 - np.exp(-t.clip(0) / 20))
    >>> round(read_times(t, y, 0.0).t90_s.value, 1)  # 20 ln 10
    46.1
    """
    t, y = np.asarray(t_s, dtype=np.float64), np.asarray(reading, dtype=np.float64)
    good = np.isfinite(y)
    t, y = t[good], y[good]
    good = ~spikes(y, resolution)
    t, y = t[good], y[good]
    noise = noise_sd(y)
    until_s = float(t[-1]) if gas_off_s is None else min(float(gas_off_s), float(t[-1]))
    base = read_zero(y[t <= gas_on_s], resolution) if zero is None else zero
    rest = settled(
        t, y, base.value if math.isfinite(base.value) else float(y[0]), gas_on_s, until_s, resolution=resolution
    )
    plateau = ReadValue(rest.plateau, rest.u_plateau)
    step = abs(rest.plateau - base.value)
    far = not rest.settled and not abs(rest.move) <= _NEARLY * step
    if far or not step > 0:
        return ReadTimes(base, plateau, UNKNOWN, UNKNOWN, noise, rest)
    during = (t >= gas_on_s) & (t <= until_s)
    times = [
        _crossing(t[during] - gas_on_s, y[during], base, plateau, share, noise, resolution) for share in (0.5, 0.9)
    ]
    return ReadTimes(base, plateau, times[0], times[1], noise, rest)


def nearest_rising(y: Floats) -> Floats:
    """The never-falling curve nearest to `y` in least squares, by pooling neighbours that fall.

    As `scipy.optimize.isotonic_regression`, whose import takes longer than all of a judgement's reading.

    >>> nearest_rising(np.array([1.0, 3.0, 2.0, 4.0]))
    array([1. , 2.5, 2.5, 4. ])
    """
    means: list[float] = []
    sizes: list[int] = []
    for value in y.tolist():
        mean, size = value, 1
        while means and means[-1] >= mean:
            before = sizes.pop()
            mean = (means.pop() * before + mean * size) / (before + size)
            size += before
        means.append(mean)
        sizes.append(size)
    return np.repeat(np.array(means), sizes)


def _crossing(
    t: Floats, y: Floats, zero: ReadValue, plateau: ReadValue, share: float, noise: float, resolution: float
) -> ReadValue:
    """Time at which a monotone curve through the samples passes a share of the step.

    The nearest monotone curve (isotonic least squares) is joined by straight lines. Its uncertainty is that of the
    level over the slope, and a uniform share of the samples' spacing at the crossing.
    """
    if t.size < 3:
        return UNKNOWN
    step = plateau.value - zero.value
    rising = nearest_rising((y - zero.value) / step)
    if rising[0] >= share:
        return ReadValue(float(t[0]), math.nan)
    if rising[-1] < share:
        return UNKNOWN
    above = int(np.argmax(rising >= share))
    left = int(np.flatnonzero(rising[:above] < share)[-1])
    span_s = float(t[above] - t[left])
    part = (share - rising[left]) / (rising[above] - rising[left])
    # slope over the neighbourhood, since a monotone curve is made of flats and jumps where there is noise
    low = int(np.searchsorted(rising, share - 0.1, side="left"))
    high = min(int(np.searchsorted(rising, min(share + 0.05, 0.98), side="right")), t.size - 1)
    if high <= low:  # one jump, over a pause perhaps: all that is known is that it passed in between
        low, high = left, above
    slope = (rising[high] - rising[low]) / max(float(t[high] - t[low]), 1e-9)
    u_level = math.sqrt(
        ((1 - share) * zero.u) ** 2 + (share * plateau.u) ** 2 + noise**2 / max(1, high - low) + resolution**2 / 12
    ) / abs(step)
    u = math.hypot(u_level / slope if slope > 0 else math.inf, span_s / math.sqrt(12.0))
    return ReadValue(float(t[left] + part * span_s), u if math.isfinite(u) else math.nan)
