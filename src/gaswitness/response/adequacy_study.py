"""How often the test of residuals cries without cause, and how often it sees that a model does not hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.fit import fit_step
from gaswitness.response.model import SensorPath, round_to_resolution, step_curve
from gaswitness.response.study import BOTTLE_PPM, PATH, ROOM_PPM

Floats = NDArray[np.float64]

_T = np.arange(-60.0, 300.0)


def _clean(path: SensorPath = PATH) -> Floats:
    return step_curve(path, _T, room_ppm=ROOM_PPM, bottle_ppm=BOTTLE_PPM)


def _late(part: float, lag_s: float) -> Floats:
    return (1 - part) * _clean() + part * _clean(SensorPath(PATH.dead_time_s, (lag_s,)))


def _averaged(seconds: int) -> Floats:
    return np.convolve(np.concatenate([np.full(seconds - 1, ROOM_PPM), _clean()]), np.ones(seconds) / seconds, "valid")


@dataclass(frozen=True, slots=True)
class Truth:
    """What the detector really does, and the order of the model it is given."""

    name: str
    course: Callable[[], Floats]
    order: int = 2
    wandering: float = 0.0
    """Correlation of the noise from one reading to the next, before gas and after."""


@dataclass(frozen=True, slots=True)
class Display:
    """What the readings go through."""

    name: str
    noise_ppm: float
    resolution_ppm: float


HOLDS = (
    Truth("two lags, as the model has it", _clean),
    Truth("the same, noise correlated by 0.6", _clean, wandering=0.6),
    Truth("one lag, fitted with one", lambda: _clean(SensorPath(6.0, (30.0,))), order=1),
)
FAILS = (
    Truth("two lags, fitted with one", _clean, order=1),
    Truth("15 % comes late (150 s)", lambda: _late(0.15, 150.0)),
    Truth("15 % comes late (300 s)", lambda: _late(0.15, 300.0)),
    Truth("5 % comes late (150 s)", lambda: _late(0.05, 150.0)),
    Truth("a mean of 30 s that nobody told", lambda: _averaged(30)),
)
DISPLAYS = (
    Display("noise 5, no step", 5.0, 0.0),
    Display("noise 5, step 5", 5.0, 5.0),
    Display("noise 5, step 20", 5.0, 20.0),
    Display("noise 5, step 50", 5.0, 50.0),
    Display("noise 1, step 20", 1.0, 20.0),
)


@dataclass(frozen=True, slots=True)
class Told:
    """Shares of traces flagged."""

    inadequate: float
    unproven: float


def tell(truth: Truth, display: Display, traces: int, seed: int) -> Told:
    """Simulate and fit `traces` exposures of one kind behind one display."""
    rng = np.random.default_rng(seed)
    clean, inadequate, unproven = truth.course(), 0, 0
    for _ in range(traces):
        noise = rng.normal(0.0, display.noise_ppm, _T.size)
        if truth.wandering:
            noise *= np.sqrt(1.0 - truth.wandering**2)
            for k in range(1, noise.size):
                noise[k] += truth.wandering * noise[k - 1]
        reading = round_to_resolution(clean + noise, display.resolution_ppm)
        flags = fit_step(_T, reading, 0.0, order=truth.order, resolution=display.resolution_ppm, drift=False).flags
        inadequate += "model-inadequate" in flags
        unproven += "model-unproven" in flags
    return Told(inadequate / traces, unproven / traces)
