"""Simulated exposures with a known truth: do the stated intervals hold what they promise?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gaswitness.response.fit import fit_step
from gaswitness.response.model import SensorPath, clip_to_range, round_to_resolution, step_curve

Floats = NDArray[np.float64]

ROOM_PPM, BOTTLE_PPM = 400.0, 1000.0
PATH = SensorPath(6.0, (30.0, 8.0))
TAU_S = 44.0
"""One "time constant" of the cases: dead time and both lags added, the first moment of the response."""


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of recorded exposure."""

    name: str
    end_s: float = 300.0
    every_s: float = 1.0
    gas_off_s: float | None = None
    noise_ppm: float = 5.0
    resolution_ppm: float = 0.0
    top_ppm: float = math.inf
    drift_ppm_s: float = 0.0

    def times(self) -> Floats:
        """Sample times, a minute of clean air first."""
        return np.arange(-60.0, self.end_s + 0.5 * self.every_s, self.every_s)

    def trace(self, rng: np.random.Generator) -> Floats:
        """One recorded exposure."""
        t = self.times()
        clean = step_curve(PATH, t, room_ppm=ROOM_PPM, bottle_ppm=BOTTLE_PPM, gas_off_s=self.gas_off_s)
        noisy = clean + self.drift_ppm_s * t + rng.normal(0.0, self.noise_ppm, t.size)
        return clip_to_range(round_to_resolution(noisy, self.resolution_ppm), -math.inf, self.top_ppm)


CASES = (
    Case("fine sampling, 1 s"),
    Case("coarse sampling, 10 s", every_s=10.0),
    Case("display step of 4 sigma", resolution_ppm=20.0),
    Case("display step of 10 sigma", resolution_ppm=50.0),
    Case("gas off at 1.0 tau, recovery seen", end_s=240.0, gas_off_s=TAU_S),
    Case("gas off at 1.5 tau, recovery seen", end_s=240.0, gas_off_s=1.5 * TAU_S),
    Case("gas off at 3 tau, recovery seen", gas_off_s=3 * TAU_S),
    Case("record ends at 1.0 tau", end_s=TAU_S),
    Case("record ends at 1.5 tau", end_s=1.5 * TAU_S),
    Case("record ends at 3 tau", end_s=3 * TAU_S),
    Case("plateau cut off at 900 of 1000", top_ppm=900.0),
    Case("drifting baseline, 0.1 ppm/s", drift_ppm_s=0.1),
    Case("drifting baseline, recovery seen", gas_off_s=150.0, drift_ppm_s=0.1),
)


@dataclass(frozen=True, slots=True)
class Coverage:
    """What came of one case: shares of 95 % intervals that hold the truth, and how wide they are."""

    case: Case
    traces: int
    plateau: float
    t90: float
    u_plateau: float
    """Median stated standard uncertainty."""
    sd_plateau: float
    """Standard deviation of the fitted values (robust: from the middle 68 %)."""
    u_t90_s: float
    sd_t90_s: float
    unknown: float
    """Share of fits without a usable interval; they count as not covering."""


def cover(case: Case, traces: int, seed: int) -> Coverage:
    """Simulate and fit `traces` exposures of one case."""
    rng = np.random.default_rng(seed)
    t = case.times()
    truth = (BOTTLE_PPM, PATH.time_to_fraction_s(0.9))
    held, found, stated = np.zeros((traces, 2), dtype=np.bool_), np.zeros((traces, 2)), np.zeros((traces, 2))
    for k in range(traces):
        fit = fit_step(t, case.trace(rng), 0.0, case.gas_off_s, resolution=case.resolution_ppm, range_high=case.top_ppm)
        for j, name in enumerate(("plateau", "t90_s")):
            low, high = fit.interval(name)  # type: ignore[arg-type]
            held[k, j] = low <= truth[j] <= high
            found[k, j], stated[k, j] = getattr(fit, name), getattr(fit, f"u_{name}")
    spread = 0.5 * (np.quantile(found, 0.8413, axis=0) - np.quantile(found, 0.1587, axis=0))
    u = np.nanmedian(stated, axis=0)
    share = held.mean(axis=0)
    unknown = float(np.mean(~np.isfinite(stated).all(axis=1)))
    return Coverage(
        case,
        traces,
        float(share[0]),
        float(share[1]),
        float(u[0]),
        float(spread[0]),
        float(u[1]),
        float(spread[1]),
        unknown,
    )
