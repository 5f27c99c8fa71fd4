"""How a reading should rise and fall under gas, and when each alarm should set and clear, with 95 % intervals.

The forward model of the response room is run many times with everything that is not known drawn from its stated
spread (seeded Latin hypercube); the interval is the 2.5 % to 97.5 % quantile of what comes out. The spreads are
assumptions of this planner and are printed with every plan.

Gas on starts from the room's real air, anywhere within the stated background. The cap's flush belongs to the rise
only: at gas off the cap is taken away. The dead time under the cap is partly tube and cap, so that after gas off
anything from none of it to all of it may be seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaswitness.plan.lines import poll_s
from gaswitness.plan.records import Curve, PointForecast
from gaswitness.response import SensorPath, air_factor, step_curve
from gaswitness.sentence import figure, said
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import amount

Floats = NDArray[np.float64]

SEED = 20_260
DRAWS = 400
LEVEL = (0.025, 0.975)
"""Quantiles of the stated intervals."""
SETTLED_GAP = 0.02
"""The plateau counts as reached when this part of the change is left."""
RECOVERED_GAP = 0.05
"""The room's air counts as reached again when this part of the change is left."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Assumed standard uncertainties of what a site file does not state."""

    t90: float = 0.15
    """Of the lag, relative."""
    dead_time: float = 0.3
    """Of the dead time, relative."""
    cap_flush: tuple[float, float] = (0.0, 1.3)
    """Of cap volume / flow: stated times may hold all of the flush already, or none of it; anything between alike."""
    open_air: tuple[float, float] = (0.8, 1.0)
    """Of the lag once the cap is away: stated under the cap, it may be shorter in the room's moving air."""
    background: float = 0.05
    """Of the ends of the stated background, relative; none for oxygen, whose background is air itself."""
    gain: float = 0.02
    """Of a well adjusted detector, relative."""
    zero_of_range: float = 0.005
    """Of a well adjusted detector, as a part of its range."""
    hand_s: float = 1.0
    """Of the instant at which gas is really on or off, against the instant noted."""

    def sentences(self) -> tuple[str, ...]:
        """The assumptions in words, for the plan and the sheet."""
        return (
            said(
                "Response time known to {t90} and dead time to {dead_time} (standard uncertainty, "
                "assumed); the cap's flush counts between {least} and {most} times.",
                t90=_percent(self.t90),
                dead_time=_percent(self.dead_time),
                least=figure(self.cap_flush[0], "g"),
                most=figure(self.cap_flush[1], "g"),
            ),
            said(
                "A well adjusted detector is within {gain} in gain and {zero_of_range} of range in zero "
                "(standard uncertainty, assumed).",
                gain=_percent(self.gain),
                zero_of_range=_percent(self.zero_of_range),
            ),
            said(
                "The reading starts from the room's own air, anywhere within the background that the "
                "site states, whose ends are known to {background} (standard uncertainty, assumed).",
                background=_percent(self.background),
            ),
            said(
                "Gas is on and off within {hand} s of the instants noted (standard uncertainty, assumed).",
                hand=figure(self.hand_s, "g"),
            ),
            said(
                "The cap is taken away as soon as the bottle is shut: up to the whole dead time may pass "
                "before the fall, and the lag is between {least} and {most} of the lag under the "
                "cap.",
                least=figure(self.open_air[0], "g"),
                most=figure(self.open_air[1], "g"),
            ),
        )


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is expected of one detector on one bottle; all times in seconds."""

    curve: Curve
    points: tuple[PointForecast, ...]
    set_s: tuple[float, ...]
    """Nominal times from gas on, one a point."""
    clear_s: tuple[float, ...]
    """Nominal times from gas off until the clear level is passed and the off-delay is over, latching or not."""
    clear_late_s: tuple[float, ...]
    """Upper ends of the same."""
    settle_s: tuple[float, float]
    """From gas on until 2 % of the change is left: nominal, upper end."""
    recover_s: tuple[float, float]
    """From gas off until 5 % of the change is left: nominal, upper end."""

    @property
    def gas_s(self) -> float:
        """How long gas is planned to flow: until even a slow one of its kind has settled."""
        return self.curve.gas_off_s


def _percent(share: float) -> str:
    return amount(figure(share * 100, "g"), "%")


def cap_tau_s(detector: Detector, cylinder: Cylinder) -> float:
    """Time constant of the cap's flush: volume / flow [s].

    >>> from types import SimpleNamespace
    >>> round(cap_tau_s(SimpleNamespace(cap_volume_m3=5e-5), SimpleNamespace(flow_m3_s=0.5e-3 / 60)), 3)  # 50 mL
    6.0
    """
    return detector.cap_volume_m3 / cylinder.flow_m3_s


def air_shows(site: Site, detector: Detector) -> float:
    """What this detector shows in the site's usual air, as a part of the true volume fraction.

    A detector that does not correct for pressure counts molecules, and was adjusted at sea level and 20 degC.
    """
    if detector.corrects_pressure:
        return 1.0
    return air_factor(site.conditions.pressure_pa, site.conditions.temperature_k)


def shown_on(site: Site, detector: Detector, cylinder: Cylinder) -> float:
    """What a well adjusted detector shows on this bottle, in the site's usual air [ppm]."""
    return cylinder.shown_ppm * air_shows(site, detector)


def room_reads(site: Site, detector: Detector) -> tuple[float, float]:
    """What a well adjusted detector shows in the room's usual air, lowest and highest [ppm]."""
    low_ppm, high_ppm = site.background_ppm(detector)
    shows = air_shows(site, detector)
    return low_ppm * shows, high_ppm * shows


def sensor_path(site: Site, detector: Detector, cylinder: Cylinder) -> SensorPath:
    """The nominal way of gas from this bottle to this detector's reading."""
    return SensorPath.from_t90(
        detector.t90_s,
        detector.dead_time_s,
        cap_tau_s=cap_tau_s(detector, cylinder),
        purge_tau_s=0.0,
        gain=air_shows(site, detector),
    )


def forecast(
    site: Site,
    detector: Detector,
    cylinder: Cylinder,
    points: Sequence[AlarmPointSpec],
    *,
    spread: Spread | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Forecast:
    """Predict the curve and every edge.

    A set that may never come has an infinite upper end. A clear that may never come ends with the time looked at,
    14 time constants: the air of the day is not known well enough to say more.
    """
    path = sensor_path(site, detector, cylinder)
    low_ppm, high_ppm = site.background_ppm(detector)
    room_ppm = (low_ppm + high_ppm) / 2
    # the nominal day stands first in every array, the drawn ones after it
    days = [
        _Day(path, path, room_ppm, room_ppm, cylinder.shown_ppm, scan_s=site.panel.scan_s / 2),
        *_draw(path, site, detector, cylinder, spread or Spread(), draws, seed),
    ]
    grid_s = _grid(path)
    rises = np.array([day.rise(grid_s) for day in days])
    before, on_gas, after = (np.array([day.rest(k) for day in days]) for k in ("before", "gas", "after"))
    settle_s = _typical_and_late(_passes_s(grid_s, _share(rises, before, on_gas), 1.0 - SETTLED_GAP, True))
    gas_off_s = float(math.ceil(settle_s[1]))

    curve_s = _curve_times(path, gas_off_s)
    wholes = np.array([day.whole(np.concatenate([gas_off_s + grid_s, curve_s]), gas_off_s) for day in days])
    falls, curves = wholes[:, : grid_s.size], wholes[:, grid_s.size :]
    recover_s = _typical_and_late(_passes_s(grid_s, _share(falls, on_gas, after), 1.0 - RECOVERED_GAP, True))

    scan_s, noise_set_ppm, noise_clear_ppm = (
        np.array([getattr(day, name) for day in days]) for name in ("scan_s", "noise_set_ppm", "noise_clear_ppm")
    )
    forecasts: list[PointForecast] = []
    sets: list[Floats] = []
    clears: list[Floats] = []
    for point in points:
        rising = point.direction == "rising"
        clear_ppm = point.clear_ppm(detector.range_ppm)
        sets.append(_passes_s(grid_s, rises, point.set_ppm - noise_set_ppm, rising) + scan_s + point.on_delay_s)
        back_s = np.minimum(grid_s[-1], _passes_s(grid_s, falls, clear_ppm - noise_clear_ppm, not rising))
        clears.append(back_s + scan_s + point.off_delay_s)
        forecasts.append(
            PointForecast.model_construct(
                point=point.name,
                set_s=_interval(sets[-1]),
                clear_s=None if point.latching else _interval(clears[-1]),
            )
        )
    return Forecast(
        curve=_curve(curve_s, curves[1:], gas_off_s),
        points=tuple(forecasts),
        set_s=tuple(float(times[0]) for times in sets),
        clear_s=tuple(float(times[0]) for times in clears),
        clear_late_s=tuple(_interval(times)[1] for times in clears),
        settle_s=settle_s,
        recover_s=recover_s,
    )


@dataclass(frozen=True, slots=True)
class _Day:
    """One possible detector on one possible day."""

    on: SensorPath
    off: SensorPath
    room_ppm: float
    after_ppm: float
    bottle_ppm: float
    noise_set_ppm: float = 0.0
    noise_clear_ppm: float = 0.0
    scan_s: float = 0.0
    """From the reading to the alarm as it is seen: scan of the panel, place between two polls."""
    late_s: float = 0.0
    """Gas is really on, or off, this much after the noted instant (before it, if negative)."""

    def rest(self, when: Literal["before", "gas", "after"]) -> float:
        """Reading in the long run."""
        level_ppm = {"before": self.room_ppm, "gas": self.bottle_ppm, "after": self.after_ppm}[when]
        return self.on.zero_ppm + self.on.gain * level_ppm

    def rise(self, t_s: Floats) -> Floats:
        return step_curve(self.on, t_s, gas_on_s=self.late_s, room_ppm=self.room_ppm, bottle_ppm=self.bottle_ppm)

    def whole(self, t_s: Floats, gas_off_s: float) -> Floats:
        # the same rise, seen through the dead time of the fall: gas on is moved by the difference
        gas_on_s = self.late_s + self.on.dead_time_s - self.off.dead_time_s
        return step_curve(
            self.off,
            t_s,
            gas_on_s=gas_on_s,
            gas_off_s=gas_off_s + self.late_s,
            room_ppm=self.room_ppm,
            bottle_ppm=self.bottle_ppm,
            room_after_ppm=self.after_ppm,
        )


def _draw(
    path: SensorPath, site: Site, detector: Detector, cylinder: Cylinder, spread: Spread, draws: int, seed: int
) -> list[_Day]:
    p = _hypercube(draws, 18, seed)
    from scipy.special import ndtri  # scipy is slow to import, and most commands never forecast

    z: Floats = ndtri(p)
    low_ppm, high_ppm = site.background_ppm(detector)
    shift = 1.0 + (0.0 if detector.gas == "O2" else spread.background) * z[:, 13]
    room_ppm = np.maximum(0.0, (low_ppm + (high_ppm - low_ppm) * p[:, 0]) * shift)
    after_ppm = np.maximum(0.0, (low_ppm + (high_ppm - low_ppm) * p[:, 1]) * shift)
    lag = np.exp(spread.t90 * z[:, 2])
    dead_s = path.dead_time_s * np.maximum(0.0, 1.0 + spread.dead_time * z[:, 3])
    flush_s = path.cap_tau_s * (spread.cap_flush[0] + (spread.cap_flush[1] - spread.cap_flush[0]) * p[:, 4])
    bottle_ppm = cylinder.shown_ppm + cylinder.u_ppm * cylinder.surrogate_factor * z[:, 5]
    gain = path.gain * (1.0 + spread.gain * z[:, 6])
    rounding_ppm = detector.resolution_ppm * (p[:, 12] - 0.5)
    zero_ppm = spread.zero_of_range * detector.range_ppm * z[:, 7]
    if detector.gas == "O2":
        # adjusted in clean air, not at zero: there gain and zero errors cancel
        zero_ppm = zero_ppm - (gain - path.gain) * (low_ppm + high_ppm) / 2
    noise_ppm = detector.noise_ppm * z[:, 8:10]
    between_polls_s = poll_s(site, f"{detector.tag}.reading")
    scan_s = site.panel.scan_s * p[:, 10] + between_polls_s * (p[:, 16] - 0.5)
    late_s = spread.hand_s * z[:, 17]
    out: list[_Day] = []
    for i in range(draws):
        on = replace(
            path,
            dead_time_s=float(dead_s[i]),
            taus_s=tuple(tau * float(lag[i]) for tau in path.taus_s),
            cap_tau_s=float(flush_s[i]),
            purge_tau_s=float(flush_s[i] * p[i, 14]),
            gain=float(gain[i]),
            zero_ppm=float(zero_ppm[i] + rounding_ppm[i]),
        )
        faster = spread.open_air[0] + (spread.open_air[1] - spread.open_air[0]) * float(p[i, 15])
        off = replace(on, dead_time_s=float(dead_s[i] * p[i, 11]), taus_s=tuple(tau * faster for tau in on.taus_s))
        out.append(
            _Day(
                on,
                off,
                float(room_ppm[i]),
                float(after_ppm[i]),
                float(bottle_ppm[i]),
                float(noise_ppm[i, 0]),
                float(noise_ppm[i, 1]),
                float(scan_s[i]),
                float(late_s[i]),
            )
        )
    return out


@lru_cache(maxsize=8)
def _hypercube(draws: int, dimensions: int, seed: int) -> Floats:
    """One point in each of `draws` equal slices of every dimension; shape (draws, dimensions), within (0, 1)."""
    rng = np.random.default_rng(seed)
    slices = np.stack([rng.permutation(draws) for _ in range(dimensions)], axis=1)
    return np.asarray((slices + rng.uniform(size=(draws, dimensions))) / draws)


def _grid(path: SensorPath) -> Floats:
    """Times [s], finest at the start, long enough for 14 time constants."""
    end_s = 2 * path.dead_time_s + 14.0 * (sum(path.taus_s) + path.cap_tau_s)
    return np.asarray(end_s * np.linspace(0.0, 1.0, 400) ** 1.5)


def _share(curves: Floats, start: Floats, end: Floats) -> Floats:
    """Part of the change that is made, day by day; shape of `curves` (days, times)."""
    return np.asarray((curves - start[:, None]) / (end - start)[:, None])


def _passes_s(t_s: Floats, curves: Floats, levels: Floats | float, upwards: bool) -> Floats:
    """First time at which each curve is at or beyond its level, between two times by a straight line; infinite if
    never. `curves` has shape (days, times)."""
    level = np.broadcast_to(np.asarray(levels, dtype=np.float64), curves.shape[:1])
    beyond = curves >= level[:, None] if upwards else curves <= level[:, None]
    at = beyond.argmax(axis=1)
    day = np.arange(len(curves))
    before = np.maximum(at - 1, 0)
    low, high = curves[day, before], curves[day, at]
    part = np.where(at > 0, (level - low) / np.where(high == low, 1.0, high - low), 0.0)
    times = t_s[before] + part * (t_s[at] - t_s[before])
    return np.where(beyond[day, at], times, np.inf)


def _interval(times: Floats) -> tuple[float, float]:
    """95 % of the drawn days; the nominal one, which stands first, is left out."""
    drawn = times[1:]
    return (
        float(np.quantile(drawn, LEVEL[0], method="lower")),
        float(np.quantile(drawn, LEVEL[1], method="higher")),
    )


def _typical_and_late(times: Floats) -> tuple[float, float]:
    return float(times[0]), _interval(times)[1]


def _curve_times(path: SensorPath, gas_off_s: float) -> Floats:
    """Times of the printed curve: to gas off, and half as long again as a recovery usually takes."""
    end_s = path.dead_time_s + 4.5 * sum(path.taus_s)
    shape = np.linspace(0.0, 1.0, 81) ** 1.3
    return np.concatenate([gas_off_s * shape[:-1], gas_off_s + end_s * shape])


def _curve(t_s: Floats, drawn: Floats, gas_off_s: float) -> Curve:
    """Median and 95 % band over the drawn days."""
    low, middle, high = np.quantile(drawn, (LEVEL[0], 0.5, LEVEL[1]), axis=0)
    return Curve(
        t_s=tuple(float(t) for t in t_s.round(2)),
        reading_ppm=tuple(float(f"{v:.6g}") for v in middle),
        low_ppm=tuple(float(f"{v:.6g}") for v in low),
        high_ppm=tuple(float(f"{v:.6g}") for v in high),
        gas_off_s=gas_off_s,
    )
