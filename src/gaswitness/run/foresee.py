"""What the running test says by itself: the fit renewed with every reading while gas flows, for the screen only."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from gaswitness.plan.records import Plan
from gaswitness.response.enough import Enough, Wanted, enough
from gaswitness.response.live import LiveEstimate, LiveFit
from gaswitness.response.settle import unsettled_u
from gaswitness.run.steady import Sample
from gaswitness.site.records import Detector

BASELINE_S = 30.0
"""Readings before gas on that the fit is given."""
GUARDED_K = 2.0
"""Coverage factor that the figures must clear their limits by where the criteria are judged with a guard band."""


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
    shown: Enough | None = None
    """Whether plateau, t90 and set points are shown by now; none where the plan has no limits for them."""


@dataclass(slots=True)
class _Going:
    fit: LiveFit
    wanted: Wanted | None
    u_gas_ppm: float
    """Standard uncertainty of what the bottle should bring."""
    last: LiveEstimate | None = None
    seen_ppm: float = math.nan


class Foresight:
    """One live fit for each detector under gas; gives nothing rather than a guess."""

    def __init__(self, plan: Plan, poll_s: float) -> None:
        self._plan, self._site = plan, plan.site
        self._poll_s = poll_s
        self._going: dict[str, _Going] = {}

    def gas_on(self, tag: str, t_s: float, before: Iterable[Sample]) -> None:
        """Gas was turned on at a detector; `before` are its readings until then."""
        detector = self._site.detector(tag)
        levels = [point.set_ppm for point in detector.alarms]
        fit = LiveFit(t_s, levels=levels, resolution=detector.resolution_ppm)
        self._going[tag] = _Going(fit, _wanted(self._plan, tag, levels), _u_gas_ppm(self._plan, tag))
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
            going.last, going.seen_ppm = going.fit.add(t_s, value_ppm), value_ppm
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
        sets_s = self._sets(detector, now, going.fit)
        return Outlook(now.plateau, now.u_plateau, now.t90_s, now.u_t90_s, sets_s, _shown(going, now))

    def _sets(self, detector: Detector, now: LiveEstimate, fit: LiveFit) -> dict[str, tuple[float, float]]:
        late_s = self._site.panel.scan_s + self._poll_s
        times = {}
        for point, level in zip(detector.alarms, now.levels, strict=True):
            delayed_s = fit.gas_on_s + point.on_delay_s
            times[point.name] = (delayed_s + level.earliest_s, delayed_s + late_s + level.latest_s)
        return times


def _shown(going: _Going, now: LiveEstimate) -> Enough | None:
    """The rule for shutting gas off, with what the judge adds to the plateau: the bottle, and the way still to go."""
    if going.wanted is None:
        return None
    u_ppm = math.hypot(unsettled_u(now.u_plateau, now.plateau, going.seen_ppm), going.u_gas_ppm)
    return enough(replace(now, u_plateau=u_ppm), going.wanted)


def _wanted(plan: Plan, tag: str, levels: list[float]) -> Wanted | None:
    limits = {one.kind: one for one in plan.criteria if one.tag == tag and not one.optional}
    span, t90 = limits.get("span"), limits.get("t90")
    if span is None or t90 is None or span.lower is None or span.upper is None or t90.upper is None:
        return None
    wanted = Wanted(span.lower, span.upper, t90.upper, levels=tuple(levels))
    return wanted if span.rule == "simple" else replace(wanted, k=GUARDED_K)


def _u_gas_ppm(plan: Plan, tag: str) -> float:
    planned = next((one for one in plan.detectors if one.tag == tag), None)
    if planned is None:
        return 0.0
    cylinder = plan.site.cylinder(planned.cylinder)
    return cylinder.u_ppm / cylinder.level_ppm * planned.bottle_ppm


def warm_up() -> None:
    """Have the kernels of the fit compiled before a run, not at its first reading under gas."""
    fit = LiveFit(10.0, levels=(500.0,), resolution=1.0)
    for second in range(60):
        fit.add(float(second), round(1000.0 * -math.expm1(-max(0.0, second - 12.0) / 15.0)))
