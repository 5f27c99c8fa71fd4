"""What a fit would say if a part of the response came late, through a slow path of its own.

    y = zero + gain ((1 - b) S + b S_late),   b >= 0

One more step of the least squares, from the fit without a late part, with its share b as a new parameter; linear about
b = 0, as the other uncertainties are. Early in an exposure the readings say little of b, so what is expected of
detectors at large counts: no negative share, and seldom more than some times `LATE_SD`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from gaswitness.response import columns, lag_curve

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LATE_SD = 0.13
"""Usual size of a part of the step that comes late, as far as nothing is known of it: half a normal of this width."""
LATE_LAG = 4.0
"""How many times as slow as the others together its lag is taken to be."""


@dataclass(frozen=True, slots=True)
class Late:
    """Plateau and t90 as straight lines over the share b that comes late."""

    share: float
    """What the readings say of b by themselves; may come out below 0."""
    u_share: float
    plateau: float
    """Of the fit without a late part."""
    plateau_by_share: float
    plateau_shift: float
    """How far the plateau lies from the fit's where b is `share`."""
    u_plateau: float
    """For a given b."""
    t90_s: float
    t90_by_share: float
    t90_shift_s: float
    u_t90_s: float

    def likely(self, probability: float) -> float:
        """The share that b stays below with this probability [part], readings and expectation taken together.

        >>> round(Late(0.0, 1e6, 0, 0, 0, 0, 0, 0, 0, 0).likely(0.6827), 4)  # no word from the readings: LATE_SD
        0.13
        """
        u2, expected2 = self.u_share**2, LATE_SD**2
        both = NormalDist(self.share * expected2 / (expected2 + u2), math.sqrt(u2 * expected2 / (expected2 + u2)))
        below = both.cdf(0.0)
        if below > 1.0 - 1e-9:
            return 0.0
        return max(0.0, both.inv_cdf(min(below + probability * (1.0 - below), 1.0 - 1e-12)))

    def at(self, share: float) -> tuple[float, float]:
        """Plateau [unit of the readings] and t90 [s] if this share comes late."""
        more = share - self.share
        return (
            self.plateau + self.plateau_shift + self.plateau_by_share * more,
            self.t90_s + self.t90_shift_s + self.t90_by_share * more,
        )


def late_part(
    since_s: Floats, residual: Floats, gain: float, theta: float, s: float, ratio: float, inside: Bools,
    variance: float, plateau: float, t90_s: float, share: float = 0.9,
) -> Late | None:  # fmt: skip
    """What the readings of a fit say of a late part; none where nothing can be said.

    `since_s` [s, from gas on] and `residual` of the fit with parameters `gain`, `theta`, `s`, `ratio` (`inside` says
    which are free) and residual `variance`; `plateau` and `t90_s` are its figures. With another `share` of the step
    than 0.9, `t90_s` stands for the time to that.
    """
    ones, late_s = np.ones(since_s.size), LATE_LAG * s
    value, slopes, late, unused = ones.copy(), np.empty((3, ones.size)), ones.copy(), np.empty((3, ones.size))
    columns.filtered(since_s, ones, theta, s, ratio, 0.0, 0.0, value, slopes)
    columns.filtered(since_s, ones, theta, late_s, 0.0, 0.0, 0.0, late, unused)
    matrix = np.vstack([ones, value, gain * slopes[inside], gain * (late - value)])
    normal = matrix @ matrix.T / variance
    with np.errstate(divide="ignore"):
        scale = 1.0 / np.sqrt(np.diag(normal))
    if not np.all(np.isfinite(scale)):
        return None
    try:
        cov = np.linalg.inv(normal * np.outer(scale, scale)) * np.outer(scale, scale)
    except np.linalg.LinAlgError:
        return None
    of_share = float(cov[-1, -1])
    if not of_share > 1e-18:  # a share known to a billionth is none: nothing is left of the noise
        return None
    moved = cov @ (matrix @ residual) / variance
    u90 = lag_curve.passes(share, s, ratio, 0.0)  # of this curve; on a coarse display `t90_s` is that of another
    height, by_t, by_s, by_r = lag_curve.curve(u90, s, ratio)
    by_late = lag_curve.curve(u90, late_s, 0.0)[0] - height
    t90_by = np.concatenate([[0.0, 0.0], np.array([1.0, -by_s / by_t, -by_r / by_t])[inside], [-by_late / by_t]])
    plateau_by = np.zeros(moved.size)
    plateau_by[:2] = 1.0

    def line(by: Floats) -> tuple[float, float, float]:
        slope = float(by @ cov[:, -1]) / of_share
        given = float(by @ cov @ by) - slope**2 * of_share
        return slope, float(by @ moved), math.sqrt(max(0.0, given))

    return Late(float(moved[-1]), math.sqrt(of_share), plateau, *line(plateau_by), t90_s, *line(t90_by))
