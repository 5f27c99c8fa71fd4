"""A release with the loop closed: detectors see the gas late, alarms set, fans start and valves close, the air changes.

The air is exact over each step; a detector is given the mean level of its zone over the step, a panel looks at the
reading at its end. What an effect changes acts from the next step on.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gaswitness.alarms import AlarmPoint
from gaswitness.alarms.effects import EffectLogic
from gaswitness.errors import InputError, OutOfDomain
from gaswitness.exposure import SHIFT_S, STEL_S
from gaswitness.gases.hazards import AIR_O2_PPM
from gaswitness.release.rooms import Flow, Leak, Network, Pieces, burst, exchange, without
from gaswitness.response import Sensor, SensorPath

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sight:
    """What a detector's inlet holds, as a straight line in the level of the gas that leaks: offset + slope x ppm."""

    offset_ppm: float
    slope: float

    @classmethod
    def of(cls, leaking: str, detector_gas: str, background_ppm: float) -> Sight | None:
        """How a detector of one gas sees another; None when it does not.

        Its own gas comes on top of the background; any gas pushes oxygen out.

        >>> Sight.of("N2", "O2", 209_500.0)
        Sight(offset_ppm=209500.0, slope=-0.2095)
        """
        if detector_gas == leaking:
            return cls(background_ppm, 1.0 - background_ppm * 1e-6)
        if detector_gas == "O2":
            oxygen_ppm = background_ppm or AIR_O2_PPM
            return cls(oxygen_ppm, -oxygen_ppm * 1e-6)
        return None


@dataclass(frozen=True, slots=True)
class Watch:
    """A detector in a zone."""

    tag: str
    zone: str
    path: SensorPath
    points: tuple[AlarmPoint, ...]
    sight: Sight

    def lag_s(self, slower: Floats) -> Floats:
        """Time constant when t90 is so many times the stated one; the dead time stays, for it is the gas's way.

        >>> watch = Watch("A", "room", SensorPath.from_t90(75.0, 5.0), (), Sight(0.0, 1.0))
        >>> (watch.lag_s(np.array([1.0, 1.5])) * np.log(10.0)).round(6)  # t90 of 75 s and 112.5 s, 5 s of them dead
        array([ 70. , 107.5])
        """
        lag_s = self.path.taus_s[0]
        whole_s = self.path.dead_time_s + math.log(10.0) * lag_s
        return np.maximum(slower * whole_s - self.path.dead_time_s, QUICKEST * whole_s) / math.log(10.0)

    def slowed(self, slower: float) -> Watch:
        """The same detector with so many times the stated t90."""
        lag_s = float(self.lag_s(np.array([slower]))[0])
        return replace(self, path=replace(self.path, taus_s=(lag_s,)))


QUICKEST = 0.01
"""Of the stated t90: no sensor is drawn quicker than that."""


@dataclass(frozen=True, slots=True)
class Door:
    """A way between two zones, or a zone and `outside`, that opens and shuts; as much air each way while open."""

    a: str
    b: str
    flow_m3_s: float
    opens_s: float
    shuts_s: float = math.inf

    def __post_init__(self) -> None:
        if not (0.0 < self.flow_m3_s < math.inf and 0.0 <= self.opens_s <= self.shuts_s):
            raise OutOfDomain("a door lets air through, and opens before it shuts", found=self)


@dataclass(frozen=True, slots=True)
class Reaction:
    """What an effect does to the air or to the leak while it is on. One that has failed is left out."""

    logic: EffectLogic
    replaces: tuple[Flow, ...] = ()
    starts: tuple[Flow, ...] = ()
    closes_leak: bool = False


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who works in a zone and leaves a stated time after the first of these causes."""

    zone: str
    causes: tuple[str, ...]
    reaction_s: float


@dataclass(frozen=True, slots=True)
class Breathed:
    """What that person breathed."""

    leaves_s: float | None
    """None for somebody whom no alarm told to leave."""
    peak_ppm: float
    dose_ppm_s: float
    stel_ppm: float
    """Highest mean over 15 minutes, time outside counted as clean."""
    twa_ppm: float
    """Over eight hours, the rest of the shift counted as clean."""
    above_s: float
    """Time above the level that was asked about, such as the IDLH."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The release, step by step, and what followed. Times are None for what did not happen."""

    network: Network
    t_s: Floats
    ppm: Floats
    readings: Floats
    set_s: dict[str, float | None]
    """First time each `TAG.point` set."""
    on_s: dict[str, float | None]
    """First time each effect came on."""
    leak_closed_s: float | None
    lost: float
    """Gas that the balance cannot account for, over what was let out: rounding only."""

    def first(self, causes: Sequence[str]) -> float | None:
        """When the earliest of these causes came [s]; None when none did."""
        times = [time for cause in causes if (time := self.set_s[cause]) is not None]
        return min(times, default=None)

    def reaches_s(self, ppm: float) -> float | None:
        """First step at which any zone holds this level, such as the lower flammable limit."""
        reached = (self.ppm >= ppm).any(axis=1)
        return float(self.t_s[int(reached.argmax())]) if reached.any() else None

    def breathed(self, person: Person, *, above_ppm: float = np.inf) -> Breathed:
        """What a person breathes until he has left."""
        told_s = self.first(person.causes)
        leaves_s = None if told_s is None else told_s + person.reaction_s
        level = self.ppm[:, self.network.index(person.zone)]
        step = np.diff(self.t_s)
        there = np.ones(len(step), bool) if leaves_s is None else self.t_s[1:] <= leaves_s
        mean = np.where(there, 0.5 * (level[1:] + level[:-1]), 0.0)
        dose = np.concatenate([[0.0], np.cumsum(mean * step)])
        earlier = np.interp(self.t_s - STEL_S, self.t_s, dose, left=0.0)
        present = level[1:][there]
        return Breathed(
            leaves_s,
            float(present.max(initial=0.0)),
            float(dose[-1]),
            float((dose - earlier).max() / STEL_S),
            float(dose[-1] / SHIFT_S),
            float(step[there & (level[1:] > above_ppm)].sum()),
        )


def run_release(
    network: Network,
    leaks: Sequence[Leak],
    *,
    watches: Sequence[Watch] = (),
    reactions: Sequence[Reaction] = (),
    doors: Sequence[Door] = (),
    duration_s: float,
    step_s: float = 1.0,
) -> Outcome:
    """Let gas out and see what follows. Doors open and shut at the first step that is not before their time.

    Raises InputError for flows that a reaction replaces and the air does not have, and for doors of unknown zones.
    """
    for reaction in reactions:
        if missing := [flow for flow in reaction.replaces if flow not in network.flows]:
            raise InputError("an effect replaces a flow that is not there", where=reaction.logic.name, found=missing)
    steps = round(duration_s / step_s)
    count = len(network.zones)
    times: Floats = np.arange(steps + 1, dtype=np.float64) * step_s
    pieces = Pieces(network.zones, list(leaks), 0.0)
    state = np.zeros(2 * count)
    ppm, readings = np.zeros((steps + 1, count)), np.zeros((steps + 1, len(watches)))
    sensors = [Sensor(watch.path) for watch in watches]
    seen = [sensor.start(watch.sight.offset_ppm) for sensor, watch in zip(sensors, watches, strict=True)]
    points = {f"{watch.tag}.{point.name}": point for watch in watches for point in watch.points}
    standing = {name: point.start() for name, point in points.items()}
    effects = [reaction.logic.start() for reaction in reactions]
    set_s: dict[str, float | None] = dict.fromkeys(points)
    on_s: dict[str, float | None] = dict.fromkeys(reaction.logic.name for reaction in reactions)
    closed_s: float | None = None
    flows = _air(network.flows, (), doors, 0.0)
    left = 0.0
    places = [network.index(watch.zone) for watch in watches]
    for k in range(steps + 1):
        now_s = float(times[k])
        if k:
            before = state
            state, gone = _advance(network, pieces, flows, before, float(times[k - 1]), now_s)
            left += gone
            mean_ppm = (state[count:] - before[count:]) / step_s * 1e6
        else:
            mean_ppm = np.zeros(count)
        for leak in pieces.leaks:
            if leak.burst_m3 and (leak.start_s == now_s):
                state, gone = burst(network, leak, state)
                left += gone
        ppm[k] = state[:count] * 1e6
        for w, (watch, sensor) in enumerate(zip(watches, sensors, strict=True)):
            inlet_ppm = watch.sight.offset_ppm + watch.sight.slope * float(mean_ppm[places[w]])
            seen[w], reading = sensor.advance(seen[w], step_s if k else 0.0, inlet_ppm)
            readings[k, w] = reading
            for point in watch.points:
                name = f"{watch.tag}.{point.name}"
                standing[name], _ = point.step(standing[name], now_s, reading)
                if standing[name].active and set_s[name] is None:
                    set_s[name] = now_s
        causes = {name: stand.active for name, stand in standing.items()}
        for position, reaction in enumerate(reactions):
            effects[position], _ = reaction.logic.step(effects[position], now_s, causes)
            if effects[position].on and on_s[reaction.logic.name] is None:
                on_s[reaction.logic.name] = now_s
        active = [r for r, stand in zip(reactions, effects, strict=True) if stand.on]
        flows = _air(network.flows, active, doors, now_s)
        if closed_s is None and any(reaction.closes_leak for reaction in active):
            closed_s = now_s
            pieces.leaks = [replace(leak, end_s=max(leak.start_s, min(leak.end_s, now_s))) for leak in pieces.leaks]
    out = sum(float(leak.let_out_m3(times[-1:])[0]) for leak in pieces.leaks)
    held = float(state[:count] @ network.volumes_m3)
    return Outcome(network, times, ppm, readings, set_s, on_s, closed_s, abs(out - held - left) / (out or 1.0))


def _air(flows: tuple[Flow, ...], active: Sequence[Reaction], doors: Sequence[Door], now_s: float) -> tuple[Flow, ...]:
    """The flows while these reactions are on and some doors open; what two reactions replace is replaced once."""
    stopped: Counter[Flow] = Counter()
    started: Counter[Flow] = Counter()
    for reaction in active:  # a union: the largest number, not the sum
        stopped |= Counter(reaction.replaces)
        started |= Counter(reaction.starts)
    through = [way for d in doors if d.opens_s <= now_s < d.shuts_s for way in exchange(d.a, d.b, d.flow_m3_s)]
    return (*without(flows, stopped.elements()), *started.elements(), *through)


def _advance(
    network: Network, pieces: Pieces, flows: tuple[Flow, ...], state: Floats, here_s: float, there_s: float
) -> tuple[Floats, float]:
    """Carry over one step, cut where a leak starts or ends; bursts inside the step come at their instant."""
    cuts = sorted({t for leak in pieces.leaks for t in (leak.start_s, leak.end_s) if here_s < t < there_s})
    left = 0.0
    for begin, end in zip([here_s, *cuts], [*cuts, there_s], strict=True):
        for leak in pieces.leaks:
            if leak.burst_m3 and leak.start_s == begin and begin > here_s:
                state, gone = burst(network, leak, state)
                left += gone
        state, _, gone = pieces.carry(flows, state, begin, end)
        left += gone
    return state, left
