"""A trace that has been checked, with what is known and what is asked of its fit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import InputError, OutOfDomain
from gaswitness.response import separable
from gaswitness.response.quality import flat_top_from

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MIN_SAMPLES = 6
"""Fewer readings carry no fit."""
_LARGEST = 1e100


@dataclass(frozen=True, slots=True)
class Trace:
    """A checked trace and how it is to be fitted."""

    t: Floats
    y: Floats
    on: float
    off: float
    """Infinite without gas off."""
    tied: bool
    zero: float | None
    dead: float
    """Below 0 where it is searched."""
    drift: bool
    order: int
    cap: float
    """Known time constant of the cap's filling, 0 where there is none."""
    average: float
    """Known window of a moving average of the reading, 0 where there is none."""

    def search(
        self, y: Floats, root_w: Floats, start: Floats, free: Bools, low: Floats, high: Floats,
        tolerance: float = 1e-20,
    ) -> Search:  # fmt: skip
        """Least squares of this trace from one start, `y` and `root_w` in place of readings and weights of 1."""
        found, c, residual = np.zeros(3), np.zeros(5), np.zeros(y.size)
        rss, ended, steps = separable.search(
            self.t, y, root_w, self.on, self.off, self.tied, self.zero is not None, self.drift,
            self.cap, self.average, start, free, low, high, 200, tolerance, found, c, residual,
        )  # fmt: skip
        return Search(found, c, residual, rss, ended, steps)

    @property
    def linear(self) -> int:
        """How many linear parts are fitted."""
        has_shift = self.off < self.t[-1] and not self.tied
        return (self.zero is None) + 1 + has_shift + self.drift


@dataclass(frozen=True, slots=True)
class Search:
    """Where a search came to rest."""

    found: Floats
    coefficients: Floats
    residual: Floats
    """Weighted."""
    rss: float
    ended: int
    steps: int


def as_arrays(t_s: ArrayLike, reading: ArrayLike) -> tuple[Floats, Floats]:
    """Times [s] and readings as two equally long arrays of numbers; raises `InputError` where they are none."""
    try:
        t = np.ascontiguousarray(t_s, dtype=np.float64)
        y = np.ascontiguousarray(reading, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise InputError("times and readings are not numbers", found=str(error), expected="two arrays") from error
    if t.ndim != 1 or t.shape != y.shape:
        raise InputError("times and readings do not match", found=(t.shape, y.shape), expected="two equal lengths")
    if not np.all(np.isfinite(t)) or np.any(np.diff(t) < 0):
        raise InputError("times of a trace must be finite and never go back", hint="sort the samples by time first")
    check_size(y)
    return t, y


def one_per_instant(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Readings of one instant as their mean: a row that comes twice is no second reading.

    `t` [s] does not go back, `y` [any unit] is finite.

    >>> one_per_instant(np.array([0.0, 1.0, 1.0]), np.array([4.0, 5.0, 7.0]))
    (array([0., 1.]), array([4., 6.]))
    """
    first = np.flatnonzero(np.diff(t, prepend=-math.inf) > 0)
    if first.size == t.size:
        return t, y
    return t[first], np.add.reduceat(y, first) / np.diff(first, append=t.size)


def check_size(reading: ArrayLike) -> None:
    """Raise `InputError` for readings whose squares would be no numbers any more."""
    y = np.asarray(reading, dtype=np.float64)
    low, high = (end.reduce(y, axis=None, initial=0.0) for end in (np.fmin, np.fmax))  # NaN apart; nothing is copied
    if max(-low, high) <= _LARGEST:
        return
    largest = np.max(np.abs(y[np.isfinite(y)]), initial=0.0)
    if largest > _LARGEST:
        raise InputError("a reading too large to be one", found=float(largest), expected="up to 1e100")


def checked(
    t_s: ArrayLike, reading: ArrayLike, gas_on_s: float, gas_off_s: float | None, order: int
) -> tuple[Floats, Floats, Bools]:
    """Times, readings and which of them are readings; raises where they cannot be those of one exposure."""
    t, y = as_arrays(t_s, reading)
    if order not in (1, 2):
        raise OutOfDomain("the order of a step fit is the number of its lags", found=order, expected="1 or 2")
    kept = np.isfinite(y)
    if gas_off_s is not None and gas_off_s <= gas_on_s:
        raise InputError("gas off comes after gas on", found=(gas_on_s, gas_off_s))
    if int(np.sum(kept & (t > gas_on_s))) < MIN_SAMPLES - 2 or int(kept.sum()) < MIN_SAMPLES:
        raise InputError(
            "too few readings for a fit",
            found=f"{int(kept.sum())} in all, {int(np.sum(kept & (t > gas_on_s)))} after gas on",
            expected=f"at least {MIN_SAMPLES} in all and {MIN_SAMPLES - 2} after gas on",
        )
    return t, y, kept


def check_known(cap_tau_s: float, average_s: float) -> None:
    """Raise `OutOfDomain` where a cap or an average is no time."""
    if not all(math.isfinite(time) and time >= 0 for time in (cap_tau_s, average_s)):
        raise OutOfDomain("cap and average are times, 0 for none", found=(cap_tau_s, average_s), expected="seconds")


def ends_seen(t: Floats, y: Floats, step: float, gas_on_s: float, gas_off_s: float | None) -> tuple[float, float]:
    """Ends of the range as a cut-off trace shows them; infinite where it shows none."""
    during = y if gas_off_s is None else y[t <= gas_off_s]
    flat = flat_top_from(during, step)
    if flat < 0 or t[flat] <= gas_on_s:
        return -math.inf, math.inf
    end = float(y[flat])
    return (-math.inf, end) if end >= np.median(y) else (end, math.inf)
