"""Detectors as they physically are: each a little off its data sheet, in a room, now and then under a gas cap."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from gaswitness.links.rig.chance import NumberedNoise, generator
from gaswitness.response import SensorPath, air_factor
from gaswitness.response.lags import relax
from gaswitness.site.records import Cylinder, Detector, Site

ROOM_STEP_S = 10.0
"""The room's air is held constant for so long at a time."""
PURGE_TAU_S = 1.0
"""Of the air before the sensor once the cap is away (our assumption)."""

Stages = tuple[float, ...]


@lru_cache(maxsize=4096)
def _step(taus_s: Stages, dt_s: float) -> tuple[tuple[Stages, ...], Stages]:
    """Lags over a fixed time as a matrix and a vector: the closed form is linear in its start and its inlet."""
    size = len(taus_s)
    at = np.array([dt_s])
    columns = [relax(taus_s, tuple(float(i == j) for i in range(size)), 0.0, at)[:, 0] for j in range(size)]
    matrix = tuple(tuple(float(columns[j][i]) for j in range(size)) for i in range(size))
    return matrix, tuple(float(x) for x in relax(taus_s, (0.0,) * size, 1.0, at)[:, 0])


def _clipped(normal: float, limit: float = 2.0) -> float:
    return max(-limit, min(limit, normal))


@dataclass(frozen=True, slots=True)
class _Inlet:
    since_s: float
    ppm: float
    taus_s: Stages


class Room:
    """One gas in one area: somewhere inside its usual background, drifting slowly.

    c(t) = base + a sin(2 pi t / period + phase); base in the middle half of the background, a a tenth of its width,
    period one to three hours.
    """

    def __init__(self, low_ppm: float, high_ppm: float, seed: int, name: str) -> None:
        chance = generator(seed, f"room {name}")
        width_ppm = high_ppm - low_ppm
        self._base_ppm = low_ppm + width_ppm * chance.uniform(0.25, 0.75)
        self._swing_ppm = 0.1 * width_ppm
        self._period_s = chance.uniform(3600.0, 10800.0)
        self._phase = chance.uniform(0.0, 2.0 * math.pi)

    def level_ppm(self, t_s: float) -> float:
        """What is in the air at this time."""
        return self._base_ppm + self._swing_ppm * math.sin(2.0 * math.pi * t_s / self._period_s + self._phase)


class Head:
    """One detector's sensor and the air before it.

    Off its data sheet by a seeded, honest amount (our assumptions): gain 0.5 % (0.2 % where the sensor is adjusted in
    air, as for oxygen) and zero 0.15 % of range, standard deviations cut at two; t90 between 0.85 and 1.10 of what is
    stated, dead time 0.8 to 1.1, noise 0.7 to 1.3, flow 0.93 to 1.07; the bottle within one standard uncertainty of
    its certificate. Unless it corrects for pressure it was adjusted at sea level and 20 degC.
    """

    def __init__(self, detector: Detector, site: Site, seed: int) -> None:
        chance = generator(seed, f"head {detector.tag}")
        self.detector = detector
        air = site.conditions
        self._air = 1.0 if detector.corrects_pressure else air_factor(air.pressure_pa, air.temperature_k)
        low_ppm, high_ppm = site.background_ppm(detector)
        in_air = low_ppm > detector.range_low_ppm + 0.5 * detector.range_ppm
        self.gain = 1.0 + (0.002 if in_air else 0.005) * _clipped(chance.standard_normal())
        self.zero_ppm = 0.0015 * detector.range_ppm * _clipped(chance.standard_normal())
        self.noise_ppm = detector.noise_ppm * chance.uniform(0.7, 1.3)
        t90_s = detector.t90_s * chance.uniform(0.85, 1.10)
        dead_s = min(detector.dead_time_s * chance.uniform(0.8, 1.1), 0.9 * t90_s)
        self._nominal = SensorPath.from_t90(t90_s, dead_s)
        self._flow_part = chance.uniform(0.93, 1.07)
        self.room = Room(low_ppm, high_ppm, seed, f"{detector.area} {detector.gas}")
        self.slowness = 1.0
        self.dead = False
        self._noise = NumberedNoise(seed, f"noise {detector.tag}")
        self._seed = seed
        self._bottle: Cylinder | None = None
        self._bottle_ppm = 0.0
        self._t_s = 0.0
        room_ppm = self.room.level_ppm(0.0)
        taus_s = self._taus_s(PURGE_TAU_S)
        self._stages: Stages = (room_ppm,) * len(taus_s)
        self._acting = _Inlet(-math.inf, room_ppm, taus_s)
        self._coming: list[_Inlet] = []
        self._room_step = 0

    def _taus_s(self, cap_tau_s: float) -> Stages:
        return (cap_tau_s, *(tau * self.slowness for tau in self._nominal.taus_s))

    @property
    def under_gas(self) -> bool:
        """Whether a bottle is open on this detector."""
        return self._bottle is not None

    def gas_on(self, cylinder: Cylinder, t_s: float) -> None:
        """Cap on, bottle open: the cap flushes with its volume over the flow."""
        self.advance(t_s)
        chance = generator(self._seed, f"bottle {cylinder.tag}")
        true_ppm = cylinder.shown_ppm + cylinder.u_ppm * cylinder.surrogate_factor * _clipped(
            chance.standard_normal(), 1.0
        )
        fits = cylinder.target_gas == self.detector.gas
        self._bottle = cylinder
        self._bottle_ppm = true_ppm if fits else 0.0
        cap_tau_s = self.detector.cap_volume_m3 / (cylinder.flow_m3_s * self._flow_part)
        self._breathe(t_s, self._bottle_ppm, self._taus_s(cap_tau_s))

    def gas_off(self, t_s: float) -> None:
        """Bottle shut, cap away."""
        self.advance(t_s)
        self._bottle = None
        self._breathe(t_s, self.room.level_ppm(t_s), self._taus_s(PURGE_TAU_S))

    def _breathe(self, t_s: float, ppm: float, taus_s: Stages) -> None:
        arrives_s = t_s + self._nominal.dead_time_s * self.slowness
        if self.dead and self._bottle is not None:
            return
        self._coming.append(_Inlet(arrives_s, ppm, taus_s))

    def advance(self, t_s: float) -> None:
        """Bring the sensor to this time."""
        while (self._room_step + 1) * ROOM_STEP_S <= t_s:
            self._room_step += 1
            if self._bottle is None or self.dead:
                at_s = self._room_step * ROOM_STEP_S
                self._coming.append(
                    _Inlet(
                        at_s + self._nominal.dead_time_s * self.slowness,
                        self.room.level_ppm(at_s),
                        self._taus_s(PURGE_TAU_S),
                    )
                )
        while self._coming and self._coming[0].since_s <= t_s:
            self._relax(self._coming[0].since_s)
            self._acting = self._coming.pop(0)
        self._relax(t_s)

    def _relax(self, t_s: float) -> None:
        dt_s = round(t_s - self._t_s, 9)
        self._t_s = max(self._t_s, t_s)
        if dt_s <= 0.0:
            return
        matrix, drive = _step(self._acting.taus_s, dt_s)
        held, u = self._stages, self._acting.ppm
        self._stages = tuple(
            sum(m * x for m, x in zip(row, held, strict=True)) + d * u for row, d in zip(matrix, drive, strict=True)
        )

    def signal_ppm(self, number: int) -> float:
        """What the sensor sends with its scan of this number: zero, gain and noise, within its range and no finer
        than its resolution. Current loops go a little beyond the range on both ends; displays do not.
        """
        detector = self.detector
        value = self.zero_ppm + self.gain * self._air * self._stages[-1] + self.noise_ppm * self._noise[number]
        value = min(max(value, detector.range_low_ppm), detector.range_high_ppm)
        step_ppm = detector.resolution_ppm
        return round(value / step_ppm) * step_ppm if step_ppm > 0 else value

    @property
    def true_ppm(self) -> float:
        """What the sensor itself stands in, before gain, zero and noise."""
        return self._stages[-1]

    def adjust_zero(self) -> None:
        """As a technician would: shown zero is right now, but for a small remainder."""
        self.zero_ppm = 0.0002 * self.detector.range_ppm

    def adjust_span(self) -> None:
        """As a technician would: shown gas value is right now, but for a small remainder."""
        self.gain = 1.002
