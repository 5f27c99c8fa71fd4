"""What a detector does with gas: cap flush, dead time, one or two lags, gain and zero.

The cap over the sensor fills towards the bottle value with the time constant cap volume / flow, and clears towards
the room value with another one once gas is shut and the cap is away. Behind it the sensor waits a dead time and
follows through one or two first-order lags. Everything here is exact for an inlet that is constant in pieces.

    cap' = (inlet - cap) / cap_tau        sensor_1' = (cap - sensor_1) / tau_1        reading = zero + gain sensor
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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

    def __post_init__(self) -> None:
        object.__setattr__(self, "taus_s", tuple(float(tau) for tau in self.taus_s))
        if not 1 <= len(self.taus_s) <= 2:
            raise OutOfDomain("a sensor path has one or two lags", found=self.taus_s)
        times = (self.dead_time_s, *self.taus_s, self.cap_tau_s, self.purge_tau_s or 0.0)
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
    ) -> SensorPath:
        """A path that passes 90 % at `t90_s` after gas at the inlet, dead time included.

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
        return cls(dead_time_s, taus_s, cap_tau_s, purge_tau_s, gain, zero_ppm)

    def time_to_fraction_s(self, fraction: float) -> float:
        """Time from gas at the inlet (no cap) until this fraction of the change has been passed, in seconds.

        >>> path = SensorPath(5.0, (20.0,))
        >>> round(path.time_to_fraction_s(0.9), 3)  # 5 + 20 ln 10
        51.052
        """
        return self.dead_time_s + passes_fraction_s(self.taus_s, fraction)

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
    stages = 1 + len(path.taus_s)
    sensor = np.full(seen_s.shape, float(room_ppm))
    on = seen_s > gas_on_s
    rest = (room_ppm,) * stages
    sensor[on] = relax(path._stage_taus(purging=False), rest, bottle_ppm, seen_s[on] - gas_on_s)[-1]
    if gas_off_s is not None:
        off = seen_s > gas_off_s
        filled = relax(path._stage_taus(purging=False), rest, bottle_ppm, np.array([gas_off_s - gas_on_s]))[:, 0]
        after_ppm = room_ppm if room_after_ppm is None else room_after_ppm
        sensor[off] = relax(path._stage_taus(purging=True), filled, after_ppm, seen_s[off] - gas_off_s)[-1]
    return (path.zero_ppm + path.gain * sensor).reshape(times.shape)


@dataclass(frozen=True, slots=True)
class _Inlet:
    since_s: float
    ppm: float
    purging: bool


@dataclass(frozen=True, slots=True)
class SensorState:
    """Where a streaming sensor stands: the values in its stages, and gas still on its way through the dead time."""

    t_s: float
    stages_ppm: tuple[float, ...]
    acting: _Inlet
    coming: tuple[_Inlet, ...] = ()


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
        return SensorState(0.0, stages, _Inlet(-math.inf, float(inlet_ppm), True))

    def reading_ppm(self, state: SensorState) -> float:
        """The noise-free reading in this state."""
        return self.path.zero_ppm + self.path.gain * state.stages_ppm[-1]

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
        while coming and coming[0].since_s < end_s:
            stages = self._relax(stages, acting, coming[0].since_s - now_s)
            now_s, acting = max(now_s, coming[0].since_s), coming.pop(0)
        stages = self._relax(stages, acting, end_s - now_s)
        after = SensorState(end_s, stages, acting, tuple(coming))
        return after, self.reading_ppm(after)

    def _relax(self, stages: Sequence[float], inlet: _Inlet, dt_s: float) -> tuple[float, ...]:
        if dt_s <= 0:
            return tuple(stages)
        column = relax(self.path._stage_taus(purging=inlet.purging), stages, inlet.ppm, np.array([dt_s]))
        return tuple(float(value) for value in column[:, 0])


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
