"""The same fit while gas flows: renewed with every reading, started where the last one ended.

What it foresees is only as good as its model; `enough` asks for more than a small uncertainty before it says that the
gas may be shut off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import InputError
from gaswitness.response import lag_curve, separable, spread
from gaswitness.response.adequacy import neighbours
from gaswitness.response.fit import fit_step
from gaswitness.response.late import Late, late_part
from gaswitness.response.quality import resolution_seen, spikes
from gaswitness.response.seek import COARSE
from gaswitness.response.trace import check_size

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_STEPS = 40
_TOLERANCE = 1e-10
_LEAST_AFTER = 8
_RENEW_SIZE = 1000
"""Up to this many samples every one renews the fit; beyond, every second, third, ... one."""
_CELLS_GROW = 0.1
_RESPONSE_F = 8.0


@dataclass(frozen=True, slots=True)
class Foreseen:
    """When a level will be (or was) passed, in seconds from gas on; infinite where it will not be."""

    level: float
    t_s: float
    earliest_s: float
    latest_s: float


@dataclass(frozen=True, slots=True)
class LiveEstimate:
    """What the readings so far say; NaN is "cannot be told yet"."""

    zero: float
    plateau: float
    u_plateau: float
    t90_s: float
    u_t90_s: float
    reached: float
    """Share of the step that the fitted curve has covered by now."""
    levels: tuple[Foreseen, ...]
    neighbours_z: float
    """How far neighbouring residuals hang together; above some 2 the model is contradicted."""
    wander: float
    """How far the plateau foreseen has moved since three quarters of this time, in units of what chance would do."""
    samples: int
    late: Late | None = None


class LiveFit:
    """Fit of a running test. Give readings in order of time; those before gas on are its baseline.

    Gives what `fit_step` (without drift) gives for the readings so far, to within a thousandth of its uncertainty. On
    a coarse display plateau and t90 are those of `fit_step` itself, renewed whenever a tenth more readings have come,
    since it takes some milliseconds.

    >>> live = LiveFit(0.0, levels=(500.0,))
    >>> for t in range(-20, 60):
    ...     now = live.add(float(t), 1000.0 * (1 - math.exp(-max(t, 0) / 20)))
    >>> round(now.levels[0].t_s, 2)  # 20 ln 2
    13.86
    """

    def __init__(
        self, gas_on_s: float, *, order: int = 2, levels: Sequence[float] = (), resolution: float | None = None
    ) -> None:
        self.gas_on_s = float(gas_on_s)
        self.levels = tuple(levels)
        self._order = order
        self._resolution = resolution
        self._size = 0
        self._t, self._y = np.empty(256), np.empty(256)
        self._found: Floats | None = None
        self._cells: tuple[int, tuple[float, float, float, float, float]] | None = None
        self._last: LiveEstimate | None = None
        self._foreseen: list[tuple[float, float, float]] = []

    def add(self, t_s: float, reading: float) -> LiveEstimate:
        """Take one reading (NaN: none came) and tell what is known now."""
        if self._size and t_s < self._t[self._size - 1]:
            raise InputError("readings come in order of time", found=t_s, expected=f">= {self._t[self._size - 1]:.6g}")
        if math.isfinite(reading):
            check_size(reading)
            if self._size == self._t.size:
                self._t, self._y = np.resize(self._t, 2 * self._size), np.resize(self._y, 2 * self._size)
            self._t[self._size], self._y[self._size] = t_s, reading
            self._size += 1
        every = 1 + self._size // _RENEW_SIZE
        if self._last is None or not math.isfinite(self._last.plateau) or self._size % every == 0:
            self._last = self._renewed(t_s)
        return self._last

    def _renewed(self, t_s: float) -> LiveEstimate:
        t, y = self._t[: self._size], self._y[: self._size]
        on = self.gas_on_s
        step = resolution_seen(y) if self._resolution is None else self._resolution
        keep = ~spikes(y, step)
        t, y = t[keep], y[keep]
        nan = math.nan
        unknown = LiveEstimate(nan, nan, nan, nan, nan, 0.0, (), 0.0, nan, y.size)
        if int(np.sum(t > on)) < _LEAST_AFTER or np.ptp(y) == 0:
            return unknown
        found = self._search(t, y)
        if found is None:
            return unknown
        return self._estimate(t, y, t_s, step, *found) or unknown

    def _search(self, t: Floats, y: Floats) -> tuple[Floats, Floats, Floats, float, Floats, Floats] | None:
        """From the last place if there is one, and from a fresh scout while the rise is young."""
        ones = np.ones(y.size)
        low, high, starts = np.zeros(3), np.zeros(3), np.zeros((2, 4))
        free = np.array([True, True, self._order > 1])
        separable.prepare(
            t, y, ones, self.gas_on_s, math.inf, False, False, False, 0.0, 0.0, self._order, -1.0, 1, low, high, starts
        )
        tries = [starts[int(np.argmin(starts[:, 3])), :3].copy()]
        if self._found is not None:
            tries.append(self._found)
        best: tuple[Floats, Floats, Floats, float, Floats, Floats] | None = None
        for start in tries:
            found, c, residual = np.zeros(3), np.zeros(5), np.zeros(y.size)
            rss, _, _ = separable.search(
                t, y, ones, self.gas_on_s, math.inf, False, False, False,
                0.0, 0.0, start, free, low, high, _STEPS, _TOLERANCE, found, c, residual,
            )  # fmt: skip
            if best is None or rss < best[3]:
                best = found, c, residual, rss, low, high
        flat = float(np.sum((y - y.mean()) ** 2))
        if best is None:
            return None
        spare = max(1, y.size - 3 - self._order)
        if (flat - best[3]) / (3 + self._order) < _RESPONSE_F * best[3] / spare:
            return None
        self._found = best[0]
        return best

    def _estimate(
        self, t: Floats, y: Floats, t_s: float, step: float,
        found: Floats, c: Floats, residual: Floats, rss: float, low: Floats, high: Floats,
    ) -> LiveEstimate | None:  # fmt: skip
        free = np.array([True, True, self._order > 1])
        inside = free & (found > low) & ((found < high) | np.array([False, False, True]))
        cov = np.zeros((7, 7))
        usable = spread.covariance_of_rest(
            t, np.ones(y.size), self.gas_on_s, math.inf, False, False, False, 0.0, 0.0, found, inside, c, cov
        )
        spare = max(1, y.size - 2 - int(inside.sum()))
        phi = float(residual[1:] @ residual[:-1]) / rss if rss > 0 else 0.0
        cov *= rss / spare * spread.inflation(phi, y.size)
        if not usable:
            return None
        theta, s, ratio = float(found[0]), math.exp(float(found[1])), float(found[2])
        zero, gain = float(c[0]), float(c[1])
        u_plateau = math.sqrt(max(0.0, cov[0, 0] + 2 * cov[0, 1] + cov[1, 1]))
        slope = np.zeros(7)
        u90 = lag_curve.passes(0.9, s, ratio, 0.0)
        lag_curve.slope_of(u90, s, ratio, 0.0, slope)
        t90, u_t90 = theta + u90, math.sqrt(max(0.0, float(slope @ cov @ slope)))
        plateau = zero + gain
        sigma = math.sqrt(max(rss / spare, 1e-300))
        z = neighbours(residual / sigma, np.ones(y.size), t <= self.gas_on_s).z
        if step > 0 and sigma < COARSE * step:
            plateau, u_plateau, t90, u_t90, z = self._by_cells(t, y, step)
        since = t_s - self.gas_on_s - theta
        reached = lag_curve.curve(since, s, ratio)[0] if since > 0 else 0.0
        levels = tuple(_foreseen(level, zero, gain, theta, s, ratio, cov) for level in self.levels)
        if found[1] >= high[1]:  # a slope whose end is not in sight: it may bend at any time
            plateau = u_plateau = t90 = u_t90 = math.nan
            levels = tuple(one if one.t_s <= t_s - self.gas_on_s else replace(one, latest_s=math.inf) for one in levels)
        wander = self._wander(float(t_s - self.gas_on_s), plateau, u_plateau)
        return LiveEstimate(
            zero, plateau, u_plateau, t90, u_t90, float(reached), levels, z, wander, y.size,
            late_part(t - self.gas_on_s, residual, gain, theta, s, ratio, inside, rss / spare, plateau, t90),
        )  # fmt: skip

    def _by_cells(self, t: Floats, y: Floats, step: float) -> tuple[float, float, float, float, float]:
        """Plateau and t90 with their u, and the test of residuals, from `fit_step`; kept until many new ones came."""
        if self._cells is None or t.size >= self._cells[0] * (1 + _CELLS_GROW):
            fit = fit_step(t, y, self.gas_on_s, order=self._order, resolution=step, drift=False)
            self._cells = t.size, (fit.plateau, fit.u_plateau, fit.t90_s, fit.u_t90_s, fit.neighbours_z)
        return self._cells[1]

    def _wander(self, since_s: float, plateau: float, u_plateau: float) -> float:
        """Compare with what was foreseen at three quarters of the time.

        While the model holds, two such estimates differ with the variance u_then^2 - u_now^2, since the later one
        holds all that the earlier one knew. A late part of the response makes the plateau walk away instead.
        """
        if not math.isfinite(plateau):
            return math.nan
        then = [one for one in self._foreseen if one[0] <= 0.75 * since_s]
        self._foreseen.append((since_s, plateau, u_plateau))
        if not then:
            return math.nan
        _, was, u_was = then[-1]
        return abs(plateau - was) / math.sqrt(max(u_was**2 - u_plateau**2, (0.3 * u_plateau) ** 2, 1e-300))


def _foreseen(level: float, zero: float, gain: float, theta: float, s: float, ratio: float, cov: Floats) -> Foreseen:
    """Time to a level, and the times at which the curve less or more twice its uncertainty gets there.

    The share of the step at which the level lies is f = (level - zero) / gain; what is uncertain about the curve there
    is carried by u_f, so that a level near the plateau gets an interval that is open above.
    """
    if gain == 0:
        return Foreseen(level, math.inf, math.inf, math.inf)
    share = (level - zero) / gain
    if share <= 0:
        return Foreseen(level, 0.0, 0.0, 0.0)
    inside = min(share, 0.999)
    u = lag_curve.passes(inside, s, ratio, 0.0)
    value, by_t, by_s, by_r = lag_curve.curve(u, s, ratio)
    slopes = np.array([1.0 / gain, value / gain, 0.0, 0.0, -by_t, by_s, by_r])
    u_share = math.sqrt(max(0.0, float(slopes @ cov @ slopes)))

    def at(part: float) -> float:
        if part >= 0.9999:
            return math.inf
        return theta + lag_curve.passes(part, s, ratio, 0.0) if part > 0 else 0.0

    return Foreseen(level, at(share), at(share - 2.0 * u_share), at(share + 2.0 * u_share))
