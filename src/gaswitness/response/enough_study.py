"""Operating characteristics of the rule that gas may be shut off, against waiting for t95 and 30 s more."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.live import LiveFit, Wanted, enough
from gaswitness.response.model import SensorPath, round_to_resolution, step_curve

Floats = NDArray[np.float64]

ROOM_PPM, GAS_PPM = 50.0, 1000.0
T90_LIMIT_S = 60.0
TOLERANCE = 0.1
"""Plateau within 10 % of the gas that was given, t90 within its limit: the verdict that both rules give."""
_BASELINE_S = 30
_WAIT_MORE_S = 30.0
WANTED = Wanted(GAS_PPM * (1 - TOLERANCE), GAS_PPM * (1 + TOLERANCE), T90_LIMIT_S, levels=(500.0, 800.0))


@dataclass(frozen=True, slots=True)
class Sensors:
    """A kind of detector to draw from."""

    name: str
    span_sd: float = 0.07
    t90_low_s: float = 20.0
    t90_high_s: float = 90.0
    creep: float = 0.0
    """Part of the step that comes late, through a lag of its own five times as slow."""
    noise_ppm: float = 4.0
    resolution_ppm: float = 1.0


KINDS = (
    Sensors("two lags, noise 0.4 % of the gas"),
    Sensors("two lags, noise 1.5 % of the gas", noise_ppm=15.0),
    Sensors("5 % of the step comes late", creep=0.05),
    Sensors("15 % of the step comes late", creep=0.15),
    Sensors("15 % comes late, noise 1.5 %", creep=0.15, noise_ppm=15.0),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Averages over many tests of one kind."""

    kind: Sensors
    tests: int
    gas_saved: float
    """Part of the gas of waiting that was not needed."""
    stopped_early: float
    wrong_by_rule: float
    """Share of verdicts that differ from the truth."""
    wrong_by_waiting: float


def compare(kind: Sensors, tests: int, seed: int) -> Outcome:
    """Simulate tests at one reading a second; where the rule never says enough, one waits."""
    rng = np.random.default_rng(seed)
    saved, early, wrong_rule, wrong_wait = 0.0, 0, 0, 0
    for _ in range(tests):
        t, clean, true_verdict, t95 = _test(kind, rng)
        readings = round_to_resolution(clean + rng.normal(0.0, kind.noise_ppm, t.size), kind.resolution_ppm)
        stop, by_rule, by_waiting = _both(t, readings, t95 + _WAIT_MORE_S, kind)
        saved += 1.0 - stop / (t95 + _WAIT_MORE_S)
        early += stop < t95 + _WAIT_MORE_S
        wrong_rule += by_rule != true_verdict
        wrong_wait += by_waiting != true_verdict
    return Outcome(kind, tests, saved / tests, early / tests, wrong_rule / tests, wrong_wait / tests)


def _test(kind: Sensors, rng: np.random.Generator) -> tuple[Floats, Floats, bool, float]:
    """A detector drawn at random: its clean trace, its true verdict, and its true t95."""
    gain = rng.normal(1.0, kind.span_sd)
    t90 = rng.uniform(kind.t90_low_s, kind.t90_high_s)
    path = SensorPath.from_t90(t90, rng.uniform(2.0, 8.0), second=rng.uniform(0.1, 0.6))
    t = np.arange(-_BASELINE_S, 400.0 + 5 * t90)
    rise = step_curve(path, t, room_ppm=0.0, bottle_ppm=1.0)
    if kind.creep:
        late = step_curve(SensorPath(path.dead_time_s, (5 * path.taus_s[0],)), t, room_ppm=0.0, bottle_ppm=1.0)
        rise = (1 - kind.creep) * rise + kind.creep * late
    plateau = gain * GAS_PPM
    clean = ROOM_PPM + (plateau - ROOM_PPM) * rise
    true_t90 = float(np.interp(0.9, rise, t))
    verdict = abs(gain - 1.0) <= TOLERANCE and true_t90 <= T90_LIMIT_S
    return t, clean, verdict, float(np.interp(0.95, rise, t))


def _both(t: Floats, readings: Floats, wait_s: float, kind: Sensors) -> tuple[float, bool, bool]:
    """When the rule stops, its verdict, and that of waiting: plateau from the last 10 s, t90 read on the trace."""
    live = LiveFit(0.0, levels=WANTED.levels, resolution=kind.resolution_ppm)
    waited = t <= wait_s
    plateau = float(np.mean(readings[(t > wait_s - 10.0) & waited]))
    zero = float(np.mean(readings[t <= 0]))
    level = zero + 0.9 * (plateau - zero)
    smooth = np.convolve(readings[waited], np.ones(5) / 5, mode="same")[:-2]
    t90 = float(t[np.argmax((smooth >= level) & (t[: smooth.size] > 0))])
    by_waiting = _verdict(plateau, t90)
    for at, value in zip(t[waited], readings[waited], strict=True):
        now = live.add(float(at), float(value))
        if at > 0 and enough(now, WANTED).enough:
            return float(at), _verdict(now.plateau, now.t90_s), by_waiting
    return wait_s, by_waiting, by_waiting


def _verdict(plateau: float, t90_s: float) -> bool:
    return math.isfinite(t90_s) and abs(plateau / GAS_PPM - 1.0) <= TOLERANCE and t90_s <= T90_LIMIT_S
