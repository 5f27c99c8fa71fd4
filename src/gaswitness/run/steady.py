"""Whether a reading has come to rest, from its last readings alone."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean, median

Sample = tuple[float, float]
"""Instant on the run's clock in s, reading in ppm."""

WINDOW_S = 60.0
"""How far back readings of the detector under test are kept."""
LOOK_S = 20.0
"""How long a reading must have been at rest."""
LEAST = 5
"""Fewer readings than this show nothing."""


def at_rest(window: Sequence[Sample], *, band_ppm: float) -> bool:
    """True once the readings of the last 20 s moved by no more than `band_ppm`, told by their two halves.

    The means of the earlier and the later half are compared: half a window apart they differ by half of what the
    reading moves over all of it, so at rest is `2 * |later - earlier| <= band_ppm`. `band_ppm` [ppm], above 0.

    >>> at_rest([(float(t), 100.0) for t in range(30)], band_ppm=1.0)
    True
    >>> at_rest([(float(t), 100.0 + t) for t in range(30)], band_ppm=1.0)
    False
    """
    if not window or window[-1][0] - window[0][0] < LOOK_S:
        return False
    recent = [value for t_s, value in window if t_s >= window[-1][0] - LOOK_S]
    half = len(recent) // 2
    if len(recent) < LEAST:
        return False
    return 2.0 * abs(fmean(recent[half:]) - fmean(recent[:half])) <= band_ppm


def middle(window: Sequence[Sample]) -> float | None:
    """Median of the last 20 s; none without readings.

    >>> middle([(0.0, 5.0), (30.0, 1.0), (31.0, 2.0), (32.0, 9.0)])
    2.0
    """
    if not window:
        return None
    return median(value for t_s, value in window if t_s >= window[-1][0] - LOOK_S)
