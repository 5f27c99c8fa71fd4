"""What a figure owes to how it was had: an instant found and not told, a part of the response that comes late."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.detect import Exposure
from gaswitness.response.late import late_part
from gaswitness.response.quality import noise_sd
from gaswitness.response.result import StepFit
from gaswitness.response.spread import inflation

Floats = NDArray[np.float64]

UNFIT = frozenset({"model-inadequate", "not-converged", "covariance-unusable", "no-response"})
"""A fit with one of these flags is not quoted."""
_ONE_SD = 0.6827


@dataclass(frozen=True, slots=True)
class LateAllowance:
    """How far a late part may well (1 sd) move what is fitted: plateau [unit of the readings] and times [s]."""

    plateau: float = 0.0
    t50_s: float = 0.0
    t90_s: float = 0.0


def u_found(
    t: Floats, y: Floats, at: float, usual_s: float, step: float, rest: float, resolution: float
) -> float:  # fmt: skip
    """Standard uncertainty of an instant found as that of the first movement [s].

    A uniform share of the spacing of the samples, and of what may have crept on unseen. A movement shows once it leaves
    a band of 3 % of the step, four times the noise or a display step. Behind two lags it begins with the square of
    time, so that from the time to a quarter of the step follows how long the band hid it. Our convention, no source.

    `t` [s] and `y` hold the readings, `at` [s] is the instant, `usual_s` their spacing, `step` the whole movement and
    `rest` the level before it, `resolution` the display step, all in the unit of `y`.

    >>> t = np.arange(-20.0, 60.0)
    >>> round(u_found(t, 100 * (1 - np.exp(-t.clip(0) / 20)), 0.0, 1.0, 100.0, 0.0, 0.0), 2)
    1.19
    """
    spaced_s = usual_s / math.sqrt(12.0)
    if not (math.isfinite(rest) and step):
        return spaced_s
    share = (y - rest) / step
    quarter = np.flatnonzero((t > at) & (share >= 0.25))
    if quarter.size == 0:
        return spaced_s
    band = min(max(0.03, 4.0 * noise_sd(y) / abs(step), 1.01 * resolution / abs(step)), 0.25)
    k = int(quarter[0])
    before = max(k - 1, 0)
    rose = share[k] - share[before]
    quarter_s = float(t[k] - (t[k] - t[before]) * ((share[k] - 0.25) / rose if rose > 0 else 0.0)) - at
    return math.hypot(spaced_s, max(quarter_s, 0.0) * math.sqrt(band / 0.25) / math.sqrt(3.0))


def u_off_found(t: Floats, y: Floats, one: Exposure, resolution: float) -> float:
    """`u_found` of the gas off of an exposure [s]; 0 where no reading precedes it."""
    off = one.gas_off_s or math.nan
    use = (t >= one.gas_on_s) & (t <= one.to_s)
    t, y = t[use], y[use]
    at = int(np.searchsorted(t, off, side="right")) - 1
    if at < 0 or t.size < 2:
        return 0.0
    usual_s = float(np.median(np.diff(t)))
    return u_found(t, y, off, usual_s, -one.rise, float(np.median(y[max(at - 2, 0) : at + 1])), resolution)


def moved_early_s(t: Floats, y: Floats, on: float, found: Sequence[Exposure], resolution: float) -> float:
    """How long before a stated gas on [s] the reading clearly began to move; 0 where it did not."""
    for one in found:
        if not (one.baseline_seen and one.gas_on_s < on < (one.gas_off_s or math.inf)):
            continue
        use = (t >= one.from_s) & (t <= one.to_s)
        usual_s = float(np.median(np.diff(t[use])))
        rest = float(np.median(y[use & (t <= one.gas_on_s)][-5:]))
        early_s = on - one.gas_on_s
        if early_s > 2.0 * u_found(t[use], y[use], one.gas_on_s, usual_s, one.rise, rest, resolution):
            return early_s
    return 0.0


def late_allowance(fit: StepFit | None, t: Floats, y: Floats) -> LateAllowance:
    """What a part of the response that comes late may well (1 sd) add to figures that are fitted."""
    if fit is None or UNFIT & set(fit.flags) or not fit.sigma > 0:
        return LateAllowance()
    used = np.ones(t.size, dtype=np.bool_)
    used[list(fit.dropped)] = False
    s = sum(fit.taus_s)
    ratio = math.prod(fit.taus_s) / s**2 if fit.order > 1 else 0.0
    inside = np.array([fit.dead_time_s > 0, True, 0 < ratio < 0.25])
    variance = fit.sigma**2 * inflation(fit.correlation, fit.samples)
    parts = [
        late_part(
            t[used] - fit.gas_on_s, (y - fit.curve(t))[used], fit.gain, fit.dead_time_s, s, ratio, inside, variance,
            fit.plateau, time_s, share=share,
        )
        for share, time_s in ((0.5, fit.t50_s), (0.9, fit.t90_s))
    ]  # fmt: skip
    moved = [(0.0, 0.0) if part is None else part.at(part.likely(_ONE_SD)) for part in parts]
    if None in parts:
        return LateAllowance()
    return LateAllowance(abs(moved[1][0] - fit.plateau), abs(moved[0][1] - fit.t50_s), abs(moved[1][1] - fit.t90_s))
