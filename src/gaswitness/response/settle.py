"""Whether a reading has come to rest, by a stated test."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LAST_PART = 0.25
"""The test looks at this last part of the exposure."""
MOVE_LIMIT = 0.02
"""Most that the line through it may move, as a part of the step."""


@dataclass(frozen=True, slots=True)
class Settled:
    """Outcome of the test, with what it saw."""

    settled: bool
    plateau: float
    """Mean over the last part of the exposure."""
    u_plateau: float
    """Its standard uncertainty: correlated noise, display step, and the move over the window if it is more than noise.

    A first-order reading that passes the test as it just may has 1.3 % of the step still to come, and moves by 1.7 %.
    """
    move: float
    """Change of the straight line over the window."""
    u_move: float
    samples: int


def settled(
    t_s: ArrayLike, reading: ArrayLike, zero: float, gas_on_s: float, until_s: float, *, resolution: float = 0.0
) -> Settled:
    """Test the last quarter of the exposure `gas_on_s`..`until_s`.

    A straight line is put through the readings there. Settled means: it moves by no more than 2 % of the step
    (plateau less zero) or one display step, or by less than twice its own uncertainty; and that uncertainty is itself
    below 2 % of the step. A first-order reading passes after about five time constants, with 0.7 % still to come.

    >>> t = np.arange(0.0, 100.0)
    >>> settled(t, 1000 * (1 - np.exp(-t / 10)), 0.0, 0.0, 99.0).settled
    True
    >>> settled(t, 1000 * (1 - np.exp(-t / 40)), 0.0, 0.0, 99.0).settled
    False
    """
    t, y = np.asarray(t_s, dtype=np.float64), np.asarray(reading, dtype=np.float64)
    inside = (t >= until_s - LAST_PART * (until_s - gas_on_s)) & (t <= until_s) & (t > gas_on_s) & np.isfinite(y)
    t, y = t[inside], y[inside]
    n = int(t.size)
    if n < 3:
        value = float(y.mean()) if n else math.nan
        apart = float(np.ptp(y)) if n else 0.0
        return Settled(False, value, apart or math.nan, math.nan, math.nan, n)
    window_s = float(t[-1] - t[0])
    centred = t - t.mean()
    plateau = float(y.mean())
    slope = float(centred @ (y - plateau) / (centred @ centred))
    rest = y - plateau - slope * centred
    variance = float(rest @ rest) / max(1, n - 2)
    phi = float(rest[1:] @ rest[:-1] / (rest @ rest)) if rest @ rest > 0 else 0.0
    phi = min(max(phi, 0.0), 0.98)
    variance *= (1 + phi) / (1 - phi)
    u_move = math.sqrt(variance / float(centred @ centred)) * window_s
    move = slope * window_s
    step = abs(plateau - zero)
    limit = max(MOVE_LIMIT * step, resolution)
    still = abs(move) <= limit or abs(move) <= 2.0 * u_move
    at_rest = step > 0 and still and u_move <= limit
    # a display that stands still tells the value only to within its step
    grain = resolution / math.sqrt(12.0) if variance < resolution**2 / 4 else 0.0
    moves = not at_rest or abs(move) > 2.0 * u_move
    u_plateau = math.hypot(math.sqrt(variance / n), grain, abs(move) if moves else 0.0)
    return Settled(bool(at_rest), plateau, u_plateau, move, u_move, n)


def unsettled_u(u_fitted: float, fitted: float, seen: float) -> float:
    """Standard uncertainty of a plateau that the fitted curve foresees beyond what was seen, in the reading's unit.

    `u^2 = u_fitted^2 + ((fitted - seen) / 4)^2`: what is still to come is known to half of it (k = 2), since a model
    is trusted less the further it reaches. Our convention, no source.

    >>> unsettled_u(3.0, 1000.0, 984.0)
    5.0
    """
    return math.hypot(u_fitted, (fitted - seen) / 4)
