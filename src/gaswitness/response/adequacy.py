"""Whether a fitted curve is to be believed: what moves, what drifts, what hangs together in its residuals."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from gaswitness.response import spread
from gaswitness.response.quality import runs_z
from gaswitness.response.seek import Best
from gaswitness.response.trace import Trace

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_RESPONSE_F = 8.0
"""F ratio of the step against no step that noise alone passes less than once in 10,000 traces."""


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
    phi, _ = hanging_together(best.search.residual / best.root_w)
    slope = float(c[trace.linear - 1])
    u_slope = best.sigma * math.sqrt(cov[spread.DRIFT, spread.DRIFT] * spread.inflation(phi, trace.t.size))
    t, y = trace.t[before], trace.y[before]
    centred = t - t.mean()
    moment = float(centred @ centred)
    early = float(centred @ y) / moment
    rest = y - y.mean() - early * centred
    phi_early, _ = hanging_together(rest)
    variance = (float(rest @ rest) / (t.size - 2) + step**2 / 12) * spread.inflation(phi_early, t.size)
    u_early = math.sqrt(variance / moment)
    agree = abs(slope - early) < 3 * math.hypot(u_slope, u_early)
    return abs(slope) > 3 * u_slope and abs(slope) > 1.5 * u_early and agree


def hanging_together(residual: Floats) -> tuple[float, float]:
    """Lag-one correlation and runs statistic of the residuals."""
    squares = float(residual @ residual)
    phi = float(residual[1:] @ residual[:-1]) / squares if squares > 0 else 0.0
    return phi, runs_z(residual)


def misfit(residual: Floats, before: Bools) -> float:
    """Size of what hangs together in the residuals after gas on, beyond what did so in clean air."""

    def together(part: Floats) -> float:
        return max(0.0, float(part[:-1] @ part[1:]) / (part.size - 1))

    air = together(residual[before] - residual[before].mean()) if int(before.sum()) >= 10 else 0.0
    return math.sqrt(max(0.0, together(residual[~before]) - air))


def no_response(trace: Trace, rss: float, gain: float, phi: float, resolution: float, root_w: Floats) -> bool:
    """Whether the step explains no more than chance would, or less than a display step."""
    weight = root_w**2
    centre = float(np.sum(weight * trace.y) / np.sum(weight)) if trace.zero is None else trace.zero
    flat = float(np.sum(weight * (trace.y - centre) ** 2))
    extra = 3 + trace.order
    freedom = max(1.0, (trace.y.size - extra) / spread.inflation(phi, trace.y.size))
    ratio = (flat - rss) / extra / max(rss / freedom, 1e-300)
    return ratio < _RESPONSE_F or abs(gain) < resolution
