"""What a person beside the detector would have breathed: peak, short-term and shift averages, mixtures.

Readings may be irregular and have gaps. Time that was not measured is told, never filled with zero: a gap adds
neither exposure nor measured time, and every figure comes with the time it could not see. All levels share one unit,
whichever the readings have; times are seconds.

Sources: 29 CFR 1910.1000(d) (eight-hour average, mixtures), re-read as reprinted; short-term limits are averages over
15 minutes by the definitions in 29 CFR 1910.1000(a)(2) and NIOSH (from memory: check the current text).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import OutOfDomain

Between = Literal["linear", "hold"]
Floats = NDArray[np.float64]

STEL_S = 900.0
"""Reference time of a short-term exposure limit."""
SHIFT_S = 28_800.0
"""Reference time of an eight-hour average."""
LEAST_MEASURED = 0.75
"""Share of a short-term window that must have been measured for its average to be told."""
_GAP_INTERVALS = 5.0
_LEAST_GAP_S = 60.0


@dataclass(frozen=True, slots=True)
class Window:
    """The highest average over a window of a stated length."""

    average: float
    begin_s: float
    measured_s: float
    """Measured time within it."""
    length_s: float

    @property
    def unmeasured_s(self) -> float:
        """Time within it that nobody measured."""
        return self.length_s - self.measured_s


@dataclass(frozen=True, slots=True)
class Exposure:
    """The usual figures of one recording."""

    peak: float
    """Highest reading; NaN without one."""
    peak_at_s: float
    stel: Window | None
    """Highest 15-minute average, over its measured time."""
    twa: Window | None
    """Highest eight-hour average: exposure divided by eight hours, however much of them was measured."""
    mean: float
    """Average over all measured time."""
    measured_s: float
    unmeasured_s: float
    """Time between the first reading and the last that nobody measured."""


class Measured:
    """Readings over time, and between them what is known: nothing across a gap.

    `between` neighbours no more than `gap_s` apart the level runs straight (`linear`) or holds (`hold`). Without
    `gap_s`, a gap is longer than five times the median interval and longer than a minute; rows that repeat an instant
    make no interval. NaN is no reading.

    >>> air = Measured([0, 60, 120, 9000, 9060], [0.0, 60.0, 0.0, 10.0, 10.0])
    >>> air.measured_s, air.span_s, air.integral
    (180.0, 9060.0, 4200.0)
    """

    def __init__(
        self, t_s: ArrayLike, values: ArrayLike, *, gap_s: float | None = None, between: Between = "linear"
    ) -> None:
        times, levels = np.asarray(t_s, np.float64), np.asarray(values, np.float64)
        if times.ndim != 1 or times.shape != levels.shape:
            raise OutOfDomain(
                "times and readings do not match",
                found=f"shapes {times.shape} and {levels.shape}",
                expected="two one-dimensional arrays of one length",
            )
        there = ~np.isnan(levels)
        if not there.all():
            times, levels = times[there], levels[there]
        steps = np.diff(times)
        if (steps < 0).any() or not np.isfinite(times).all():
            raise OutOfDomain("times", found="times that go back or are not finite", expected="seconds in order")
        if gap_s is None:
            moved = steps[steps > 0]
            usual = float(np.median(moved)) if len(moved) else 0.0
            gap_s = max(_GAP_INTERVALS * usual, _LEAST_GAP_S)
        if not gap_s > 0:
            raise OutOfDomain("gap_s", found=gap_s, expected="above 0")
        self.gap_s = float(gap_s)
        self.t_s = times
        self.values = levels
        self._steps = np.where(steps <= gap_s, steps, 0.0)
        """Measured time between each reading and the next."""
        self._ends = levels[:-1] if between == "hold" else levels[1:]
        """Level at the end of each step."""
        self._areas = np.concatenate(([0.0], np.cumsum(self._steps * (levels[:-1] + self._ends) / 2)))
        self._clock = np.concatenate(([0.0], np.cumsum(self._steps)))

    def __len__(self) -> int:
        return len(self.values)

    @property
    def span_s(self) -> float:
        """From the first reading to the last."""
        return float(self.t_s[-1] - self.t_s[0]) if len(self) else 0.0

    @property
    def measured_s(self) -> float:
        """Time covered by readings."""
        return float(self._clock[-1])

    @property
    def integral(self) -> float:
        """Level times time [unit of the readings x s], over the measured time."""
        return float(self._areas[-1])

    @property
    def mean(self) -> float:
        """Average over the measured time, in the unit of the readings; NaN where none was measured."""
        return self.integral / self.measured_s if self.measured_s else float("nan")

    def _until(self, at_s: Floats) -> tuple[Floats, Floats]:
        """Integral and measured time from the first reading until each instant."""
        k = np.clip(np.searchsorted(self.t_s, at_s, side="right") - 1, 0, max(len(self) - 2, 0))
        into = np.clip(at_s - self.t_s[k], 0.0, self._steps[k])
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(self._steps[k] > 0, into / self._steps[k], 0.0)  # of the step, so that none is too short
        area = into * (self.values[k] + (self._ends[k] - self.values[k]) * share / 2)
        return self._areas[k] + area, self._clock[k] + into

    def highest(self, window_s: float, *, over: Literal["window", "measured"] = "measured") -> Window | None:
        """The highest average over any window of this length that begins at a reading and lies within the recording.

        `over` says what the integral is divided by: the measured time in the window, windows measured for less than
        `LEAST_MEASURED` of it left out; or the whole window, as the eight-hour average has it. A recording shorter
        than the window is one window. None where no window qualifies.
        """
        if len(self) < 2:
            return None
        count = max(int(np.searchsorted(self.t_s, self.t_s[-1] - window_s, side="right")), 1)
        begins = self.t_s[:count]
        area, clock = self._until(begins + window_s)
        areas, measured = area - self._areas[:count], clock - self._clock[:count]
        if over == "window":
            averages = areas / window_s
        else:
            enough = measured >= LEAST_MEASURED * window_s
            if not enough.any():
                return None
            averages = np.where(enough, areas / np.where(enough, measured, 1.0), -np.inf)
        best = int(averages.argmax())
        return Window(float(averages[best]), float(begins[best]), float(measured[best]), window_s)

    def exposure(self) -> Exposure:
        """Peak, highest 15-minute and eight-hour averages, mean, and the time they rest on."""
        best = int(self.values.argmax()) if len(self) else -1
        return Exposure(
            peak=float(self.values[best]) if len(self) else float("nan"),
            peak_at_s=float(self.t_s[best]) if len(self) else float("nan"),
            stel=self.highest(STEL_S),
            twa=self.highest(SHIFT_S, over="window"),
            mean=self.mean,
            measured_s=self.measured_s,
            unmeasured_s=self.span_s - self.measured_s,
        )

    def time_above_s(self, level: float) -> float:
        """Measured time with the level above this one.

        >>> Measured([0, 10, 20], [0.0, 10.0, 0.0]).time_above_s(7.5)
        5.0
        """
        begin, end = self.values[:-1], self._ends
        low, high = np.minimum(begin, end), np.maximum(begin, end)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            share = np.where(high > low, (high - level) / (high - low), np.where(low > level, 1.0, 0.0))
        return float(np.sum(self._steps * np.clip(share, 0.0, 1.0)))

    def percentile(self, percent: float) -> float:
        """Least reading that is not exceeded for this share of the measured time.

        Each reading stands for half of the measured time to either neighbour. NaN where no time was measured.

        >>> Measured([0, 10, 20, 30], [1.0, 1.0, 1.0, 5.0]).percentile(80)
        1.0
        """
        if not 0 <= percent <= 100:
            raise OutOfDomain("percentile", found=percent, expected="0 to 100")
        if not self.measured_s:
            return float("nan")
        weights = np.zeros(len(self))  # twice the time, since half of the least float is nothing
        weights[:-1] += self._steps
        weights[1:] += self._steps
        order = np.argsort(self.values, kind="stable")
        order = order[weights[order] > 0]
        reached = np.cumsum(weights[order])
        at = np.searchsorted(reached, percent / 100 * reached[-1] * (1 - 1e-12))
        return float(self.values[order[min(int(at), len(order) - 1)]])


def exposure(t_s: ArrayLike, values: ArrayLike, *, gap_s: float | None = None, between: Between = "linear") -> Exposure:
    """Peak, highest 15-minute and eight-hour averages of a recording.

    The eight-hour average is `E = sum(C T) / 8 h` (29 CFR 1910.1000(d)(1)(i)); divided by the full eight hours even
    where fewer were measured, so look at `twa.unmeasured_s` before calling it low.

    >>> day = exposure([0, 7200, 14400, 28800], [150.0, 75.0, 50.0, 50.0], gap_s=1e5, between="hold")
    >>> day.twa.average, day.twa.unmeasured_s
    (81.25, 0.0)
    """
    return Measured(t_s, values, gap_s=gap_s, between=between).exposure()


def time_weighted(levels: ArrayLike, durations_s: ArrayLike, reference_s: float = SHIFT_S) -> float:
    """Average of levels held for stated times over a reference time: `E = sum(C T) / T_ref`.

    29 CFR 1910.1000(d)(1)(ii): 2 h at 150, 2 h at 75 and 4 h at 50 ppm.

    >>> time_weighted([150.0, 75.0, 50.0], [7200.0, 7200.0, 14400.0])
    81.25
    """
    durations = np.asarray(durations_s, np.float64)
    if not (reference_s > 0 and (durations >= 0).all()):
        raise OutOfDomain(
            "times", found=[*durations.tolist(), reference_s], expected="seconds, 0 or above; reference above 0"
        )
    return float(np.sum(np.asarray(levels, np.float64) * durations) / reference_s)


def mixture(levels: ArrayLike, limits: ArrayLike) -> float:
    """Equivalent exposure of gases that add up: `Em = sum(C / L)`; above 1 the limit of the mixture is exceeded.

    29 CFR 1910.1000(d)(2)(ii): 500 of 1000, 45 of 200 and 40 of 200 ppm.

    >>> round(mixture([500.0, 45.0, 40.0], [1000.0, 200.0, 200.0]), 12)
    0.925
    """
    levels, limits = np.asarray(levels, np.float64), np.asarray(limits, np.float64)
    if levels.shape != limits.shape or not (limits > 0).all():
        raise OutOfDomain("limits", found=limits.tolist(), expected="one per level, above 0")
    return float(np.sum(levels / limits))
