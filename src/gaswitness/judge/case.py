"""What one trial of one detector shows, measured once and used by every criterion that needs it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from gaswitness.errors import InputError
from gaswitness.evidence.series import Edge, Series, Trace
from gaswitness.evidence.timeline import Instant
from gaswitness.evidence.trials import Span, Trial
from gaswitness.plan.records import DetectorPlan
from gaswitness.response.fit import fit_step
from gaswitness.response.quality import noise_sd, spikes
from gaswitness.response.read import ReadTimes, read_times
from gaswitness.response.result import StepFit
from gaswitness.response.settle import Settled, settled
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector
from gaswitness.wording import level

LEAST_READINGS = 3
"""Fewer than this say nothing about a level."""
WIDEST_GAP_S = 12.0
"""Two readings further apart than this say nothing of the level between them."""
TYPED_FEW = 20
"""With fewer typed readings the last one before gas off is the settled one: whoever typed it saw it stand."""
LEAST_FOR_CURVE = 5
"""Fewer readings than this around an edge carry no parabola."""
BASELINE_S = 60.0
"""Readings so long before gas belong to the baseline of a fit, where no zero step was gone through."""
EDGE_WINDOW_S = 3.2
"""A parabola through the readings this close to an edge, on either side, gives level and slope there; more where polls
are far apart. Any wider, and the bend where the answer to gas begins would pull it off the early edges."""
FAULT_SLACK_S = 2.0
"""A fault may be seen so long after the signal was closed again: poll and scan are late."""
RECOVERY_S = 900.0
"""No recovery is looked at for longer."""


@dataclass(frozen=True, slots=True)
class Level:
    """A level of the reading with the parts of its uncertainty, all in ppm."""

    value: float
    u_noise: float
    n: int


@dataclass(frozen=True, slots=True)
class Passing:
    """The reading at a moment at which it was on the move."""

    level_ppm: float
    slope_ppm_s: float
    u_fit_ppm: float


@dataclass(frozen=True)
class Case:
    """One detector with one of its trials, or with none where gas never flowed on it."""

    series: Series
    detector: Detector
    part: DetectorPlan
    cylinder: Cylinder
    trial: Trial | None

    @property
    def tag(self) -> str:
        """Tag of the detector."""
        return self.detector.tag

    def words(self, value_ppm: float) -> str:
        """A level as this detector shows it."""
        return level(self.detector, value_ppm)

    @property
    def window(self) -> tuple[float, float]:
        """From the reading before gas until the trial is over."""
        return (self.trial.from_s, self.trial.until_s) if self.trial else (0.0, self.series.end_s)

    @property
    def gas_end_s(self) -> float:
        """When gas was shut, or the record of it ends."""
        if self.trial is None:
            return 0.0
        return self.trial.gas_off.t_s if self.trial.gas_off else self.trial.until_s

    @cached_property
    def trace(self) -> Trace | None:
        """Usable readings from some time before gas until the trial is over; held to the top of the range."""
        whole = self.series.traces.get(self.tag)
        if whole is None or self.trial is None:
            return None
        from_s = min(self.trial.from_s, self.trial.gas_on.t_s - BASELINE_S)
        part = whole.between(from_s, self.trial.until_s)
        over = np.array([word == "over" for word in part.quality], dtype=np.bool_)
        part = part.only(part.good | (over & np.isfinite(part.value_ppm)))
        return replace(part, value_ppm=np.minimum(part.value_ppm, self.detector.range_high_ppm))

    @cached_property
    def raw(self) -> Trace | None:
        """All readings of the trial, usable or not."""
        whole = self.series.traces.get(self.tag)
        if whole is None or self.trial is None:
            return None
        return whole.between(self.trial.from_s, self.trial.until_s)

    @cached_property
    def under_gas(self) -> Trace | None:
        """Usable readings while gas flowed."""
        if self.trace is None or self.trial is None:
            return None
        return self.trace.between(self.trial.gas_on.t_s, self.gas_end_s)

    @cached_property
    def outage(self) -> tuple[Span, ...]:
        """Times within the trial's gas for which nothing arrived."""
        if self.trial is None:
            return ()
        return self.series.broken(self.trial.gas_on.t_s, self.gas_end_s)

    @cached_property
    def noise_ppm(self) -> float:
        """Standard deviation of a reading: seen before gas, never below what the display's step hides."""
        seen = math.nan
        if self.trace is not None and self.trial is not None:
            before = self.trace.between(-math.inf, self.trial.gas_on.t_s).value_ppm
            seen = noise_sd(before) if before.size >= 8 else math.nan
        return seen if math.isfinite(seen) else self.detector.noise_ppm

    @property
    def u_resolution_ppm(self) -> float:
        """A display that shows steps hides this much (uniform)."""
        return self.detector.resolution_ppm / math.sqrt(12.0)

    @cached_property
    def zero(self) -> Level | None:
        """Mean reading before gas, in the window of the zero step; spikes left out."""
        if self.trace is None or self.trial is None or self.trial.zero is None:
            return None
        part = self.trace.between(self.trial.zero.from_s, self.trial.zero.until_s)
        if typed(part) and part.value_ppm.size < LEAST_READINGS:
            return Level(float(part.value_ppm.mean()), self.noise_ppm, int(part.value_ppm.size))
        return mean_level(part, self.detector)

    @property
    def start_ppm(self) -> float:
        """Where the reading began: as seen, else the middle of the room's usual background."""
        return self.zero.value if self.zero else sum(self.part.background_ppm) / 2

    @property
    def step_ppm(self) -> float:
        """Change that the bottle should bring."""
        return self.part.bottle_ppm - sum(self.part.background_ppm) / 2

    @cached_property
    def rest(self) -> Settled | None:
        """The stated test for a settled reading, over the last quarter of the gas."""
        gas = self.under_gas
        if gas is None or self.trial is None:
            return None
        if typed(gas) and gas.value_ppm.size < TYPED_FEW:
            return Settled(True, float(gas.value_ppm[-1]), self.noise_ppm, 0.0, 0.0, 1)
        if gas.value_ppm.size < LEAST_READINGS:
            return None
        return settled(
            gas.t_s,
            gas.value_ppm,
            self.start_ppm,
            self.trial.gas_on.t_s,
            self.gas_end_s,
            resolution=self.detector.resolution_ppm,
        )

    @cached_property
    def fit(self) -> StepFit | None:
        """The fitted rise, with the readings before it."""
        if self.trace is None or self.trial is None or self.under_gas is None:
            return None
        part = self.trace.between(-math.inf, self.gas_end_s)
        return _fit(part, self.trial.gas_on.t_s, self.detector)

    @cached_property
    def recovery(self) -> StepFit | None:
        """The fitted fall after gas off, as a step of its own."""
        if self.trace is None or self.trial is None or self.trial.gas_off is None:
            return None
        off_s = self.trial.gas_off.t_s
        return _fit(self.trace.between(off_s - 20.0, min(self.trial.until_s, off_s + RECOVERY_S)), off_s, self.detector)

    @cached_property
    def read(self) -> ReadTimes | None:
        """Times read off the rise itself, without a model."""
        if self.trace is None or self.trial is None or self.fit is None:
            return None
        part = self.trace.between(-math.inf, self.gas_end_s)
        return read_times(part.t_s, part.value_ppm, self.trial.gas_on.t_s, resolution=self.detector.resolution_ppm)

    @cached_property
    def moved_ppm(self) -> float | None:
        """Largest change of the reading under gas in the direction that the bottle should bring."""
        gas = self.under_gas
        if gas is None or gas.value_ppm.size < LEAST_READINGS:
            return None
        smooth = np.convolve(gas.value_ppm, np.ones(3) / 3, mode="valid")
        change = smooth - self.start_ppm
        return float(np.max(change) if self.step_ppm > 0 else -np.min(change))

    def passing(self, t_s: float) -> Passing | None:
        """Level and slope of the reading at a moment, by a curve through what lies close to it.

        Where polls were missed, by the straight line between the two readings on either side.
        """
        if self.trace is None or self.trace.t_s.size < LEAST_READINGS:
            return None
        whole = self.trace
        after = int(np.searchsorted(whole.t_s, t_s, side="right"))
        if after in (0, whole.t_s.size):
            return None
        half_s = max(EDGE_WINDOW_S, 2.2 * float(np.median(np.diff(whole.t_s))))
        near = whole.between(t_s - half_s, t_s + half_s)
        n = near.value_ppm.size
        if n < LEAST_FOR_CURVE:
            (t0, t1), (v0, v1) = whole.t_s[after - 1 : after + 1], whole.value_ppm[after - 1 : after + 1]
            if t1 - t0 > WIDEST_GAP_S:
                return None
            slope = float((v1 - v0) / (t1 - t0))
            return Passing(float(v0) + slope * (t_s - float(t0)), slope, self.noise_ppm)
        centred = near.t_s - t_s
        design = np.stack([np.ones(n), centred, centred**2], axis=1)
        coefficients, *_ = np.linalg.lstsq(design, near.value_ppm, rcond=None)
        rest = near.value_ppm - design @ coefficients
        sd = math.sqrt(float(rest @ rest) / (n - 3))
        inverse = np.linalg.pinv(design.T @ design)
        return Passing(float(coefficients[0]), float(coefficients[1]), sd * math.sqrt(float(inverse[0, 0])))

    def set_edge(self, point: AlarmPointSpec | str) -> Edge | None:
        """When the point first went on after gas on."""
        if self.trial is None:
            return None
        name = point if isinstance(point, str) else point.name
        return first(
            self.series, f"{self.tag}.{name}", True, self.trial.gas_on.t_s - 1.0, self.trial.until_s, prefer="panel"
        )

    def clear_edge(self, point: AlarmPointSpec) -> Edge | None:
        """When the point went off after gas off, for good: the last of it, should it have chattered."""
        if self.trial is None or self.trial.gas_off is None:
            return None
        return first(
            self.series,
            f"{self.tag}.{point.name}",
            False,
            self.trial.gas_off.t_s - 1.0,
            self.trial.until_s,
            prefer="panel",
        )

    def pressed(self, action: str, *, tag: str | None = None) -> Instant | None:
        """First time within the trial that somebody did this."""
        from_s, until_s = self.window
        for press in self.series.presses:
            if press.action == action and from_s <= press.t_s <= until_s and tag in (None, press.tag):
                return Instant(press.t_s, press.u_s)
        return None

    @property
    def fault_window(self) -> tuple[Instant, float] | None:
        """When this detector's signal was opened, and until when it may still be seen."""
        press = self.pressed("fault-made", tag=self.tag)
        if press is None:
            return None
        undone = [p.t_s for p in self.series.presses if (p.action, p.tag) == ("fault-undone", self.tag)]
        return press, min((t_s for t_s in undone if t_s >= press.t_s), default=self.series.end_s) + FAULT_SLACK_S


def case_of(series: Series, tag: str, trial: Trial | None) -> Case:
    """The case of one detector with one of its trials."""
    part, site = part_of(series, tag, trial.group if trial else None), series.plan.site
    cylinder = site.cylinder(trial.cylinder if trial and trial.cylinder else part.cylinder)
    return Case(series, site.detector(tag), part, cylinder, trial)


def part_of(series: Series, tag: str, group: str | None) -> DetectorPlan:
    """What the plan expects of a detector: in its own test, else in the trial of its group; raises KeyError."""
    voting = [(one.tag, part) for one in series.plan.groups for part in one.parts if part.tag == tag]
    own = [part for part in series.plan.detectors if part.tag == tag]
    for_group = [part for name, part in voting if name == group]
    found = [*(for_group if group else own), *own, *(part for _, part in voting)]
    if not found:
        raise KeyError(tag)
    return found[0]


def first(series: Series, signal: str, on: bool, from_s: float, until_s: float, *, prefer: str) -> Edge | None:
    """First edge of a signal within a time, by the preferred observer where that one saw any."""
    edges = series.edges_of(signal, on, from_s, until_s)
    preferred = [edge for edge in edges if edge.seen_by == prefer]
    return next(iter(preferred or edges), None)


def typed(trace: Trace) -> bool:
    """Readings that a person took off a display: few, and each of them looked at until it stood."""
    return bool(trace.quality) and all(word == "by-hand" for word in trace.quality)


def mean_level(trace: Trace, detector: Detector) -> Level | None:
    """Mean of some readings, spikes left out; u is that of the mean with the readings' own scatter and drift."""
    values = trace.value_ppm[~spikes(trace.value_ppm, detector.resolution_ppm)]
    n = int(values.size)
    if n < LEAST_READINGS:
        return None
    mean = float(values.mean())
    sd = float(values.std(ddof=1))
    centred = values - mean
    below = float(centred @ centred)
    phi = min(max(float(centred[1:] @ centred[:-1]) / below, 0.0), 0.95) if below > 0 else 0.0
    return Level(mean, sd / math.sqrt(n) * math.sqrt((1 + phi) / (1 - phi)), n)


def _fit(trace: Trace, at_s: float, detector: Detector) -> StepFit | None:
    try:
        return fit_step(
            trace.t_s,
            trace.value_ppm,
            at_s,
            order=2,
            resolution=detector.resolution_ppm,
            range_low=detector.range_low_ppm,
            range_high=detector.range_high_ppm,
        )
    except InputError:
        return None
