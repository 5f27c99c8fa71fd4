"""When gas came and went, found on the trace alone, and what part of a record is no reading at all.

A record is cut where it turns: alternating lows and highs that differ by more than noise and a part of the whole
range. Each leg away from rest is an exposure; it ends with the leg that gives back at least a third. The instant found
is that of the first movement, so a dead time is not part of what is counted from it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.quality import noise_sd, spikes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_TURN_PART = 0.15
"""A turn counts when the reading goes back by this part of the whole range."""
_GIVES_BACK = 1 / 3
"""An exposure ends with a leg that gives back this part of it; slow sensors do not get far in the time they have."""
_LEAST_PART = 0.25
"""A movement below this part of the largest one is wandering air, not an exposure."""
_FLAT = 0.1
"""Readings before the first movement are a baseline when their line moves less than this part of the step."""
_FOOT = 0.2
"""A turn up to this part of the step is still its foot; above it is a shelf on the way."""
_TURN_PACES = 3.0
"""A turn that is left within so many times the pace of the way back is a point, not a plateau with a shape."""
_RECENT = 40
_REST_SAMPLES = 4
_MAD = 1.482602218505602
_DEAD_PART = 0.1
_NEVER_NEAR_ZERO = 0.2


@dataclass(frozen=True, slots=True)
class Exposure:
    """One exposure found; times on the clock of the trace."""

    gas_on_s: float
    gas_off_s: float | None
    rise: float
    """Signed change of the reading."""
    from_s: float
    """Where its baseline begins: the record's start, or the rest after the exposure before."""
    to_s: float
    """Where its recovery ends: the record's end, or the next exposure."""
    baseline_seen: bool
    """Whether the record shows rest before the reading moves."""


def dead_line(reading: Floats) -> Bools:
    """Samples that are no reading: exact zeros in a trace that otherwise never comes near zero.

    They must be few (a tenth of the record at most): a detector at rest in clean air also reads zero.
    """
    zero = reading == 0.0
    rest = np.abs(reading[~zero])
    if not zero.any() or rest.size == 0 or zero.mean() > _DEAD_PART:
        return np.zeros(reading.size, dtype=np.bool_)
    if rest.min() > _NEVER_NEAR_ZERO * float(np.median(rest)):
        return np.asarray(zero)
    return np.zeros(reading.size, dtype=np.bool_)


def exposures(t_s: Floats, reading: Floats, resolution: float = 0.0) -> tuple[Exposure, ...]:
    """Every exposure of a record, in order; none where the reading never clearly moves.

    Expects finite readings. The direction away from rest is that of the first large leg, so falling records (oxygen)
    are read alike.

    >>> t = np.arange(0.0, 300.0)
    >>> y = np.where((t > 100) & (t < 200), 1000.0, 400.0)
    >>> [(e.gas_on_s, e.gas_off_s) for e in exposures(t, y)]
    [(100.0, 199.0)]
    """
    t, y = t_s[~spikes(reading, resolution)], reading[~spikes(reading, resolution)]
    if t.size < 5:
        return ()
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(y, 2, mode="edge"), 5), axis=1)
    noise = noise_sd(y)
    whole = float(np.ptp(smooth))
    if whole <= max(6.0 * noise / math.sqrt(3.0), 2.0 * resolution):
        return ()
    legs = _legs(smooth, max(_TURN_PART * whole, 4.0 * noise))
    if not legs:
        return ()
    largest = max(abs(smooth[b] - smooth[a]) for a, b in legs)
    sign = next(np.sign(smooth[b] - smooth[a]) for a, b in legs if abs(smooth[b] - smooth[a]) >= 0.5 * largest)
    merged = _merged(smooth * sign, legs)
    found: list[Exposure] = []
    for k, (low, high, back) in enumerate(merged):
        begin = merged[k - 1][2] if k else 0
        begin = 0 if begin is None else begin
        end = merged[k + 1][0] if k + 1 < len(merged) else t.size - 1
        on, seen = _onset(t, y * sign, smooth * sign, begin, low, high, noise, resolution, must_rest=True)
        off = None
        if back is not None:
            off, _ = _onset(t, -y * sign, -smooth * sign, low, high, back, noise, resolution, must_rest=False)
        found.append(Exposure(on, off, float(y[high] - y[low]), float(t[begin]), float(t[end]), seen))
    return tuple(one for one in found if abs(one.rise) >= _LEAST_PART * largest)


def _legs(smooth: Floats, turn: float) -> list[tuple[int, int]]:
    """Index pairs of alternating turning points; each leg is longer than `turn`."""
    points: list[int] = []
    low = high = direction = 0
    for i in range(1, smooth.size):
        if direction >= 0 and smooth[i] > smooth[high]:
            high = i
        if direction <= 0 and smooth[i] < smooth[low]:
            low = i
        if direction <= 0 and smooth[i] - smooth[low] > turn:
            points.append(low)
            direction, high = 1, i
        elif direction >= 0 and smooth[high] - smooth[i] > turn:
            points.append(high)
            direction, low = -1, i
    if direction == 0:
        return []
    points.append(high if direction > 0 else low)
    return list(itertools.pairwise(points))


def _merged(up: Floats, legs: list[tuple[int, int]]) -> list[tuple[int, int, int | None]]:
    """Legs as (low, high, where it has come back or None); a small dip on a plateau belongs to the plateau."""
    out: list[tuple[int, int, int | None]] = []
    open_leg: tuple[int, int] | None = None
    for a, b in legs:
        if up[b] > up[a]:
            if open_leg is None:
                open_leg = (a, b)
            elif up[b] > up[open_leg[1]]:
                open_leg = (open_leg[0], b)
        elif open_leg is not None and up[open_leg[1]] - up[b] >= _GIVES_BACK * (up[open_leg[1]] - up[open_leg[0]]):
            out.append((*open_leg, b))
            open_leg = None
    if open_leg is not None:
        out.append((*open_leg, None))
    return out


def _onset(
    t: Floats, y: Floats, smooth: Floats, begin: int, low: int, high: int, noise: float, resolution: float,
    *, must_rest: bool,
) -> tuple[float, bool]:  # fmt: skip
    """Instant of the first movement of a rising leg, and whether rest was seen before it.

    From half way up, back to the last sample that is still within a band about what came before (four times its
    noise and spread, or 3 % of the leg). The movement began between that sample and the next one.
    """
    half_way = 0.5 * (smooth[low] + smooth[high])
    first = max(begin, 0)
    up = np.flatnonzero(smooth[low : high + 1] >= half_way)
    middle = low + int(up[0]) if up.size else high
    leg = float(smooth[high] - smooth[low])
    foot = np.flatnonzero(smooth[first : middle + 1] <= smooth[low] + 0.25 * leg) + first
    if foot.size == 0:
        return float(t[first]), False
    # of that, rest is what stays within a band of its own level
    still = foot
    for _ in range(2):
        recent = y[still[-_RECENT:]] if still is not foot else y[foot]
        level = float(np.median(recent))
        spread = _MAD * float(np.median(np.abs(recent - level)))
        band = min(max(4.0 * noise, 4.0 * spread, 1.01 * resolution, 0.03 * leg), 0.25 * leg)
        still = np.flatnonzero(y[first : middle + 1] <= level + band) + first
        if still.size == 0:
            return float(t[first]), False
    extreme = float(y[max(low - 2, 0) : low + 3].min())
    near = extreme + min(max(4.0 * noise, 1.01 * resolution, 0.03 * leg), 0.25 * leg)
    if not must_rest and level > near and t[still[-1]] - t[low] < _TURN_PACES * _pace_s(t, y, first, middle, leg):
        # it turned without having come to rest: what is within a band of its own level lies on both sides of the turn
        still, level = still[y[still] <= near], extreme
        if still.size == 0:
            return float(t[low]), False
    flat = still.size >= _REST_SAMPLES and _line_moves(t[still], y[still]) <= max(_FLAT * leg, 2.0 * noise)
    if must_rest and first == 0 and not flat:
        return float(t[0]), False
    last = int(still[-1])
    corner = _corner(t, y, first, low, middle, leg)
    if y[corner] <= level + _FOOT * leg:
        last = max(last, corner)
    if last + 2 >= t.size or y[last + 2] <= y[last + 1]:
        return float(t[last]), True
    # the line through the first two moved samples meets the level of rest between the last still and the first moved
    rate = (y[last + 2] - y[last + 1]) / (t[last + 2] - t[last + 1])
    meets = t[last + 1] - (y[last + 1] - level) / rate
    return float(min(max(meets, t[last]), t[last + 1])), True


def _corner(t: Floats, y: Floats, first: int, low: int, middle: int, leg: float) -> int:
    """Where a rise turns sharp: the sample farthest below the chord from well before it to half way up.

    The chord reaches back ten times as long as the reading took from a quarter to half way, so that a slow ramp before
    the gas (somebody breathing in the room) is not taken for its coming.
    """
    pace_s = _pace_s(t, y, first, middle, leg)
    if not pace_s > 0:
        return low
    begin = first + int(np.searchsorted(t[first : middle + 1], t[middle] - 10.0 * pace_s))
    if middle - begin < 2:
        return low
    part, base = t[begin : middle + 1], y[begin : middle + 1]
    chord = base[0] + (base[-1] - base[0]) * (part - part[0]) / (part[-1] - part[0])
    return begin + int(np.argmax(chord - base))


def _pace_s(t: Floats, y: Floats, first: int, middle: int, leg: float) -> float:
    """How long a rise took from a quarter to half way [s]; 0 where it began above a quarter."""
    quarter = np.flatnonzero(y[first : middle + 1] <= y[middle] - 0.5 * 0.5 * leg)
    return float(t[middle] - t[first + int(quarter[-1])]) if quarter.size else 0.0


def _line_moves(t: Floats, y: Floats) -> float:
    """How far a straight line through these samples goes."""
    centred = t - t.mean()
    spread = float(centred @ centred)
    return abs(float(centred @ y) / spread) * float(np.ptp(t)) if spread > 0 else 0.0
