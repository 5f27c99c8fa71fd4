"""Operating characteristics of the rule that gas may be shut off, against waiting for t95 and 30 s more."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.enough import Wanted, enough
from gaswitness.response.live import LiveFit
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
    """Part of the step that comes late, through a lag of its own."""
    creep_lag: float = 5.0
    """How many times as slow as the slower of the other two that lag is."""
    noise_ppm: float = 4.0
    resolution_ppm: float = 1.0
    every_s: float = 1.0


KINDS = (
    Sensors("two lags, noise 0.4 % of the gas"),
    Sensors("two lags, noise 1.5 % of the gas", noise_ppm=15.0),
    Sensors("5 % of the step comes late", creep=0.05),
    Sensors("15 % of the step comes late", creep=0.15),
    Sensors("15 % comes late, noise 1.5 %", creep=0.15, noise_ppm=15.0),
    Sensors("15 % comes later still (10 times as slow)", creep=0.15, creep_lag=10.0),
    Sensors("two lags, a reading every 5 s", every_s=5.0),
    Sensors("two lags, display step 2 % of the gas", resolution_ppm=20.0),
)


@dataclass(frozen=True, slots=True)
class Outcome:
    """Averages over many tests of one kind; each test is judged in both ways."""

    kind: Sensors
    tests: int
    gas_saved: float
    """Part of all the gas of waiting that was not needed."""
    u_gas_saved: float
    stopped_early: float
    wrong_by_rule: float
    """Share of verdicts that differ from the truth."""
    wrong_by_waiting: float
    more_wrong: float
    """The rule's share less that of waiting, pair by pair."""
    u_more_wrong: float


def compare(kind: Sensors, tests: int, seed: int) -> Outcome:
    """Simulate tests of one kind; where the rule never says enough, one waits."""
    rng = np.random.default_rng(seed)
    rows = np.zeros((tests, 5))
    for row in rows:
        t, clean, true_verdict, t95 = _test(kind, rng)
        readings = round_to_resolution(clean + rng.normal(0.0, kind.noise_ppm, t.size), kind.resolution_ppm)
        wait_s = t95 + _WAIT_MORE_S
        stop_s, by_rule, by_waiting = _both(t, readings, wait_s, kind)
        row[:] = stop_s, wait_s, stop_s < wait_s, by_rule != true_verdict, by_waiting != true_verdict
    stop, wait, early, wrong_rule, wrong_wait = rows.T
    saved = 1.0 - float(stop.sum() / wait.sum())
    more = wrong_rule - wrong_wait
    return Outcome(
        kind, tests, saved, _error(wait - stop - saved * wait) / float(wait.mean()), float(early.mean()),
        float(wrong_rule.mean()), float(wrong_wait.mean()), float(more.mean()), _error(more),
    )  # fmt: skip


def _error(values: Floats) -> float:
    """Standard error of a mean [unit of the values]."""
    return float(values.std() / math.sqrt(values.size))


def _test(kind: Sensors, rng: np.random.Generator) -> tuple[Floats, Floats, bool, float]:
    """A detector drawn at random: its clean trace, its true verdict, and its true t95."""
    gain = rng.normal(1.0, kind.span_sd)
    t90 = rng.uniform(kind.t90_low_s, kind.t90_high_s)
    path = SensorPath.from_t90(t90, rng.uniform(2.0, 8.0), second=rng.uniform(0.1, 0.6))
    t = np.arange(-_BASELINE_S, 400.0 + 5 * t90, kind.every_s)
    rise = _rise(kind, path, t)
    plateau = gain * GAS_PPM
    clean = ROOM_PPM + (plateau - ROOM_PPM) * rise
    fine = np.arange(0.0, t[-1])
    true_t90, t95 = (float(np.interp(part, _rise(kind, path, fine), fine)) for part in (0.9, 0.95))
    return t, clean, abs(gain - 1.0) <= TOLERANCE and true_t90 <= T90_LIMIT_S, t95


def _rise(kind: Sensors, path: SensorPath, t: Floats) -> Floats:
    """Course of the response, from 0 to 1 [part]."""
    rise = step_curve(path, t, room_ppm=0.0, bottle_ppm=1.0)
    if not kind.creep:
        return rise
    late = SensorPath(path.dead_time_s, (kind.creep_lag * path.taus_s[0],))
    return (1 - kind.creep) * rise + kind.creep * step_curve(late, t, room_ppm=0.0, bottle_ppm=1.0)


def _both(t: Floats, readings: Floats, wait_s: float, kind: Sensors) -> tuple[float, bool, bool]:
    """When the rule stops, its verdict, and that of waiting: plateau from the last 10 s, t90 read on the trace."""
    live = LiveFit(0.0, levels=WANTED.levels, resolution=kind.resolution_ppm)
    waited = t <= wait_s
    plateau = float(np.mean(readings[(t > wait_s - 10.0) & waited]))
    zero = float(np.mean(readings[t <= 0]))
    level = zero + 0.9 * (plateau - zero)
    width = max(1, round(5.0 / kind.every_s))
    smooth = np.convolve(readings[waited], np.ones(width) / width, mode="same")[: int(waited.sum()) - width // 2]
    first = int(np.argmax((smooth >= level) & (t[: smooth.size] > 0)))
    t90 = float(t[first])
    if kind.every_s > 1.0:  # between two readings far apart a person reads the time on the line that joins them
        t90 = float(np.interp(level, smooth[first - 1 : first + 1], t[first - 1 : first + 1]))
    by_waiting = _verdict(plateau, t90)
    for at, value in zip(t[waited], readings[waited], strict=True):
        now = live.add(float(at), float(value))
        if at > 0 and enough(now, WANTED).enough:
            return float(at), _verdict(now.plateau, now.t90_s), by_waiting
    return wait_s, by_waiting, by_waiting


def _verdict(plateau: float, t90_s: float) -> bool:
    return math.isfinite(t90_s) and abs(plateau / GAS_PPM - 1.0) <= TOLERANCE and t90_s <= T90_LIMIT_S
