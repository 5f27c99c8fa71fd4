"""Air changes per hour from the decay of a gas in a room (as in ASTM E741, single well-mixed zone).

    C(t) = C_bg + (C_0 - C_bg) exp(-n t)

What cannot carry an answer is refused, with a doubt that says why; there is no way to ask for the number anyway.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from gaswitness.errors import InputError
from gaswitness.release.decay_fit import Decay, Floats, binned, fit_decay, noise_of, smooth, uncertainty
from gaswitness.response.trace import one_per_instant
from gaswitness.wording import number

OUTDOOR_CO2_PPM = 420.0
"""Carbon dioxide outdoors; common practice, global mean of the early 2020s."""

HIGH_SHARE, REFUSE_SHARE = 0.1, 0.25
"""Share of the fall towards outdoor air that stays: doubted above the first, refused above the second."""
RISE_SHARE = 0.1
"""Rise after a fall, as share of the fall, above which somebody or something gives off gas; refused above 0.25."""
SHORTEST = 1.0
"""Time constants that must be seen before a background can be fitted."""
WIDEST = 0.2
"""Largest standard uncertainty over the rate that is still called an answer."""
BEYOND = 1e12
"""No reading and no time lies beyond this in any unit; a number that does is a fault of the log and is left out."""
LEAST_SHARE = 0.5
"""A fall that was found is the record's decay when it is at least this share of all that the record moves."""
APART = 0.05
"""Difference between the rates about a stated and a fitted background above which the two are said to disagree."""
UNEVEN = 0.2
"""Difference between the rates of the two halves above which there is no single rate."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something about the record that the answer must carry with it, or that rules it out."""

    flag: str
    why: str
    refuses: bool = False


@dataclass(frozen=True, slots=True)
class AirChange:
    """What a decay says, or why it says nothing."""

    per_hour: float
    """Air changes per hour; NaN when refused."""
    u_per_hour: float
    """Standard uncertainty (k = 1); NaN when refused."""
    background_ppm: float
    """NaN when refused before a fit."""
    u_background_ppm: float
    """Zero for a background that was stated."""
    background_fitted: bool
    start_ppm: float
    """Fitted level at the start of the window."""
    from_s: float
    to_s: float
    samples: int
    time_constants: float
    """Length of the window in time constants."""
    noise_ppm: float
    rms_ppm: float
    """Of the residuals."""
    doubts: tuple[Doubt, ...]

    @property
    def refused(self) -> bool:
        """Whether there is no answer."""
        return any(doubt.refuses for doubt in self.doubts)

    @property
    def flags(self) -> tuple[str, ...]:
        """The names of the doubts."""
        return tuple(doubt.flag for doubt in self.doubts)


def longest_fall(values: Floats) -> tuple[int, int]:
    """First and last index of the largest fall that no lasting rise interrupts.

    Turning points count once the smoothed signal has gone back by more than six times the noise and a tenth of its
    whole range.

    >>> longest_fall(np.array([1.0, 5.0, 9.0, 6.0, 4.0, 3.0, 8.0]))
    (2, 5)
    """
    level = smooth(values, 5 if len(values) >= 25 else 1)
    threshold = max(6.0 * noise_of(values), RISE_SHARE * float(np.ptp(level)))
    best, drop = (0, 0), 0.0
    top = low = 0
    for i in range(1, len(level)):
        if level[i] < level[low]:
            low = i
        if level[i] > level[low] + threshold or (low == top and level[i] >= level[top]):
            if level[top] - level[low] > drop:
                best, drop = (top, low), float(level[top] - level[low])
            top = low = i
    if level[top] - level[low] > drop:
        best = (top, low)
    first, last = best
    if last == low:  # nothing rose again: the whole tail belongs to the fall
        last = len(level) - 1
    begun = level[first : last + 1] < level[first] - 0.03 * (level[first] - level[best[1]])
    before = np.flatnonzero(~begun[: best[1] - first + 1])
    return first + int(before[-1]), last  # a plateau before the fall is no part of it


def air_change(
    t_s: ArrayLike,
    values_ppm: ArrayLike,
    *,
    from_s: float | None = None,
    to_s: float | None = None,
    background_ppm: float | None = None,
    outdoor_ppm: float = OUTDOOR_CO2_PPM,
) -> AirChange:
    """Air changes per hour from a recorded decay.

    `t_s` [s] does not go back; NaN readings are left out. Without `from_s` and `to_s` the largest fall is found, and
    said to be found. Without `background_ppm` the background is fitted. `outdoor_ppm` is what air from outside holds
    of the gas: 420 for carbon dioxide, 0 for a tracer that is not in the air; it only serves to doubt a fall that
    levels off far above it.

    >>> minutes = np.arange(0, 70, 10)
    >>> levels = 420 + 1580 * np.exp(-3.0 * minutes / 60)
    >>> round(air_change(minutes * 60.0, levels, background_ppm=420.0).per_hour, 6)
    3.0

    Raises InputError for arrays that do not match.
    """
    times, readings = np.asarray(t_s, np.float64), np.asarray(values_ppm, np.float64)
    if times.ndim != 1 or times.shape != readings.shape:
        raise InputError("times and readings do not match", found=(times.shape, readings.shape), expected="one length")
    good = (np.abs(times) <= BEYOND) & (np.abs(readings) <= BEYOND)  # false for NaN
    times, readings = one_per_instant(times[good], readings[good])
    times, readings, doubts = _window(times, readings, from_s, to_s)
    noise_ppm = noise_of(readings)

    def result(
        doubts: list[Doubt], decay: Decay | None, u_n: float = math.nan, u_background: float = math.nan
    ) -> AirChange:
        refused = decay is None or any(doubt.refuses for doubt in doubts)
        stated = math.nan if background_ppm is None else background_ppm
        return AirChange(
            per_hour=math.nan if decay is None or refused else 3600.0 * decay.n_per_s,
            u_per_hour=math.nan if refused else 3600.0 * u_n,
            background_ppm=stated if decay is None else decay.background,
            u_background_ppm=u_background,
            background_fitted=background_ppm is None,
            start_ppm=math.nan if decay is None else decay.background + decay.amplitude,
            from_s=float(times[0]) if len(times) else math.nan,
            to_s=float(times[-1]) if len(times) else math.nan,
            samples=len(times),
            time_constants=math.nan if decay is None else decay.n_per_s * float(times[-1] - times[0]),
            noise_ppm=noise_ppm,
            rms_ppm=math.nan if decay is None else decay.rms,
            doubts=tuple(doubts),
        )

    if len(times) < 4 or times[-1] <= times[0]:
        why = f"{len(times)} readings in the window; a decay needs at least 4 at different times"
        return result([*doubts, Doubt("too-few", why, refuses=True)], None)
    doubts += _gaps(times)
    t, y = binned(times, readings)
    steady = smooth(y, min(2 * (len(y) // 40) + 1, 101))
    fall = float(steady[0] - steady[-1])
    if fall <= max(3.0 * noise_ppm, 1e-9 * abs(float(steady[0])), 1.0 / BEYOND):
        why = f"the level goes from {number(steady[0])} to {number(steady[-1])} ppm: nothing decays here"
        return result([*doubts, Doubt("no-fall", why, refuses=True)], None)
    if background_ppm is not None and background_ppm >= float(steady.min()):
        lowest, stated = number(steady.min()), number(background_ppm)
        why = f"the readings reach {lowest} ppm, not above the stated background of {stated} ppm"
        return result([*doubts, Doubt("background-disagrees", why, refuses=True)], None)
    decay = fit_decay(t, y, background_ppm)
    u_n, u_background = uncertainty(t, y, decay, background_ppm)
    doubts += _rising(steady, fall, noise_ppm)
    free = decay if background_ppm is None else fit_decay(t, y, None)
    if background_ppm is not None:
        u_n = _disagree(t, y, decay, free, u_n, doubts)
    doubts += _enough(t, decay, u_n, u_background, fitted=background_ppm is None)
    outside_ppm = outdoor_ppm if background_ppm is None else min(background_ppm, outdoor_ppm)
    doubts += _levels_off_high(t, free, outside_ppm)
    doubts += _one_rate(t, y, decay)
    return result(doubts, decay, u_n, u_background)


def _window(
    t_s: Floats, values: Floats, from_s: float | None, to_s: float | None
) -> tuple[Floats, Floats, list[Doubt]]:
    """The readings asked for, and within them the largest fall where no start or no end was stated."""
    inside = np.ones(len(t_s), bool)
    if from_s is not None:
        inside &= t_s >= from_s
    if to_s is not None:
        inside &= t_s <= to_s
    t_s, values = t_s[inside], values[inside]
    if (from_s is not None and to_s is not None) or len(t_s) < 4:
        return t_s, values, []
    first, last = longest_fall(values)
    if from_s is not None:
        first = 0
    if to_s is not None:
        last = len(t_s) - 1
    why = (
        f"no window was stated; the largest fall was taken, {number(t_s[first])} s to {number(t_s[last])} s from the "
        "first row"
    )
    doubts = [Doubt("window-found", why)]
    level = smooth(values, 5 if len(values) >= 25 else 1)
    fall, moves = float(level[first] - level[last]), float(np.ptp(level))
    if from_s is None and to_s is None and 0.0 < fall < LEAST_SHARE * moves:
        why = (
            f"the largest fall, {number(fall)} ppm, is less than half of the {number(moves)} ppm that the record "
            "moves: it need not be a decay; state the window if one of its falls is"
        )
        doubts.append(Doubt("small-fall", why, refuses=True))
    return t_s[first : last + 1], values[first : last + 1], doubts


def _gaps(t_s: Floats) -> list[Doubt]:
    steps = np.diff(t_s)
    longest = float(steps.max())
    if longest > 10.0 * float(np.median(steps)) and longest > 0.05 * float(t_s[-1] - t_s[0]):
        return [Doubt("gaps", f"no readings for {number(longest)} s within the window")]
    return []


def _rising(steady: Floats, fall: float, noise: float) -> list[Doubt]:
    """Whether the level climbs again after it has fallen."""
    rise = float((steady - np.minimum.accumulate(steady)).max())
    if rise <= max(RISE_SHARE * fall, 6.0 * noise):
        return []
    why = (
        f"the level climbs by {number(rise)} ppm within the window: somebody or something gives off gas, "
        "or the air changed its way"
    )
    return [Doubt("rising", why, refuses=rise > 0.25 * fall)]


def _enough(t_s: Floats, decay: Decay, u_n: float, u_background: float, *, fitted: bool) -> list[Doubt]:
    """Whether the window holds enough of the decay to tell its rate."""
    seen = decay.n_per_s * float(t_s[-1] - t_s[0])
    doubts = []
    if fitted and (seen < SHORTEST or u_background > 0.5 * abs(decay.amplitude)):
        why = (
            f"with {number(seen)} time constants in the window the background cannot be told from the decay "
            f"(fitted {number(decay.background)} ppm, u {number(u_background)} ppm); state it, or record longer"
        )
        doubts.append(Doubt("background-runs-away", why, refuses=True))
    if u_n > WIDEST * decay.n_per_s:
        share = number(round(100 * u_n / decay.n_per_s))
        why = f"the rate is known to {share} % only (k = 1); record longer, or start higher"
        doubts.append(Doubt("too-short" if seen < 2.0 else "unsure", why, refuses=True))
    elif fitted and seen < 2.0 * SHORTEST:
        doubts.append(
            Doubt("short", f"only {number(seen)} time constants in the window: the background leans on the model")
        )
    return doubts


def _disagree(t_s: Floats, values: Floats, decay: Decay, free: Decay, u_n: float, doubts: list[Doubt]) -> float:
    """Uncertainty of the rate with what a wrong background makes of it, where the window tells its own [1/s]."""
    _, u_free = uncertainty(t_s, values, free, None)
    off = abs(free.background - decay.background)
    if free.n_per_s * float(t_s[-1] - t_s[0]) < 2.0 * SHORTEST or off <= 2.0 * u_free:
        return u_n
    apart = abs(free.n_per_s - decay.n_per_s)
    if apart > APART * decay.n_per_s:
        why = (
            f"the decay itself tells a background of {number(free.background)} ppm (u {number(u_free)} ppm) and "
            f"{number(3600 * free.n_per_s)} per hour, not the {number(decay.background)} ppm stated: the detector's "
            "zero is off, or the air outside was another"
        )
        doubts.append(Doubt("background-disagrees", why))
    return math.hypot(u_n, apart)


def _levels_off_high(t_s: Floats, free: Decay, outside_ppm: float) -> list[Doubt]:
    """Whether the fall ends, within the window, far from the air that is said to replace the room's."""
    start = free.background + free.amplitude
    if free.n_per_s * float(t_s[-1] - t_s[0]) < 2.0 or start <= outside_ppm:
        return []
    stays = (free.background - outside_ppm) / (start - outside_ppm)
    if abs(stays) <= HIGH_SHARE:
        return []
    if stays < 0.0:
        why = (
            f"the fall levels off at {number(free.background)} ppm, below the air outside ({number(outside_ppm)} ppm): "
            "the detector's zero is off, or the air outside is not what was stated"
        )
        return [Doubt("levels-off-low", why)]
    why = (
        f"the fall levels off at {number(free.background)} ppm, far above the air outside ({number(outside_ppm)} ppm): "
        f"{number(round(100 * stays))} % of what was there stays. A detector that warms up looks like this, and "
        "so does a room with people or another source in it; air change would carry it all away"
    )
    return [Doubt("levels-off-high", why, refuses=stays > REFUSE_SHARE)]


def _one_rate(t_s: Floats, values: Floats, decay: Decay) -> list[Doubt]:
    """Whether the two halves of the decay (each half of what falls) go at one rate, about the same background."""
    since_s = t_s - t_s[0]
    seen = decay.n_per_s * since_s[-1]
    middle_s = -math.log(0.5 * (1.0 + math.exp(-seen))) / decay.n_per_s
    early, late = since_s <= middle_s, since_s >= middle_s
    if min(early.sum(), late.sum()) < 4:
        return []
    first = fit_decay(t_s[early], values[early], decay.background).n_per_s
    second = fit_decay(t_s[late], values[late], decay.background).n_per_s
    if abs(first - second) <= UNEVEN * decay.n_per_s:
        return []
    why = (
        f"the first half of the fall goes at {number(3600 * first)} per hour and the second at "
        f"{number(3600 * second)}: mixing was not over at the start, or the air changed its rate"
    )
    return [Doubt("not-one-rate", why)]
