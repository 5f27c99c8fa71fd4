"""What the running test says by itself: the fit renewed with every reading while gas flows, for the screen only."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from gaswitness.plan.records import Plan
from gaswitness.response.live import LiveEstimate, LiveFit
from gaswitness.run.steady import Sample
from gaswitness.site.records import Detector

BASELINE_S = 30.0
"""Readings before gas on that the fit is given."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """The test so far, carried on: plateau and t90 with their standard uncertainties, and when each point will set.

    `sets_s` holds earliest and latest instant per point on the run's clock, on-delay and scan included.
    """

    plateau_ppm: float
    u_plateau_ppm: float
    t90_s: float
    u_t90_s: float
    sets_s: dict[str, tuple[float, float]]


@dataclass(slots=True)
class _Going:
    fit: LiveFit
    last: LiveEstimate | None = None


class Foresight:
    """One live fit for each detector under gas; gives nothing rather than a guess."""

    def __init__(self, plan: Plan, poll_s: float) -> None:
        self._site = plan.site
        self._poll_s = poll_s
        self._going: dict[str, _Going] = {}

    def gas_on(self, tag: str, t_s: float, before: Iterable[Sample]) -> None:
        """Gas was turned on at a detector; `before` are its readings until then."""
        detector = self._site.detector(tag)
        levels = [point.set_ppm for point in detector.alarms]
        self._going[tag] = _Going(LiveFit(t_s, levels=levels, resolution=detector.resolution_ppm))
        for sample in before:
            if sample[0] >= t_s - BASELINE_S:
                self.reading(tag, *sample)

    def gas_off(self, tag: str) -> None:
        """Gas was turned off at a detector: what there was to foresee of it is over."""
        self._going.pop(tag, None)

    def reading(self, tag: str, t_s: float, value_ppm: float) -> None:
        """One more reading; those of detectors without gas are not looked at."""
        going = self._going.get(tag)
        if going is None:
            return
        try:
            going.last = going.fit.add(t_s, value_ppm)
        except Exception:  # whatever a fit trips over, the run does not need it
            self.gas_off(tag)

    def outlook(self, tag: str) -> Outlook | None:
        """What is foreseen for a detector under gas; none while it cannot be told."""
        going = self._going.get(tag)
        if going is None or going.last is None:
            return None
        now = going.last
        if not all(map(math.isfinite, (now.plateau, now.u_plateau, now.t90_s, now.u_t90_s))):
            return None
        detector = self._site.detector(tag)
        return Outlook(now.plateau, now.u_plateau, now.t90_s, now.u_t90_s, self._sets(detector, now, going.fit))

    def _sets(self, detector: Detector, now: LiveEstimate, fit: LiveFit) -> dict[str, tuple[float, float]]:
        late_s = self._site.panel.scan_s + self._poll_s
        times = {}
        for point, level in zip(detector.alarms, now.levels, strict=True):
            delayed_s = fit.gas_on_s + point.on_delay_s
            times[point.name] = (delayed_s + level.earliest_s, delayed_s + late_s + level.latest_s)
        return times


def warm_up() -> None:
    """Have the kernels of the fit compiled before a run, not at its first reading under gas."""
    fit = LiveFit(10.0, levels=(500.0,), resolution=1.0)
    for second in range(60):
        fit.add(float(second), round(1000.0 * -math.expm1(-max(0.0, second - 12.0) / 15.0)))
