"""Rooms as a network of well-mixed zones: the mass balance of each, solved exactly in time.

    V_i dx_i/dt = sum_j q_ji x_j - x_i sum_k q_ik + g_i(t)          x: volume fraction, q: air flows, g: leak

Between two changes of the flows this is linear with constant coefficients, so the answer at any asked time is a
matrix exponential and no step size has to be believed. A floor layer and an upper layer, a corridor and a room behind a
door are zones like any other. The integral of each level over time (the dose) and the gas that has left are solved
along.

Well-mixed is optimistic near the leak: gas that hugs the floor, or a jet, is far above the zone's mean.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from gaswitness.errors import InputError, OutOfDomain
from gaswitness.sentence import said
from gaswitness.units import convert

Floats = NDArray[np.float64]

OUTSIDE = "outside"

NEAR_THE_LEAK = said(
    "Well-mixed zones are optimistic near the leak: gas that sinks or rises, and a jet, stay far above the mean of a "
    "zone for minutes. Place detectors for the leak, not for the mean."
)

QUICKEST_DECAY_S = 0.001
"""A leak that dies away faster is a burst."""
DECAY_STEP = 0.02
"""How far a decaying leak may fall before the air that it displaces is set anew."""


@dataclass(frozen=True, slots=True)
class Zone:
    """A volume of air that mixes at once."""

    name: str
    volume_m3: float
    relief: str = OUTSIDE
    """Where air goes that a leak pushes out: another zone, or outside."""


@dataclass(frozen=True, slots=True)
class Flow:
    """Air that goes from one zone to another, or to or from `outside`."""

    source: str
    target: str
    flow_m3_s: float


def exchange(a: str, b: str, flow_m3_s: float) -> tuple[Flow, Flow]:
    """As much air in each direction: an opening, a door, mixing between layers."""
    return Flow(a, b, flow_m3_s), Flow(b, a, flow_m3_s)


def exhaust(zone: str, flow_m3_s: float, *, makeup: str = OUTSIDE) -> tuple[Flow, Flow]:
    """A fan that draws air out of a zone, with the air that replaces it."""
    return Flow(makeup, zone, flow_m3_s), Flow(zone, OUTSIDE, flow_m3_s)


def without(flows: Iterable[Flow], taken: Iterable[Flow]) -> tuple[Flow, ...]:
    """Flows but for those that are taken away; of equal flows as many go as are taken.

    >>> door, fan = Flow("room", "outside", 0.05), Flow("room", "outside", 0.05)
    >>> without((door, fan), (fan,))
    (Flow(source='room', target='outside', flow_m3_s=0.05),)
    """
    gone = Counter(taken)
    left = []
    for flow in flows:
        if gone[flow] > 0:
            gone[flow] -= 1
        else:
            left.append(flow)
    return tuple(left)


@dataclass(frozen=True, slots=True)
class Network:
    """Zones and the flows between them at one time.

    Raises InputError for names that do not match, and for zones that would fill or empty.
    """

    zones: tuple[Zone, ...]
    flows: tuple[Flow, ...] = ()

    def __post_init__(self) -> None:
        names = [zone.name for zone in self.zones]
        if len(set(names)) != len(names) or OUTSIDE in names or not names:
            raise InputError("zones need a name each", found=names, expected=f"different names, none called {OUTSIDE}")
        for zone in self.zones:
            if not (zone.volume_m3 > 0.0 and math.isfinite(zone.volume_m3)):
                raise OutOfDomain("a zone has a volume above zero", where=zone.name, found=zone.volume_m3)
            self.route(zone.name)
        balance = dict.fromkeys([*names, OUTSIDE], 0.0)
        largest = 0.0
        for flow in self.flows:
            if flow.source not in balance or flow.target not in balance or flow.source == flow.target:
                raise InputError("a flow between unknown zones", found=flow, expected=f"two of {[*names, OUTSIDE]}")
            if not (flow.flow_m3_s >= 0.0 and math.isfinite(flow.flow_m3_s)):
                raise OutOfDomain(
                    "a flow is not below zero", where=f"{flow.source} to {flow.target}", found=flow.flow_m3_s
                )
            balance[flow.source] -= flow.flow_m3_s
            balance[flow.target] += flow.flow_m3_s
            largest = max(largest, flow.flow_m3_s)
        for name in names:
            if abs(balance[name]) > 1e-9 * largest:
                raise InputError(
                    "as much air must leave a zone as comes in",
                    where=name,
                    found=f"{balance[name]:+.4g} m3/s left over",
                    hint="name the way of the air that replaces what a fan draws out",
                )

    def index(self, name: str) -> int:
        """Position of a zone; raises InputError."""
        for position, zone in enumerate(self.zones):
            if zone.name == name:
                return position
        raise InputError("no such zone", found=name, expected=" or ".join(zone.name for zone in self.zones))

    def route(self, name: str) -> tuple[int, ...]:
        """Zones that displaced air passes on its way outside, beginning with the one where it is displaced."""
        way: list[int] = []
        while name != OUTSIDE:
            position = self.index(name)
            if position in way:
                raise InputError("displaced air would go in a circle", where=name, expected=f"a way to {OUTSIDE}")
            way.append(position)
            name = self.zones[position].relief
        return tuple(way)

    @property
    def volumes_m3(self) -> Floats:
        """Volume of each zone."""
        return np.array([zone.volume_m3 for zone in self.zones])

    def rates_per_s(self, displaced_m3_s: float = 0.0, leaking: str | None = None) -> tuple[Floats, Floats, Floats]:
        """Matrix A [1/s] of x' = A x + B x_outside, the vector B [1/s], and what flows outside per zone [m3/s]."""
        count = len(self.zones)
        places = {zone.name: position for position, zone in enumerate(self.zones)}
        move = np.zeros((count, count))
        inward, outward = np.zeros(count), np.zeros(count)
        for flow in self.flows:
            if flow.source != OUTSIDE:
                source = places[flow.source]
                move[source, source] -= flow.flow_m3_s
                if flow.target == OUTSIDE:
                    outward[source] += flow.flow_m3_s
                else:
                    move[places[flow.target], source] += flow.flow_m3_s
            else:
                inward[places[flow.target]] += flow.flow_m3_s
        if leaking is not None and displaced_m3_s:
            way = self.route(leaking)
            for here, there in zip(way, (*way[1:], None), strict=True):
                move[here, here] -= displaced_m3_s
                if there is None:
                    outward[here] += displaced_m3_s
                else:
                    move[there, here] += displaced_m3_s
        volumes = self.volumes_m3
        return move / volumes[:, None], inward / volumes, outward


@dataclass(frozen=True, slots=True)
class Leak:
    """Gas let out into one zone.

    `flow_m3_s` is the volume flow of pure gas at the air's temperature and pressure, at the start; it holds, or
    falls as exp(-t / decay_s). `burst_m3` comes all at once at the start.
    """

    zone: str
    flow_m3_s: float = 0.0
    start_s: float = 0.0
    end_s: float = math.inf
    decay_s: float = math.inf
    burst_m3: float = 0.0
    displaces: bool = True
    """Whether the gas pushes air out of the zone, or is added to it (right only while it is dilute)."""

    def __post_init__(self) -> None:
        numbers = (self.flow_m3_s, self.burst_m3, self.start_s)
        if not all(math.isfinite(n) and n >= 0.0 for n in numbers) or not (
            self.decay_s >= QUICKEST_DECAY_S and self.end_s >= self.start_s
        ):
            raise OutOfDomain(
                "a leak has flows and times that are not below zero, and ends after it starts",
                found=self,
                hint=f"one that falls within less than {QUICKEST_DECAY_S} s comes at once: burst_m3",
            )

    @classmethod
    def of_mass(
        cls,
        gas: str,
        zone: str,
        *,
        rate_kg_s: float = 0.0,
        burst_kg: float = 0.0,
        temperature_k: float = 298.15,
        pressure_pa: float = 101325.0,
        start_s: float = 0.0,
        end_s: float = math.inf,
        decay_s: float = math.inf,
        displaces: bool = True,
    ) -> Leak:
        """A leak stated as mass, as an ideal gas.

        >>> leak = Leak.of_mass("R-410A", "room", rate_kg_s=30.0 / 3600.0)
        >>> f"{leak.flow_m3_s:.5e}"
        '2.80883e-03'
        """
        kg_m3 = convert(1e6, "ppm", "kg/m3", gas=gas, temperature_k=temperature_k, pressure_pa=pressure_pa)
        return cls(zone, rate_kg_s / kg_m3, start_s, end_s, decay_s, burst_kg / kg_m3, displaces)

    def let_out_m3(self, t_s: Floats) -> Floats:
        """Gas let out up to each time, m3."""
        since = np.clip(np.minimum(t_s, self.end_s) - self.start_s, 0.0, None)
        flowed = self.flow_m3_s * (
            since if math.isinf(self.decay_s) else -self.decay_s * np.expm1(-since / self.decay_s)
        )
        return np.asarray(flowed + np.where(t_s >= self.start_s, self.burst_m3, 0.0), np.float64)


@dataclass(frozen=True, slots=True)
class Change:
    """From `at_s` on the air takes these flows: a fan starts or fails, a door opens."""

    at_s: float
    flows: tuple[Flow, ...]


@dataclass(frozen=True, slots=True)
class Course:
    """What happened in the rooms; rows are the asked times, columns the zones."""

    network: Network
    t_s: Floats
    ppm: Floats
    dose_ppm_s: Floats
    """Integral of the level from the first instant on."""
    let_out_m3: Floats
    came_in_m3: Floats
    """Gas that came in with the air from outside."""
    left_m3: Floats
    """Gas that went outside."""

    @property
    def held_m3(self) -> Floats:
        """Gas in all zones together."""
        return np.asarray(self.ppm @ self.network.volumes_m3 * 1e-6)

    def of(self, zone: str) -> Floats:
        """Levels of one zone, ppm."""
        return np.asarray(self.ppm[:, self.network.index(zone)])


def simulate(
    network: Network,
    t_s: ArrayLike,
    *,
    leaks: Sequence[Leak] = (),
    changes: Iterable[Change] = (),
    start_ppm: ArrayLike = 0.0,
    outside_ppm: float = 0.0,
) -> Course:
    """Levels of the gas in every zone at the asked times, exact for constant leaks, bursts and added decaying leaks.

    `t_s` [s] grows; the simulation begins at the first of them with `start_ppm` (one number, or one a zone). A
    decaying leak that displaces air is cut where it has fallen by 2 %, and displaces its mean flow in each piece; the
    gas itself is exact.

    >>> room = Network((Zone("room", 300.0),), exhaust("room", 0.5))
    >>> leak = Leak.of_mass("R-410A", "room", rate_kg_s=30 / 3600, displaces=False)
    >>> simulate(room, [0.0, 60.0, 600.0, 1800.0], leaks=[leak]).of("room").round(1)
    array([   0. ,  534.6, 3551. , 5338. ])
    """
    times = np.atleast_1d(np.asarray(t_s, np.float64))
    if times.ndim != 1 or not len(times) or not np.isfinite(times).all() or (np.diff(times) < 0.0).any():
        raise InputError("times to simulate must be finite and not go back", found=f"{len(times)} times")
    count = len(network.zones)
    start = np.broadcast_to(np.asarray(start_ppm, np.float64), (count,))
    ordered = sorted(changes, key=lambda change: change.at_s)
    cuts = _cuts(times, leaks, ordered)
    marks = np.unique(np.concatenate([times, cuts]))
    state = np.concatenate([start * 1e-6, np.zeros(count)])
    left = came = 0.0
    pieces = Pieces(network.zones, leaks, outside_ppm * 1e-6)
    rows = np.empty((len(times), 2 * count + 2))
    row = 0
    for position, here in enumerate(marks):
        for leak in leaks:
            if leak.start_s == here and leak.burst_m3:
                state, pushed = burst(network, leak, state)
                left += pushed
        while row < len(times) and times[row] == here:
            rows[row] = (*state, came, left)
            row += 1
        if position + 1 == len(marks) or row == len(times):
            break
        there = float(marks[position + 1])
        flows = next((change.flows for change in reversed(ordered) if change.at_s <= here), network.flows)
        state, came_in, gone = pieces.carry(flows, state, float(here), there)
        came += came_in
        left += gone
    let_out = np.zeros(len(times))
    for leak in leaks:
        let_out += leak.let_out_m3(times)
        let_out -= leak.let_out_m3(times[:1]) - (leak.burst_m3 if leak.start_s == times[0] else 0.0)
    return Course(
        network, times, rows[:, :count] * 1e6, rows[:, count : 2 * count] * 1e6, let_out, rows[:, -2], rows[:, -1]
    )


def _cuts(times: Floats, leaks: Sequence[Leak], changes: Sequence[Change]) -> Floats:
    """Instants at which coefficients change."""
    cuts = [change.at_s for change in changes]
    for leak in leaks:
        end_s = min(leak.end_s, float(times[-1]))
        cuts += [leak.start_s, end_s]
        if leak.displaces and math.isfinite(leak.decay_s) and leak.flow_m3_s:
            step_s = -leak.decay_s * math.log1p(-DECAY_STEP)
            cuts += list(np.arange(leak.start_s, min(end_s, leak.start_s + 25.0 * leak.decay_s), step_s))
    return np.array([cut for cut in cuts if times[0] <= cut <= times[-1]])


def burst(network: Network, leak: Leak, state: Floats) -> tuple[Floats, float]:
    """Gas that comes at once; returns the state and the gas pushed outside, m3.

    In one zone x = 1 - exp(-v / V), as mixed air leaves while gas comes in.

    >>> state, _ = burst(Network((Zone("cellar", 50.0),)), Leak("cellar", burst_m3=25.0), np.zeros(1))
    >>> state.round(4)  # 1 - exp(-0.5)
    array([0.3935])
    """
    count = len(network.zones)
    after = state.copy()
    if not leak.displaces:
        after[network.index(leak.zone)] += leak.burst_m3 / network.zones[network.index(leak.zone)].volume_m3
        return after, 0.0
    before = float(state[:count] @ network.volumes_m3)
    still = Network(network.zones)  # the burst outruns every fan: only its own displacement moves air
    rates, _, _ = still.rates_per_s(leak.burst_m3, leak.zone)
    source = np.zeros(count)
    source[network.index(leak.zone)] = leak.burst_m3 / network.zones[network.index(leak.zone)].volume_m3
    grown = linalg.expm(np.block([[rates, source[:, None]], [np.zeros((1, count + 1))]]))
    after[:count] = grown[:count, :count] @ state[:count] + grown[:count, count]
    return after, before + leak.burst_m3 - float(after[:count] @ network.volumes_m3)


@dataclass(frozen=True, slots=True)
class _Inflow:
    """A leak within one piece."""

    zone: str
    at: int
    flow_m3_s: float
    decay_s: float
    displaced_m3_s: float


@dataclass(slots=True)
class Pieces:
    """Carries the state over pieces of constant coefficients; equal pieces share one matrix exponential."""

    zones: tuple[Zone, ...]
    leaks: Sequence[Leak]
    outside: float
    known: dict[object, tuple[Floats, Floats, float]] = field(default_factory=dict)

    def carry(
        self, flows: tuple[Flow, ...], state: Floats, here_s: float, there_s: float
    ) -> tuple[Floats, float, float]:
        """State at `there_s`, the gas that came in from outside, and the gas that went outside, m3."""
        count, span_s = len(self.zones), there_s - here_s
        inflows = [self._inflow(leak, here_s, span_s) for leak in self.leaks if _flows(leak, here_s, there_s)]
        key = (flows, span_s, tuple((leak.zone, leak.decay_s, leak.displaced_m3_s) for leak in inflows))
        if key not in self.known:
            self.known[key] = self._matrix(flows, span_s, inflows)
        matrix, outward, inward_m3_s = self.known[key]
        end = matrix @ np.concatenate([state, [1.0], [leak.flow_m3_s for leak in inflows]])
        dose = end[count : 2 * count] - state[count:]
        return end[: 2 * count], inward_m3_s * self.outside * span_s, float(outward @ dose)

    def _inflow(self, leak: Leak, here_s: float, span_s: float) -> _Inflow:
        flow = mean = leak.flow_m3_s
        if math.isfinite(leak.decay_s):
            flow *= math.exp(-(here_s - leak.start_s) / leak.decay_s)
            mean = -flow * leak.decay_s * math.expm1(-span_s / leak.decay_s) / span_s
        at = Network(self.zones).index(leak.zone)
        return _Inflow(leak.zone, at, flow, leak.decay_s, mean if leak.displaces else 0.0)

    def _matrix(
        self, flows: tuple[Flow, ...], span_s: float, inflows: Sequence[_Inflow]
    ) -> tuple[Floats, Floats, float]:
        count = len(self.zones)
        network = Network(self.zones, flows)
        rates, inward, outward = network.rates_per_s()
        size = 2 * count + 1 + len(inflows)
        whole = np.zeros((size, size))
        for position, leak in enumerate(inflows):
            more, _, more_outward = Network(self.zones).rates_per_s(leak.displaced_m3_s, leak.zone)
            rates, outward = rates + more, outward + more_outward
            at = 2 * count + 1 + position
            whole[leak.at, at] = 1.0 / self.zones[leak.at].volume_m3
            whole[at, at] = -1.0 / leak.decay_s
        whole[:count, :count] = rates
        whole[:count, 2 * count] = inward * self.outside
        whole[count : 2 * count, :count] = np.eye(count)
        return linalg.expm(whole * span_s), outward, float((inward * network.volumes_m3).sum())


def _flows(leak: Leak, here_s: float, there_s: float) -> bool:
    return leak.flow_m3_s > 0.0 and leak.start_s <= here_s and there_s <= leak.end_s
