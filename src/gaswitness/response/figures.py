"""From a recorded trace to its response figures: find the exposure, fit it, read it, say what to believe."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import InputError
from gaswitness.response.allowances import UNFIT, late_allowance, moved_early_s, u_found, u_off_found
from gaswitness.response.detect import Exposure, dead_line, exposures
from gaswitness.response.fit import fit_step
from gaswitness.response.quality import gap_after, noise_sd, resolution_seen, stuck
from gaswitness.response.read import UNKNOWN, ReadTimes, ReadValue, read_times, read_zero
from gaswitness.response.result import StepFit
from gaswitness.response.trace import as_arrays, one_per_instant

Floats = NDArray[np.float64]

SPAN_LIMIT = 0.2
"""A plateau further than this part from the gas that was given is called a span error (common practice, no source)."""
_BASELINE_MOVES = 0.1
_RECOVERY_T90 = 3.0
_VAGUE = 1.0
"""A time whose standard uncertainty is as large as itself is not quoted."""
_LEAST_SAMPLES = 8
_BEFORE_FOUND = 3
"""Samples by which a fit starts before a found instant, so that it may place the first movement itself."""


@dataclass(frozen=True, slots=True)
class Time:
    """A time from gas on or off: what is believed, and what was read on the trace (NaN: unknown)."""

    value: float
    u: float
    read: float

    def document(self) -> dict[str, float | None]:
        """For JSON."""
        return {"value": _known(self.value), "u": _known(self.u), "read": _known(self.read)}


_NO_TIME = Time(math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class ResponseFigures:
    """Response figures of one exposure. NaN is unknown; `flags` say why."""

    zero: ReadValue
    plateau: ReadValue
    settled: bool
    extrapolated: bool
    dead_time_s: ReadValue
    t50: Time
    t90: Time
    t10: Time
    noise: float
    resolution: float
    model: str
    taus_s: tuple[float, ...]
    gas_on_s: float
    gas_on_found: bool
    gas_off_s: float
    """NaN when gas was never shut in the record."""
    gas_off_found: bool
    exposures: tuple[Exposure, ...]
    gas_ppm: float
    span_ratio: float
    """Plateau as a part of the gas that was given."""
    flags: tuple[str, ...]
    fit: StepFit | None
    recovery: StepFit | None

    @property
    def trustworthy(self) -> bool:
        """Whether there is an answer at all."""
        return math.isfinite(self.plateau.value) and not {"no-response", "stuck"} & set(self.flags)

    def document(self, instant: Any = float) -> dict[str, Any]:
        """For JSON; `instant` writes a time of the trace the way its log does."""

        def at(t_s: float, found: bool) -> dict[str, Any]:
            known = math.isfinite(t_s)
            return {"t": instant(t_s) if known else None, "t_s": _known(t_s), "found": found}

        def value(part: ReadValue) -> dict[str, Any]:
            return {"value": _known(part.value), "u": _known(part.u)}

        return {
            "zero": value(self.zero),
            "plateau": {**value(self.plateau), "settled": self.settled, "extrapolated": self.extrapolated},
            "dead_time_s": value(self.dead_time_s),
            "t50_s": self.t50.document(),
            "t90_s": self.t90.document(),
            "t10_s": self.t10.document(),
            "noise": _known(self.noise),
            "resolution": _known(self.resolution),
            "model": self.model,
            "tau_s": [tau for tau in self.taus_s if math.isfinite(tau)],
            "gas_on": at(self.gas_on_s, self.gas_on_found),
            "gas_off": at(self.gas_off_s, self.gas_off_found),
            "span": {"gas": _known(self.gas_ppm), "ratio": _known(self.span_ratio)},
            "exposures": [
                {
                    "gas_on": at(one.gas_on_s, True),
                    "gas_off": at(math.nan if one.gas_off_s is None else one.gas_off_s, True),
                    "rise": one.rise,
                }
                for one in self.exposures
            ],
            "flags": list(self.flags),
        }


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def response_figures(
    t_s: ArrayLike,
    reading: ArrayLike,
    *,
    gas_on_s: float | None = None,
    gas_off_s: float | None = None,
    gas_ppm: float | None = None,
    order: int = 2,
) -> ResponseFigures:
    """Response figures of the largest exposure in a record, or of the one at the instants given.

    `t_s` [s] rising, `reading` [any unit] with NaN where there was none; `gas_ppm` is what was given, in that unit.
    A found gas on is the instant of the first movement: the dead time is then unknown and times count from there.
    Raises `InputError` for too few readings or impossible instants.
    """
    t, y = as_arrays(t_s, reading)
    kept = np.isfinite(y)
    flags: set[str] = set()
    if not kept.all():
        flags.add("points-dropped")
    t, y = one_per_instant(t[kept], y[kept])
    if y.size < _LEAST_SAMPLES or t[-1] == t[0]:
        raise InputError("too few readings", found=int(y.size), expected=f"at least {_LEAST_SAMPLES}")
    dead = dead_line(y)
    if dead.any():
        flags.add("dead-line")
        t, y = t[~dead], y[~dead]
    if gas_on_s is not None and not t[0] - _span(t) <= gas_on_s < t[-1]:
        raise InputError("gas on lies outside the record", found=gas_on_s, expected=f"{t[0]:.6g} to {t[-1]:.6g} s")
    if gas_off_s is not None and not gas_off_s > t[0]:
        raise InputError("gas off lies before the record", found=gas_off_s, expected=f"after {t[0]:.6g} s")
    if gas_off_s is not None and gas_on_s is not None and gas_off_s <= gas_on_s:
        raise InputError("gas off comes after gas on", found=(gas_on_s, gas_off_s))
    resolution = resolution_seen(y)
    if stuck(y, resolution):
        flags.add("stuck")
    found = exposures(t, y, resolution)
    chosen = _choose(found, gas_on_s, gas_off_s, t)
    if chosen is None:
        return _silent(t, y, resolution, gas_on_s, gas_off_s, gas_ppm, flags | {"no-response"})
    if gas_on_s is None and len(found) > 1:
        flags.add("several-steps")
    if _baselines_move(t, y, found):
        flags.add("baseline-drifting")
    return _one(t, y, chosen, found, gas_on_s is None, gas_off_s is None, gas_ppm, order, resolution, flags)


def _baselines_move(t: Floats, y: Floats, found: tuple[Exposure, ...]) -> bool:
    """Whether the level before each exposure moves from one to the next by more than a part of the step."""
    levels = [float(np.median(y[t <= one.gas_on_s][-5:])) for one in found if one.baseline_seen]
    return len(levels) > 1 and max(levels) - min(levels) > _BASELINE_MOVES * max(abs(one.rise) for one in found)


def _span(t: Floats) -> float:
    return float(t[-1] - t[0])


def _choose(found: tuple[Exposure, ...], on: float | None, off: float | None, t: Floats) -> Exposure | None:
    """The exposure to look at: the one asked for by its gas on or gas off, else the largest."""
    if on is None:
        if not found:
            return None
        if off is None:
            return max(found, key=lambda one: abs(one.rise))
        begun = [one for one in found if one.gas_on_s < off]
        if not begun:
            raise InputError(
                "gas off comes before anything moves",
                found=off,
                expected=f"after {found[0].gas_on_s:.6g} s",
                hint="say with --gas-on when gas was put on",
            )
        return replace(begun[-1], gas_off_s=off, to_s=begun[-1].to_s if off < begun[-1].to_s else float(t[-1]))
    before = [one for one in found if one.gas_off_s is not None and one.gas_off_s < on]
    start = float(t[0])
    if before:
        last = before[-1].gas_off_s or start
        start = last + 0.5 * (on - last)
    behind = [one for one in found if (one.gas_off_s or math.inf) > on]
    end = float(t[-1])
    if off is None and behind:
        off = behind[0].gas_off_s
    later = [one.gas_on_s for one in found if off is not None and one.gas_on_s > off]
    return Exposure(on, off, math.nan, start, later[0] if later else end, True)


def _one(
    t: Floats, y: Floats, one: Exposure, found: tuple[Exposure, ...], on_found: bool, off_found: bool,
    gas_ppm: float | None, order: int, resolution: float, flags: set[str],
) -> ResponseFigures:  # fmt: skip
    on, off = one.gas_on_s, one.gas_off_s
    until = float(t[-1]) if off is None else min(off, float(t[-1]))
    u_off = u_off_found(t, y, one, resolution) if off_found and off is not None else 0.0
    # readings that may already be on their way back are no part of the rise
    until = max(until - 2.0 * u_off, 0.5 * (on + until))
    # the baseline that counts is the one right before gas: a quarter of the exposure long, or all there is
    begin = max(one.from_s, min(on - 0.25 * (until - on), _time_before(t, on, 20)))
    use = (t >= begin) & (t <= until)
    part_t, part_y = t[use], y[use]
    if gap_after(part_t).size:
        flags.add("gaps")
    known_base = int(np.sum(part_t <= on)) >= 3 and one.baseline_seen
    if not known_base:
        flags.add("baseline-missing")
    usual_s = float(np.median(np.diff(part_t))) if part_t.size > 1 else 0.0
    lead_s = _BEFORE_FOUND * usual_s if on_found and known_base else 0.0
    read = read_times(part_t, part_y, on, until, resolution=resolution)
    fit: StepFit | None = None
    try:
        fit = fit_step(part_t, part_y, on - lead_s, order=order, resolution=resolution)
    except InputError:
        flags.add("not-converged")  # too few readings between the instants
    if fit is not None:
        own = set(fit.flags) - {"not-settled", "extrapolated", "baseline-missing"}  # judged here, on the whole record
        if "no-response" in own:
            # where the trace does move, it is the model that sees no step in it
            flags |= {"model-inadequate"} if _moves(found, on, until) else {"no-response"}
            own, fit = own - {"no-response"}, None
        flags |= own
    if "saturated" in flags:
        # a reading at the end of its range stands still without having come to rest
        read = replace(read, t50_s=UNKNOWN, t90_s=UNKNOWN, settled=replace(read.settled, settled=False))
    elif not read.settled.settled:
        flags.add("not-settled")
    times_known = known_base or not on_found
    u_on = early_s = 0.0
    if on_found:
        u_on = u_found(part_t, part_y, on, usual_s, one.rise, read.zero.value, resolution)
    else:
        early_s = moved_early_s(t, y, on, found, resolution)
    if early_s > 0.0:
        flags.add("moved-before-gas")
        u_on = early_s
    late = late_allowance(fit, part_t, part_y)
    t50 = _believed(fit, read, "t50_s", lead_s, late.t50_s, u_on, flags) if times_known else _NO_TIME
    t90 = _believed(fit, read, "t90_s", lead_s, late.t90_s, u_on, flags) if times_known else _NO_TIME
    if t50.value >= t90.value:  # one read and one fitted, far apart
        t50, t90 = replace(_NO_TIME, read=t50.read), replace(_NO_TIME, read=t90.read)
    if "saturated" in flags:
        # of what lies beyond the range only the model speaks, and how detectors come to rest is what models get wrong
        t50 = t90 = _NO_TIME
    plateau, extrapolated = _plateau(fit, read, late.plateau, flags)
    zero = read.zero
    if not math.isfinite(zero.value) and not on_found and fit is not None and math.isfinite(fit.u_zero):
        zero = ReadValue(fit.zero, fit.u_zero)
    if on_found and not known_base:
        zero = UNKNOWN
    zero, plateau = _not_exact(zero, y), _not_exact(plateau, y)
    recovery, t10 = None, _NO_TIME
    if off is not None and off < t[-1]:
        recovery, t10 = _recovery(t, y, one, t90, order, resolution, u_off, flags)
    ratio = math.nan
    if gas_ppm is not None and gas_ppm > 0:
        ratio = plateau.value / gas_ppm
        still_coming = not read.settled.settled and not extrapolated and (gas_ppm - plateau.value) * one.rise > 0
        if not still_coming and abs(ratio - 1.0) > SPAN_LIMIT + 2.0 * plateau.u / gas_ppm:
            flags.add("span-error")
    if extrapolated:
        flags.add("extrapolated")
    dead = UNKNOWN
    if fit is not None and not on_found and math.isfinite(fit.u_dead_time_s):
        # one that came to rest at 0 is known no better than the samples are spaced
        dead = ReadValue(fit.dead_time_s, fit.u_dead_time_s or usual_s / math.sqrt(12.0))
    return ResponseFigures(
        zero=zero, plateau=plateau, settled=read.settled.settled, extrapolated=extrapolated, dead_time_s=dead,
        t50=t50, t90=t90, t10=t10, noise=noise_sd(part_y), resolution=resolution, model=_model(fit, t90),
        taus_s=fit.taus_s if fit is not None else (), gas_on_s=on, gas_on_found=on_found,
        gas_off_s=math.nan if off is None else off, gas_off_found=off_found and off is not None, exposures=found,
        gas_ppm=math.nan if gas_ppm is None else gas_ppm, span_ratio=ratio, flags=tuple(sorted(flags)),
        fit=fit, recovery=recovery,
    )  # fmt: skip


def _moves(found: tuple[Exposure, ...], on: float, until: float) -> bool:
    return any(one.gas_on_s < until and (one.gas_off_s or math.inf) > on for one in found)


def _not_exact(level: ReadValue, y: Floats) -> ReadValue:
    """A level of readings that do not move at all: known no finer than the record ever tells two readings apart."""
    if level.u != 0.0:
        return level
    steps = np.diff(np.unique(y))
    return replace(level, u=float(steps.min()) / math.sqrt(12.0) if steps.size else math.nan)


def _time_before(t: Floats, on: float, samples: int) -> float:
    index = int(np.searchsorted(t, on, side="right"))
    return float(t[max(0, index - samples)])


def _model(fit: StepFit | None, t90: Time) -> str:
    if fit is None:
        return "none"
    lags = "one lag" if fit.order == 1 else "two lags"
    return f"dead time and {lags}" + ("" if t90.value != t90.read else "; figures as read")


def _believed(
    fit: StepFit | None, read: ReadTimes, name: str, lead_s: float, late_s: float, u_on: float, flags: set[str]
) -> Time:
    """Fitted where the model holds and agrees with the trace, read where it does not, unknown where neither is had.

    `late_s` is what a part of the response that comes late may make of a fitted time, `u_on` the uncertainty of where
    times count from.
    """
    seen: ReadValue = getattr(read, name)
    fitted = ReadValue(math.nan, math.nan)
    if fit is not None:
        fitted = ReadValue(getattr(fit, name) - lead_s, getattr(fit, f"u_{name}"))
    adequate = fit is not None and not UNFIT & set(fit.flags)
    adequate = adequate and fitted.u < _VAGUE * fitted.value
    both = math.isfinite(seen.value) and math.isfinite(fitted.value)
    apart = abs(seen.value - fitted.value) if both else 0.0
    if both and apart > 2.0 * math.hypot(_or_zero(seen.u), _or_zero(fitted.u)):
        flags.add("read-fit-disagree")
        adequate = False
    told = Time(math.nan, math.nan, seen.value)
    if adequate:
        told = Time(fitted.value, math.hypot(fitted.u, late_s, u_on), seen.value)
    elif math.isfinite(seen.u):
        told = Time(seen.value, math.hypot(max(seen.u, 0.5 * apart), u_on), seen.value)
    return told if told.u < _VAGUE * told.value else Time(math.nan, math.nan, seen.value)


def _or_zero(u: float) -> float:
    return u if math.isfinite(u) else 0.0


def _plateau(fit: StepFit | None, read: ReadTimes, late: float, flags: set[str]) -> tuple[ReadValue, bool]:
    """What is read once settled; before that what the fit foresees, if its model holds; else the last quarter.

    Unknown where its uncertainty is.
    """
    seen = read.plateau if math.isfinite(read.plateau.u) else UNKNOWN
    if read.settled.settled or fit is None:
        return seen, False
    holds = not (UNFIT | {"baseline-missing"}) & flags
    u = math.hypot(fit.u_plateau, late)
    if ("saturated" in flags and math.isfinite(u)) or (holds and u < 0.5 * abs(fit.gain)):
        return ReadValue(fit.plateau, u), True
    return seen, False


def _recovery(
    t: Floats, y: Floats, one: Exposure, t90: Time, order: int, resolution: float, u_off: float, flags: set[str]
) -> tuple[StepFit | None, Time]:
    """Recovery as a step of its own: the way back need not be as fast as the way there."""
    off = one.gas_off_s or math.nan
    start = off - 0.25 * (off - one.gas_on_s)
    window_s = _RECOVERY_T90 * t90.value if math.isfinite(t90.value) else one.to_s - off
    while True:
        end = min(off + window_s, one.to_s)
        use = (t >= start) & (t <= end)
        if int(np.sum(use & (t > off))) >= _LEAST_SAMPLES or end >= one.to_s:
            zero = read_zero(y[use & (t <= off)][-20:], resolution)
            read = read_times(t[use], y[use], off, end, zero=zero, resolution=resolution)
            if read.settled.settled or end >= one.to_s:
                break
        window_s *= 1.5
    if int(np.sum(use & (t > off))) < _LEAST_SAMPLES:
        return None, _NO_TIME
    try:
        fit: StepFit | None = fit_step(t[use], y[use], off, order=order, resolution=resolution, drift=False)
    except InputError:
        fit = None
    if fit is not None and "no-response" in fit.flags:
        fit = None
    own: set[str] = set()
    found = _believed(fit, read, "t90_s", 0.0, late_allowance(fit, t[use], y[use]).t90_s, u_off, own)
    if "read-fit-disagree" in own:
        flags.add("read-fit-disagree")
    return fit, found


def _silent(
    t: Floats, y: Floats, resolution: float, on: float | None, off: float | None, gas_ppm: float | None, flags: set[str]
) -> ResponseFigures:
    """The answer for a record in which nothing moves."""
    zero = read_zero(y if on is None else y[t <= on], resolution)
    zero = _not_exact(zero, y)
    return ResponseFigures(
        zero=zero, plateau=UNKNOWN, settled=False, extrapolated=False, dead_time_s=UNKNOWN,
        t50=_NO_TIME, t90=_NO_TIME, t10=_NO_TIME, noise=noise_sd(y), resolution=resolution, model="none", taus_s=(),
        gas_on_s=math.nan if on is None else on, gas_on_found=False, gas_off_s=math.nan if off is None else off,
        gas_off_found=False, exposures=(), gas_ppm=math.nan if gas_ppm is None else gas_ppm, span_ratio=math.nan,
        flags=tuple(sorted(flags)), fit=None, recovery=None,
    )  # fmt: skip
