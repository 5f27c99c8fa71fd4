"""What a trace is like before anything is fitted to it: noise, resolution, spikes, clipping, stuck, gaps."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SPIKE_SIGMAS = 6.0
"""A sample this far outside its neighbours is a spike: under 1e-8 of good samples of a quiet trace."""
GAP_INTERVALS = 4.0
"""A pause this many times the usual interval is a gap: one or two lost polls are not."""
_LOWER_80 = 0.6616
"""Root mean square of the smaller 80 % of a unit normal: sqrt((0.8 - 2 z phi(z)) / 0.8), z = 1.2816."""


def resolution_seen(reading: Floats) -> float:
    """Step of the display [same unit], as the values themselves show it; 0 where they lie on no grid.

    The step is the smallest difference between different values when all other differences are whole multiples of it
    and it is not merely the last digit of a long fraction (at least a quarter of neighbouring values share a value
    or a neighbour on the grid).

    >>> resolution_seen(np.array([400.0, 405.0, 405.0, 420.0, 410.0, 405.0]))
    5.0
    """
    values = np.unique(reading[np.isfinite(reading)])
    if values.size < 2:
        return 0.0
    steps = np.diff(values)
    size = max(abs(values[0]), abs(values[-1]))
    steps = steps[steps > 1e-9 * size]
    if steps.size == 0:
        return 0.0
    step = float(steps.min())
    multiples = steps / step
    if np.max(np.abs(multiples - np.round(multiples))) > 0.02 or values.size > 0.9 * reading.size >= 20:
        return 0.0
    return float(f"{step:.6g}")


def noise_sd(reading: Floats) -> float:
    """Standard deviation of the noise from second differences, which a smooth curve hardly touches.

    Root mean square of the smaller 80 % of them, scaled to a normal distribution, so that spikes and jumps have no
    say. White noise is assumed: slow wandering is not seen here.
    """
    if reading.size < 5:
        return math.nan
    bends = np.sort(np.abs(reading[2:] - 2.0 * reading[1:-1] + reading[:-2]))
    kept = bends[: max(1, math.ceil(0.8 * bends.size))]
    return float(np.sqrt(np.mean(kept**2) / 6.0)) / _LOWER_80


def spikes(reading: Floats, resolution: float = 0.0) -> Bools:
    """Samples that stick out of their four neighbours; a sample on a steep but steady rise does not.

    A spike of one or two samples lies beyond the second highest (lowest) neighbour by more than `SPIKE_SIGMAS` of
    the noise and of half a display step. Dropping them is least squares with Talwar's loss (M. J. Hinich, P. P.
    Talwar, J. Amer. Statist. Assoc. 70 (1975) 113-119): squared up to a limit, constant beyond.
    """
    n = reading.size
    out = np.zeros(n, dtype=np.bool_)
    if n < 5:
        return out
    around = np.stack([reading[k : n - 4 + k] for k in (0, 1, 3, 4)])
    # where a falling baseline turns into a rise the lowest sample sticks out by its own slope: that is no spike
    sloping = 2.0 * np.minimum(np.abs(around[1] - around[0]), np.abs(around[3] - around[2]))
    around.sort(axis=0)
    middle = reading[2:-2]
    outside = np.maximum(around[1] - middle, middle - around[2])
    scale = max(noise_sd(reading), 0.5 * resolution, 1e-12 * float(np.max(np.abs(reading))))
    out[2:-2] = outside > SPIKE_SIGMAS * scale + sloping
    return out


def flat_top_from(reading: Floats, resolution: float) -> int:
    """First sample of a run at one extreme value into which the trace runs without slowing down; -1 where none.

    A lag comes to rest by ever smaller steps; a trace cut off by the end of its range stops dead. Three or more
    samples hold exactly the extreme, the noise elsewhere would have moved them or the steps before were not yet
    getting small.
    """
    for extreme in (float(reading.max()), float(reading.min())):
        at = np.flatnonzero(reading == extreme)
        if at.size < 4:
            continue
        runs = np.split(at, np.flatnonzero(np.diff(at) != 1) + 1)
        longest = max(runs, key=len)
        if longest.size < 4 or longest[0] < 4:
            continue
        start = int(longest[0])
        before = np.abs(np.diff(reading[start - 4 : start + 1]))
        quiet = max(resolution, 1e-9 * abs(extreme))
        dead_stop = (
            before[-2] > 3 * quiet and before[-1] > 0 and before[-2] > 0.5 * before[-3] and before[-3] > 3 * quiet
        )
        noise = noise_sd(reading[:start])
        noisy_before = noise > 0.8 * max(resolution, quiet) and longest.size >= 8 and _restless(reading[:start])
        many = at.size >= 0.9 * (reading.size - start)
        if many and (dead_stop or noisy_before):
            return start
    return -1


def _restless(reading: Floats) -> bool:
    """Whether bends change sign like noise (about three in four times) and not like a curve (hardly ever)."""
    bends = reading[2:] - 2.0 * reading[1:-1] + reading[:-2]
    bends = bends[bends != 0]
    return bends.size >= 4 and float(np.mean(np.sign(bends[1:]) != np.sign(bends[:-1]))) > 0.5


def gap_after(t_s: Floats) -> NDArray[np.int64]:
    """Indices after which the record pauses for more than `GAP_INTERVALS` usual intervals."""
    if t_s.size < 3:
        return np.zeros(0, dtype=np.int64)
    steps = np.diff(t_s)
    return np.flatnonzero(steps > GAP_INTERVALS * float(np.median(steps))).astype(np.int64)


def stuck(reading: Floats, resolution: float) -> bool:
    """Whether a reading stands still as no live one does: constant throughout, or frozen in the midst of its noise.

    Frozen means 20 or more equal readings in a row, a fifth of the record at least, where the others scatter by a
    display step or more; an end of the range is not called stuck.

    >>> stuck(np.full(30, 412.0), 1.0)
    True
    """
    if np.ptp(reading) == 0:
        return True
    starts = np.flatnonzero(np.diff(reading) != 0) + 1
    edges = np.concatenate([[0], starts, [reading.size]])
    lengths = np.diff(edges)
    longest = int(np.argmax(lengths))
    length, value = int(lengths[longest]), float(reading[edges[longest]])
    if length < max(20, reading.size // 5) or value in (reading.max(), reading.min()):
        return False
    rest = np.concatenate([reading[: edges[longest]], reading[edges[longest + 1] :]])
    return bool(rest.size >= 10 and noise_sd(rest) > max(resolution, 0.0) and noise_sd(rest) > 0)
