"""Many leaks in the rooms of a site: is each seen, by which detector, how soon, and what does a person breathe?

Every scenario draws its numbers from a stream that belongs to its number (`streams`), and every result is a count, or
an exact sum of the sums of fixed blocks. So one process, two, or a cluster give the same numbers, however the blocks
are put together, and memory does not grow with the number of scenarios.
"""

from __future__ import annotations

import math
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields
from fractions import Fraction
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from gaswitness.errors import OutOfDomain
from gaswitness.release import kernel
from gaswitness.release.rooms import Flow, Network, without
from gaswitness.release.scene import Scene
from gaswitness.release.streams import uniforms
from gaswitness.sentence import said
from gaswitness.wording import number

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Work = TypeVar("Work")

AHEAD = 4
"""Blocks under way at one time, for each that can be worked on: their tallies are what memory goes into."""
MOST_PARTS = 1000
"""Parts into which a step may be cut; a release that needs more is no leak into a room."""
MOST_PATTERNS = 16
"""Detectors up to which it is counted which of them alarmed together."""
BLOCK = 4096
"""Scenarios in one block; part of the definition of the sums."""

FAILED, BELOW, LATE = (
    said("every detector that sees the gas has failed"),
    said("the level stays below every set point"),
    said("the level was still on its way to the set point when time was up"),
)


@dataclass(frozen=True, slots=True)
class Aged:
    """How slowly one detector answers, from its past tests: what is drawn for it in place of the common spread."""

    tag: str
    ageing: float
    """Median of t90 over the stated one."""
    ageing_factor: float
    """Log-normal about it, this factor is one standard deviation."""

    def __post_init__(self) -> None:
        if not (0.0 < self.ageing < math.inf and 1.0 <= self.ageing_factor < math.inf):
            raise OutOfDomain("ageing is a factor above 0, and its spread one of 1 or more", where=self.tag, found=self)


@dataclass(frozen=True, slots=True)
class Spread:
    """What is drawn for each scenario. Common practice, no source: set your own where you know better."""

    fastest_s: float = 600.0
    slowest_s: float = 7.0 * 86400.0
    """The whole charge would leak in between these times, log-uniform; the rate is constant."""
    elsewhere: float = 0.2
    """Chance that the gas comes out in the layer where it does not gather."""
    mixing_factor: float = 2.0
    """Exchange between layers: log-normal, this factor is one standard deviation."""
    fan_fails: float = 0.05
    """Chance that emergency ventilation does not start."""
    air_fails: float = 0.02
    """Chance that no fan runs at all, normal or emergency."""
    valve_fails: float = 0.05
    detector_fails: float = 0.05
    """Chance, for each detector alone, that it shows nothing."""
    ageing: float = 1.0
    """Median of t90 over the stated one, for detectors of which nothing else is known."""
    ageing_factor: float = 1.3
    """Log-normal about it, this factor is one standard deviation."""
    aged: tuple[Aged, ...] = ()
    """Detectors whose past tests are known."""
    reaction_s: float = 60.0
    """People leave this long after the first alarm."""
    duration_s: float = 3600.0
    step_s: float = 1.0

    def __post_init__(self) -> None:
        chances = (self.elsewhere, self.fan_fails, self.air_fails, self.valve_fails, self.detector_fails)
        if not all(0.0 <= chance <= 1.0 for chance in chances) or self.fan_fails + self.air_fails > 1.0:
            raise OutOfDomain("a chance lies between 0 and 1", found=chances)
        if not (0.0 < self.fastest_s <= self.slowest_s and self.mixing_factor >= 1.0 and self.ageing_factor >= 1.0):
            raise OutOfDomain("a spread of leaks, mixing or ageing is not one", found=self)
        if not (self.step_s > 0.0 and self.duration_s >= self.step_s and self.ageing > 0.0 and self.reaction_s >= 0.0):
            raise OutOfDomain("times of a simulation are above zero", found=self)

    def ageing_of(self, tag: str) -> Aged:
        """What is drawn for this detector."""
        return next((one for one in self.aged if one.tag == tag), Aged(tag, self.ageing, self.ageing_factor))


@dataclass(frozen=True, slots=True)
class Draws:
    """One row a scenario."""

    leak_m3_s: Floats
    leak_steps: Counts
    place: Counts
    mix_m3_s: Floats
    fans: Counts
    valve_works: NDArray[np.bool_]
    works: NDArray[np.bool_]
    tau_s: Floats


def exact(sums: Iterable[float]) -> NDArray[np.object_]:
    """Numbers whose further sums are exact."""
    return np.array([Fraction(float(one)) for one in sums], np.object_)


@dataclass(slots=True)
class Tally:
    """Counts over scenarios; two of them add up to the tally of both."""

    scenarios: int = 0
    first: Counts = field(default_factory=lambda: np.zeros(0, np.int64))
    """(steps + 2): scenarios by the step of their first alarm; the last one counts those without."""
    points: Counts = field(default_factory=lambda: np.zeros((0, 0), np.int64))
    """(points, steps + 2): the same for each alarm point."""
    alone: Counts = field(default_factory=lambda: np.zeros(0, np.int64))
    """(detectors): scenarios in which no other detector alarmed."""
    patterns: Counts = field(default_factory=lambda: np.zeros(0, np.int64))
    """(2 ^ detectors): scenarios by which detectors alarmed; empty for more than `MOST_PATTERNS` detectors."""
    why: Counts = field(default_factory=lambda: np.zeros(3, np.int64))
    """Undetected: failed, below, late."""
    burns: int = 0
    over: int = 0
    """Scenarios in which the person met the IDLH."""
    sums: NDArray[np.object_] = field(default_factory=lambda: exact([0.0, 0.0]))
    """Of peak [ppm] and dose [ppm s] of the person, as fractions: adding them rounds nothing, in whatever order."""

    def __add__(self, other: Tally) -> Tally:
        if not self.scenarios:
            return other
        return Tally(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(Tally)))


@dataclass(frozen=True, slots=True)
class Figures:
    """How often, and how soon."""

    p: float
    u: float
    """Standard uncertainty of `p` from the number of scenarios alone."""
    p50_s: float | None
    """Half of all scenarios have alarmed by then; None when fewer do at all."""
    p95_s: float | None


@dataclass(frozen=True, slots=True)
class AreaResult:
    """What came of one charge in one area."""

    scene: Scene
    scenarios: int
    detect: Figures
    points: dict[str, Figures]
    importance: dict[str, float]
    """Loss in the probability of detection if this detector were not there."""
    undetected: tuple[tuple[str, int], ...]
    p_burns: float
    p_over_idlh: float
    mean_peak_ppm: float
    mean_dose_ppm_s: float
    patterns: Counts
    histograms: dict[str, Counts]
    """Scenarios by the step of the alarm, for `any` and for each point; the last entry counts those without."""


def draw(scene: Scene, spread: Spread, seed: int, stream: int, first: int, count: int) -> Draws:
    """The scenarios `first` to `first + count - 1`."""
    from scipy.special import ndtri

    detectors = len(scene.watches)
    u = uniforms(seed, first, count, 6 + 2 * detectors, stream=stream)
    empties_s = spread.fastest_s * np.exp(u[:, 0] * math.log(spread.slowest_s / spread.fastest_s))
    layer = scene.layers[0].flow_m3_s
    aged = [spread.ageing_of(watch.tag) for watch in scene.watches]
    slower = [
        one.ageing * np.exp(ndtri(u[:, 6 + detectors + d]) * math.log(one.ageing_factor)) for d, one in enumerate(aged)
    ]
    return Draws(
        leak_m3_s=scene.charge_m3 / empties_s,
        leak_steps=np.minimum(np.ceil(empties_s / spread.step_s), 2**40).astype(np.int64),
        place=(u[:, 1] < spread.elsewhere).astype(np.int64),
        mix_m3_s=layer * np.exp(ndtri(u[:, 2]) * math.log(spread.mixing_factor)),
        fans=np.where(u[:, 3] < spread.air_fails, 2, np.where(u[:, 3] < spread.air_fails + spread.fan_fails, 1, 0)),
        valve_works=u[:, 4] >= spread.valve_fails,
        works=u[:, 6 : 6 + detectors] >= spread.detector_fails,
        tau_s=np.stack([w.lag_s(r) for w, r in zip(scene.watches, slower, strict=True)], axis=1),
    )


def run_block(scene: Scene, spread: Spread, draws: Draws) -> tuple[Floats, Floats, Floats, Floats]:
    """Set times [s] (s, p), nearest level over set level (s), peak / dose / time above IDLH (s, 3), burning [s] (s)."""
    count, points = len(draws.leak_m3_s), [(w, p) for w in scene.watches for p in w.points]
    names = {f"{w.tag}.{p.name}": position for position, (w, p) in enumerate(points)}
    network, index = scene.network, scene.network.index
    base = without(network.flows, (*scene.normal, *scene.layers))
    air = np.array(
        [
            [_rates(network, (*base, *flows)) for flows in (scene.normal, scene.emergency)],
            [_rates(network, (*base, *flows)) for flows in (scene.normal, scene.normal)],
            [_rates(network, base)] * 2,
        ]
    )
    one = tuple(Flow(flow.source, flow.target, 1.0) for flow in scene.layers)
    mixing = _rates(network, one)
    displaced = np.array([Network(network.zones).rates_per_s(1.0, zone)[0] for zone in scene.leak_zones])
    source = np.zeros((len(scene.leak_zones), len(network.zones)))
    for place, zone in enumerate(scene.leak_zones):
        source[place, index(zone)] = 1.0 / network.zones[index(zone)].volume_m3
    largest = (
        np.abs(air).max()
        + np.abs(mixing).max() * draws.mix_m3_s.max()
        + np.abs(displaced).max() * draws.leak_m3_s.max()
    )
    parts = max(1, math.ceil(spread.step_s * float(largest)))
    if parts > MOST_PARTS:
        raise OutOfDomain(
            "the air of a zone would be changed too often in a second to be followed",
            where=scene.area,
            found=f"{number(float(largest))} times a second",
            expected=f"at most {number(MOST_PARTS / spread.step_s)}",
            hint="look at the volume of the area, its flows, and the mass of its charge",
        )
    h = spread.step_s / parts
    steps = round(spread.duration_s / spread.step_s) * parts
    watches = {watch.tag: position for position, watch in enumerate(scene.watches)}
    triggers = scene.triggers
    member = np.zeros((len(triggers), len(points)), np.bool_)
    for row, trigger in enumerate(triggers):
        for name in trigger.members:
            member[row, names[name]] = True
    set_s, nearest = np.full((count, len(points)), np.inf), np.zeros(count)
    breathed, burns_s = np.zeros((count, 3)), np.full(count, np.inf)
    kernel.releases(
        h,
        steps,
        air,
        mixing,
        displaced,
        source,
        draws.place,
        draws.leak_m3_s,
        draws.leak_steps * parts,
        draws.mix_m3_s,
        draws.fans,
        draws.valve_works,
        np.array([index(watch.zone) for watch in scene.watches], np.int64),
        draws.tau_s,
        draws.works,
        np.array([watches[w.tag] for w, _ in points], np.int64),
        np.array([(p.set_level - w.sight.offset_ppm) / (w.sight.slope * 1e6) for w, p in points]),
        np.array([p.on_delay_s for _, p in points]),
        np.array([w.path.dead_time_s for w, _ in points]),
        member,
        np.array([trigger.need for trigger in triggers], np.int64),
        np.array([trigger.delay_s for trigger in triggers], np.float64),
        np.array([trigger.kind == "valve" for trigger in triggers], np.bool_),
        spread.reaction_s,
        index(scene.person_zone),
        scene.idlh_ppm * 1e-6,
        scene.flammable_ppm * 1e-6,
        set_s,
        nearest,
        breathed,
        burns_s,
    )
    breathed[:, :2] *= 1e6
    return set_s, nearest, breathed, burns_s


def _rates(network: Network, flows: tuple[Flow, ...]) -> Floats:
    return Network(network.zones, flows).rates_per_s()[0]


def tally(scene: Scene, spread: Spread, seed: int, stream: int, first: int, count: int) -> Tally:
    """Draw and run one block, and count."""
    draws = draw(scene, spread, seed, stream, first, count)
    set_s, nearest, breathed, burns_s = run_block(scene, spread, draws)
    bins = round(spread.duration_s / spread.step_s) + 2
    place = np.where(np.isfinite(set_s), np.ceil(set_s / spread.step_s - 1e-9), bins - 1).astype(np.int64)
    earliest = place.min(axis=1, initial=bins - 1)
    missed = earliest == bins - 1
    none_works = ~draws.works.any(axis=1)
    owner = np.array([d for d, watch in enumerate(scene.watches) for _ in watch.points], np.int64)
    detectors = len(scene.watches)
    alarmed = np.stack([(place[:, owner == d] < bins - 1).any(axis=1) for d in range(detectors)], axis=1)
    patterns = np.zeros(0, np.int64)
    if detectors <= MOST_PATTERNS:
        patterns = np.bincount(alarmed @ (1 << np.arange(detectors)), minlength=1 << detectors)
    late = missed & ~none_works & (nearest >= LATE_SHARE)
    return Tally(
        scenarios=count,
        first=np.bincount(earliest, minlength=bins),
        points=np.array([np.bincount(column, minlength=bins) for column in place.T], np.int64).reshape(-1, bins),
        alone=(alarmed & (alarmed.sum(axis=1, keepdims=True) == 1)).sum(axis=0),
        patterns=patterns,
        why=np.array([(missed & none_works).sum(), (missed & ~none_works & ~late).sum(), late.sum()], np.int64),
        burns=int(np.isfinite(burns_s).sum()),
        over=int((breathed[:, 2] > 0.0).sum()),
        sums=exact(breathed[:, :2].sum(axis=0)),
    )


LATE_SHARE = 0.8
"""Level over set level above which an alarm that did not come is called late rather than blind."""

Mapper = Callable[[Callable[[tuple[int, int]], Tally], Iterable[tuple[int, int]]], Iterable[Tally]]
"""Applies a function to blocks and gives tallies back, one a block or one for several: `map`, a pool's, a cluster's."""


def study(
    scene: Scene,
    spread: Spread | None = None,
    *,
    scenarios: int,
    seed: int,
    stream: int = 0,
    mapper: Mapper | None = None,
) -> AreaResult:
    """Run so many scenarios of one scene.

    `mapper` works off the blocks; without it the machine's processors share them. The result does not depend on it.
    Raises OutOfDomain for a number of scenarios below one.
    """
    spread = spread or Spread()
    if scenarios < 1:
        raise OutOfDomain("a study needs scenarios", found=scenarios, expected="1 or more")
    blocks = ((first, min(BLOCK, scenarios - first)) for first in range(0, scenarios, BLOCK))
    if not scene.watches:
        return _figures(scene, spread, _unseen(spread, scenarios))
    work = Block(scene, spread, seed, stream)
    total = Tally()
    if mapper is not None:
        for part in mapper(work, blocks):
            total = total + part
    else:
        at_once = os.cpu_count() or 1
        with ThreadPoolExecutor(at_once) as pool:
            for part in in_order(lambda block: pool.submit(work, block), blocks, AHEAD * at_once):
                total = total + part
    return _figures(scene, spread, total)


class Pending(Protocol):
    """A result on its way: of a thread pool, or of a cluster."""

    def result(self) -> Tally:
        """Wait for it."""
        ...


def in_order(submit: Callable[[Work], Pending], works: Iterable[Work], ahead: int) -> Iterator[Tally]:
    """Results in the order of the pieces of work, with at most so many of them under way, which bounds memory."""
    waiting: deque[Pending] = deque()
    for work in works:
        waiting.append(submit(work))
        if len(waiting) >= ahead:
            yield waiting.popleft().result()
    while waiting:
        yield waiting.popleft().result()


@dataclass(frozen=True, slots=True)
class Block:
    """The work of one block, in a form that can be sent to another machine."""

    scene: Scene
    spread: Spread
    seed: int
    stream: int

    def __call__(self, block: tuple[int, int]) -> Tally:
        """Tally of the block (first scenario, count)."""
        return tally(self.scene, self.spread, self.seed, self.stream, *block)


def _unseen(spread: Spread, scenarios: int) -> Tally:
    bins = round(spread.duration_s / spread.step_s) + 2
    first = np.zeros(bins, np.int64)
    first[-1] = scenarios
    nothing = np.zeros(0, np.int64)
    return Tally(scenarios, first, np.zeros((0, bins), np.int64), nothing, np.array([scenarios]))


def _figures(scene: Scene, spread: Spread, total: Tally) -> AreaResult:
    names = [f"{watch.tag}.{point.name}" for watch in scene.watches for point in watch.points]
    importance = {w.tag: int(n) / total.scenarios for w, n in zip(scene.watches, total.alone, strict=True)}
    why = [(text, int(n)) for text, n in zip((FAILED, BELOW, LATE), total.why, strict=True) if n]
    if not scene.watches:
        why = [(said("no detector here sees {gas}", gas=scene.gas.key), total.scenarios)]
    return AreaResult(
        scene,
        total.scenarios,
        _how_soon(total.first, spread.step_s),
        {name: _how_soon(row, spread.step_s) for name, row in zip(names, total.points, strict=True)},
        importance,
        tuple(why),
        total.burns / total.scenarios,
        total.over / total.scenarios,
        float(total.sums[0] / total.scenarios),
        float(total.sums[1] / total.scenarios),
        total.patterns,
        {"any": total.first, **dict(zip(names, total.points, strict=True))},
    )


def _how_soon(histogram: Counts, step_s: float) -> Figures:
    total = int(histogram.sum())
    grown = np.cumsum(histogram[:-1])
    p = float(grown[-1]) / total

    def quantile(share: float) -> float | None:
        reached = np.flatnonzero(grown >= math.ceil(share * total))
        return float(reached[0]) * step_s if len(reached) else None

    return Figures(p, math.sqrt(p * (1.0 - p) / total), quantile(0.50), quantile(0.95))
