"""What a detector does with gas: cap flush, dead time, one or two lags, moving average, gain and zero.

The cap over the sensor fills towards the bottle value with the time constant cap volume / flow, and clears towards
the room value with another one once gas is shut and the cap is away. Behind it the sensor waits a dead time and
follows through one or two first-order lags. Everything here is exact for an inlet that is constant in pieces.

    cap' = (inlet - cap) / cap_tau        sensor_1' = (cap - sensor_1) / tau_1        reading = zero + gain sensor

A panel that shows the mean of the last `average_s` seconds comes last. The integral that it needs is exact, too: a
lag holds back tau times what it has changed, so the integral of the last lag is that of the inlet less the sum of
tau_k times the change of stage k.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaswitness.errors import OutOfDomain
from gaswitness.response.lags import passes_fraction_s, relax

Floats = NDArray[np.float64]

REFERENCE_PRESSURE_PA = 101325.0
REFERENCE_TEMPERATURE_K = 293.15


@dataclass(frozen=True, slots=True)
class SensorPath:
    """The way of gas from the bottle to the reading; all times in seconds.

    Raises `OutOfDomain` for a negative or non-finite time, or other than one or two lags.
    """

    dead_time_s: float
    taus_s: tuple[float, ...]
    cap_tau_s: float = 0.0
    """Cap volume / flow while gas flows."""
    purge_tau_s: float | None = None
    """The same after gas is shut and the cap is away; as `cap_tau_s` where not known."""
    gain: float = 1.0
    zero_ppm: float = 0.0
    average_s: float = 0.0
    """The reading is the mean of the sensor over the last so many seconds; 0 for none."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "taus_s", tuple(float(tau) for tau in self.taus_s))
        if not 1 <= len(self.taus_s) <= 2:
            raise OutOfDomain("a sensor path has one or two lags", found=self.taus_s)
        times = (self.dead_time_s, *self.taus_s, self.cap_tau_s, self.purge_tau_s or 0.0, self.average_s)
        if not all(math.isfinite(time) and time >= 0 for time in times):
            raise OutOfDomain("times of a sensor path are finite and not below 0", found=times, expected="seconds")
        if not (math.isfinite(self.gain) and math.isfinite(self.zero_ppm)):
            raise OutOfDomain("gain and zero of a sensor path are finite", found=(self.gain, self.zero_ppm))

    @classmethod
    def from_t90(
        cls,
        t90_s: float,
        dead_time_s: float = 0.0,
        *,
        second: float = 0.0,
        cap_tau_s: float = 0.0,
        purge_tau_s: float | None = None,
        gain: float = 1.0,
        zero_ppm: float = 0.0,
        average_s: float = 0.0,
    ) -> SensorPath:
        """A path that passes 90 % at `t90_s` after gas at the inlet, dead time included, before any moving average.

        `second` is the ratio of the second lag to the first, 0 to 1.

        >>> SensorPath.from_t90(60.0).taus_s[0]  # 60 / ln 10
        26.05766891419511
        """
        if not t90_s > dead_time_s >= 0:
            raise OutOfDomain(
                "t90 lies beyond the dead time", found=(t90_s, dead_time_s), expected="t90 > dead time >= 0"
            )
        if not 0 <= second <= 1:
            raise OutOfDomain("the second lag is a part of the first", found=second, expected="0 to 1")
        shape = (1.0, second) if second > 0 else (1.0,)
        tau_s = (t90_s - dead_time_s) / passes_fraction_s(shape, 0.9)
        taus_s = tuple(tau_s * part for part in shape)
        return cls(dead_time_s, taus_s, cap_tau_s, purge_tau_s, gain, zero_ppm, average_s)

    def time_to_fraction_s(self, fraction: float) -> float:
        """Time from gas at the inlet (no cap) until the reading has passed this fraction of the change, in seconds.

        >>> path = SensorPath(5.0, (20.0,))
        >>> round(path.time_to_fraction_s(0.9), 3)  # 5 + 20 ln 10
        51.052
        """
        if not self.average_s:
            return self.dead_time_s + passes_fraction_s(self.taus_s, fraction)
        from scipy.optimize import brentq  # slow to import

        bare = replace(self, dead_time_s=0.0, cap_tau_s=0.0, purge_tau_s=None, gain=1.0, zero_ppm=0.0)
        end_s = passes_fraction_s(self.taus_s, fraction) + self.average_s

        def missing(t_s: float) -> float:
            return float(step_curve(bare, [t_s], room_ppm=0.0, bottle_ppm=1.0)[0]) - fraction

        return self.dead_time_s + float(brentq(missing, 0.0, end_s, xtol=1e-13 * end_s))

    def _stage_taus(self, *, purging: bool) -> tuple[float, ...]:
        cap_tau_s = self.purge_tau_s if purging and self.purge_tau_s is not None else self.cap_tau_s
        return (cap_tau_s, *self.taus_s)


def step_curve(
    path: SensorPath,
    t_s: ArrayLike,
    *,
    gas_on_s: float = 0.0,
    gas_off_s: float | None = None,
    room_ppm: float,
    bottle_ppm: float,
    room_after_ppm: float | None = None,
) -> Floats:
    """Noise-free reading [ppm] at times `t_s` [s] when gas is put on and, if told, shut again.

    Before gas on the detector has been in room air for long. Same shape as `t_s`.

    >>> path = SensorPath(0.0, (26.05766891419511,))
    >>> step_curve(path, [18.06, 60.0], room_ppm=0.0, bottle_ppm=1000.0).round(1)  # passes 500 at 18.06 s, 900 at t90
    array([500., 900.])
    """
    times = np.asarray(t_s, dtype=np.float64)
    if gas_off_s is not None and gas_off_s < gas_on_s:
        raise OutOfDomain("gas is shut after it was put on", found=(gas_on_s, gas_off_s))
    seen_s = np.atleast_1d(times) - path.dead_time_s
    after_ppm = room_ppm if room_after_ppm is None else room_after_ppm

    def sensor(at_s: Floats) -> tuple[Floats, Floats]:
        return _course(path, at_s, gas_on_s, gas_off_s, room_ppm, bottle_ppm, after_ppm)

    shown, integral = sensor(seen_s)
    if path.average_s:
        earlier = sensor(seen_s - path.average_s)[1]
        # relative to the room, so that little is lost where the integrals are long
        shown = room_ppm + (integral - earlier) / path.average_s
    return (path.zero_ppm + path.gain * shown).reshape(times.shape)


def _course(
    path: SensorPath, at_s: Floats, on_s: float, off_s: float | None, room: float, bottle: float, after: float
) -> tuple[Floats, Floats]:
    """What the last lag shows, and the integral since gas on of how far that is above the room."""
    filling, purging = path._stage_taus(purging=False), path._stage_taus(purging=True)
    rest = np.full(len(filling), float(room))
    shown, integral = np.full(at_s.shape, float(room)), np.zeros(at_s.shape)
    on = at_s > on_s
    stages = relax(filling, tuple(rest), bottle, at_s[on] - on_s)
    shown[on] = stages[-1]
    integral[on] = _integral(filling, stages, rest, bottle - room, at_s[on] - on_s)
    if off_s is not None:
        off = at_s > off_s
        given = np.array([off_s - on_s])
        filled = relax(filling, tuple(rest), bottle, given)
        stages = relax(purging, filled[:, 0], after, at_s[off] - off_s)
        shown[off] = stages[-1]
        integral[off] = _integral(filling, filled, rest, bottle - room, given)[0] + _integral(
            purging, stages, filled[:, 0], after - room, at_s[off] - off_s
        )
    return shown, integral


def _integral(taus_s: Sequence[float], stages: Floats, start: Floats, inlet: float, dt_s: Floats) -> Floats:
    """Integral of the last lag while the inlet is constant; `stages` (stages, n) are reached after `dt_s`.

    A lag of 0 jumps at once and holds nothing back.
    """
    held = np.asarray(taus_s) @ (stages - start[:, None])
    return np.asarray(inlet * dt_s - held)


@dataclass(frozen=True, slots=True)
class _Inlet:
    since_s: float
    ppm: float
    purging: bool


@dataclass(frozen=True, slots=True)
class _Past:
    """Where the lags stood at an instant, what fed them from then on, and the integral of the last one so far."""

    t_s: float
    stages_ppm: tuple[float, ...]
    inlet: _Inlet
    integral_ppm_s: float


@dataclass(frozen=True, slots=True)
class SensorState:
    """Where a streaming sensor stands: the values in its stages, and gas still on its way through the dead time."""

    t_s: float
    stages_ppm: tuple[float, ...]
    acting: _Inlet
    coming: tuple[_Inlet, ...] = ()
    past: tuple[_Past, ...] = ()
    """As far back as a moving average reaches; empty without one."""
    integral_ppm_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """The same path one step at a time, exact for an inlet held constant over each step.

    >>> sensor = Sensor(SensorPath(0.0, (10.0,)))
    >>> state, reading = sensor.advance(sensor.start(0.0), 10.0, 1000.0)
    >>> round(reading, 2)  # 1000 (1 - 1/e)
    632.12
    """

    path: SensorPath

    def start(self, inlet_ppm: float) -> SensorState:
        """A sensor that has been in this concentration for long."""
        stages = (float(inlet_ppm),) * (1 + len(self.path.taus_s))
        inlet = _Inlet(-math.inf, float(inlet_ppm), True)
        past = (_Past(-self.path.average_s, stages, inlet, -self.path.average_s * float(inlet_ppm)),)
        return SensorState(0.0, stages, inlet, past=past if self.path.average_s else ())

    def reading_ppm(self, state: SensorState) -> float:
        """The noise-free reading in this state."""
        shown = state.stages_ppm[-1]
        if state.past:
            first = state.past[0]
            since_s = max(0.0, state.t_s - self.path.average_s - first.t_s)
            _, gained = self._relax(first.stages_ppm, first.inlet, since_s)
            shown = (state.integral_ppm_s - first.integral_ppm_s - gained) / self.path.average_s
        return self.path.zero_ppm + self.path.gain * shown

    def advance(
        self, state: SensorState, dt_s: float, inlet_ppm: float, *, purging: bool = False
    ) -> tuple[SensorState, float]:
        """Hold `inlet_ppm` before the cap for `dt_s`; `purging` when gas is shut and the cap is away."""
        if not dt_s >= 0:
            raise OutOfDomain("time does not go back", found=dt_s, expected="a step of 0 s or more")
        end_s = state.t_s + dt_s
        new = _Inlet(state.t_s + self.path.dead_time_s, float(inlet_ppm), purging)
        last = state.coming[-1] if state.coming else state.acting
        coming = list(state.coming)
        if (last.ppm, last.purging) != (new.ppm, new.purging):
            coming.append(new)
        now_s, stages, acting = state.t_s, state.stages_ppm, state.acting
        past, integral = list(state.past), state.integral_ppm_s
        while True:
            turn_s = max(now_s, coming[0].since_s) if coming and coming[0].since_s < end_s else end_s
            if past and turn_s > now_s:
                past.append(_Past(now_s, stages, acting, integral))
            stages, gained = self._relax(stages, acting, turn_s - now_s)
            integral += gained
            now_s = turn_s
            if not (coming and coming[0].since_s < end_s):
                break
            acting = coming.pop(0)
        while len(past) > 1 and past[1].t_s <= end_s - self.path.average_s:
            past.pop(0)
        after = SensorState(end_s, stages, acting, tuple(coming), tuple(past), integral)
        return after, self.reading_ppm(after)

    def _relax(self, stages: Sequence[float], inlet: _Inlet, dt_s: float) -> tuple[tuple[float, ...], float]:
        """The stages after `dt_s`, and the integral of the last one over it."""
        if dt_s <= 0:
            return tuple(stages), 0.0
        taus_s, dt = self.path._stage_taus(purging=inlet.purging), np.array([dt_s])
        column = relax(taus_s, stages, inlet.ppm, dt)
        integral = 0.0
        if self.path.average_s:
            integral = float(_integral(taus_s, column, np.asarray(stages), inlet.ppm, dt)[0])
        return tuple(float(value) for value in column[:, 0]), integral


def air_factor(
    pressure_pa: float,
    temperature_k: float,
    *,
    reference_pressure_pa: float = REFERENCE_PRESSURE_PA,
    reference_temperature_k: float = REFERENCE_TEMPERATURE_K,
) -> float:
    """What an uncorrected sensor that counts molecules shows, as a part of the true volume fraction (ideal gas).

    factor = (p / p_ref) (T_ref / T), where p_ref and T_ref are those of its adjustment.

    >>> round(air_factor(89875.0, 293.15), 4)  # about 1,000 m above the sea, adjusted at sea level
    0.887
    """
    if not (pressure_pa > 0 and temperature_k > 0):
        raise OutOfDomain("pressure and temperature of air are above 0", found=(pressure_pa, temperature_k))
    return (pressure_pa / reference_pressure_pa) * (reference_temperature_k / temperature_k)


def clip_to_range(reading_ppm: ArrayLike, low_ppm: float, high_ppm: float) -> Floats:
    """A reading as an instrument with this range shows it.

    >>> clip_to_range([-3.0, 40.0, 120.0], 0.0, 100.0)
    array([  0.,  40., 100.])
    """
    return np.clip(np.asarray(reading_ppm, dtype=np.float64), low_ppm, high_ppm)


def round_to_resolution(reading_ppm: ArrayLike, resolution_ppm: float) -> Floats:
    """A reading rounded to the nearest step of the display; a resolution of 0 leaves it as it is.

    >>> round_to_resolution([12.4, 12.6], 5.0)
    array([10., 15.])
    """
    reading = np.asarray(reading_ppm, dtype=np.float64)
    return np.round(reading / resolution_ppm) * resolution_ppm if resolution_ppm > 0 else reading
