"""Releases in great number: the kernel against the closed loop, streams, tallies, and the same numbers in any split."""

from __future__ import annotations

import dataclasses
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from gaswitness.alarms import AlarmPoint
from gaswitness.alarms.effects import CauseLine, EffectLogic
from gaswitness.errors import InputError, OutOfDomain
from gaswitness.gases import gas
from gaswitness.release import Flow, Leak, Network, Zone, exchange, kernel
from gaswitness.release.loop import Person, Reaction, Sight, Watch, run_release
from gaswitness.release.montecarlo import Aged, Draws, Spread, Tally, draw, in_order, run_block, study
from gaswitness.release.scene import Scene, Trigger, reactions_of, scenes
from gaswitness.release.streams import philox, uniforms
from gaswitness.response import SensorPath
from gaswitness.site import read_site


def scene(*, flammable_ppm: float = math.inf) -> Scene:
    layers = exchange("floor", "upper", 0.05)
    normal = (Flow("outside", "upper", 0.1), Flow("upper", "floor", 0.1), Flow("floor", "outside", 0.1))
    rush = (Flow("outside", "upper", 0.8), Flow("upper", "floor", 0.8), Flow("floor", "outside", 0.8))
    zones = (Zone("floor", 30.0, "upper"), Zone("upper", 60.0), Zone("corridor", 80.0))
    open_ways = (*exchange("upper", "corridor", 0.03), *exchange("corridor", "outside", 0.1))
    low = AlarmPoint("low", 5000.0, on_delay_s=3.0, latching=True)
    high = AlarmPoint("high", 30_000.0, latching=True)
    oxygen = AlarmPoint("low", 195_000.0, "falling", latching=True)
    return Scene(
        area="room",
        gas=gas("CO2"),
        charge_m3=50.0,
        charge_kg=90.0,
        network=Network(zones, (*open_ways, *layers, *normal)),
        normal=normal,
        emergency=rush,
        layers=layers,
        leak_zones=("floor", "upper"),
        person_zone="upper",
        occupied=True,
        watches=(
            Watch("A", "floor", SensorPath.from_t90(60.0, 5.0), (low, high), Sight(420.0, 1.0 - 420e-6)),
            Watch("B", "upper", SensorPath.from_t90(90.0), (low, high), Sight(420.0, 1.0 - 420e-6)),
            Watch("C", "corridor", SensorPath.from_t90(30.0), (oxygen,), Sight(209_500.0, -0.2095)),
        ),
        triggers=(
            Trigger("FAN", "fan", ("A.low", "B.low"), 2, 4.0),
            Trigger("VALVE", "valve", ("A.high", "B.high", "C.low"), 1, 2.0),
        ),
        flammable_ppm=flammable_ppm,
        idlh_ppm=40_000.0,
        blind=(),
    )


@pytest.mark.parametrize("number", range(12))
def test_the_kernel_does_what_the_closed_loop_does(number: int) -> None:
    """Two ways of working out one scenario: alarm logic, effects and rooms step by step, and the kernel's arrays."""
    where = scene(flammable_ppm=150_000.0)
    spread = Spread(
        fastest_s=200.0, slowest_s=30_000.0, fan_fails=0.3, air_fails=0.1, valve_fails=0.3, detector_fails=0.2
    )
    draws = draw(where, spread, seed=11, stream=0, first=number, count=1)
    set_s, _, breathed, burns_s = run_block(where, spread, draws)

    fans, open_ways = int(draws.fans[0]), where.network.flows[: -len(where.layers) - len(where.normal)]
    mixed = exchange("floor", "upper", float(draws.mix_m3_s[0]))
    normal = () if fans == 2 else where.normal
    network = Network(where.network.zones, (*open_ways, *mixed, *normal))
    watches = tuple(
        dataclasses.replace(watch, path=SensorPath(watch.path.dead_time_s, (float(draws.tau_s[0, d]),)))
        for d, watch in enumerate(where.watches)
        if draws.works[0, d]
    )
    names = {f"{watch.tag}.{point.name}" for watch in watches for point in watch.points}
    reactions = []
    if fans == 0 and {"A.low", "B.low"} <= names:
        logic = EffectLogic("FAN", (CauseLine(("A.low", "B.low"), "all"),), delay_s=4.0, needs_reset=True)
        reactions.append(Reaction(logic, replaces=where.normal, starts=where.emergency))
    shuts = tuple(name for name in ("A.high", "B.high", "C.low") if name in names)
    if draws.valve_works[0] and shuts:
        logic = EffectLogic("VALVE", (CauseLine(shuts),), delay_s=2.0, needs_reset=True)
        reactions.append(Reaction(logic, closes_leak=True))
    leak = Leak(where.leak_zones[int(draws.place[0])], float(draws.leak_m3_s[0]), 0.0, float(draws.leak_steps[0]))
    outcome = run_release(network, [leak], watches=watches, reactions=reactions, duration_s=3600.0)

    assert outcome.lost < 1e-12
    column = 0
    for d, watch in enumerate(where.watches):
        for point in watch.points:
            expected = outcome.set_s.get(f"{watch.tag}.{point.name}") if draws.works[0, d] else None
            assert set_s[0, column] == pytest.approx(math.inf if expected is None else expected, abs=1e-6)
            column += 1
    person = Person("upper", tuple(outcome.set_s), spread.reaction_s)
    by_loop = outcome.breathed(person, above_ppm=where.idlh_ppm)
    assert breathed[0, 0] == pytest.approx(by_loop.peak_ppm, rel=1e-9)
    assert breathed[0, 1] == pytest.approx(by_loop.dose_ppm_s, rel=2e-3, abs=1.0)  # the loop adds up by trapezoids
    assert breathed[0, 2] == pytest.approx(by_loop.above_s, abs=1e-9)
    burns = outcome.reaches_s(150_000.0)
    assert burns_s[0] == pytest.approx(math.inf if burns is None else burns)


def test_any_split_gives_the_same_numbers() -> None:
    where = scene()
    whole = study(where, scenarios=20_000, seed=5)
    backwards = study(where, scenarios=20_000, seed=5, mapper=map)
    with ThreadPoolExecutor(3) as pool:
        pooled = study(where, scenarios=20_000, seed=5, mapper=pool.map)
    for other in (backwards, pooled):
        assert other.detect == whole.detect
        assert other.points == whole.points
        assert other.importance == whole.importance
        assert (other.patterns == whole.patterns).all()
        assert (other.mean_dose_ppm_s, other.mean_peak_ppm) == (whole.mean_dose_ppm_s, whole.mean_peak_ppm)
    assert study(where, scenarios=20_000, seed=6).detect != whole.detect


def test_more_scenarios_begin_with_the_same_ones() -> None:
    where, spread = scene(), Spread()
    few, many = draw(where, spread, 3, 0, 0, 10), draw(where, spread, 3, 0, 0, 100)
    for one in dataclasses.fields(Draws):
        assert (getattr(few, one.name) == getattr(many, one.name)[:10]).all()


@pytest.mark.parametrize(
    ("counter", "key", "words"),
    [
        ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
        ((0xFFFFFFFF,) * 4, (0xFFFFFFFF,) * 2, (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD)),
        (
            (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
            (0xA4093822, 0x299F31D0),
            (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
        ),
    ],
)
def test_the_stream_gives_the_published_words(
    counter: tuple[int, ...], key: tuple[int, int], words: tuple[int, ...]
) -> None:
    """Known answers of Philox4x32-10 from the authors' distribution (from memory)."""
    assert tuple(int(word) for word in philox(np.array(counter, np.uint64)[:, None], key)[:, 0]) == words


def test_uniforms_are_uniform_and_columns_do_not_hang_together() -> None:
    u = uniforms(1, 0, 50_000, 6)
    assert ((u > 0.0) & (u < 1.0)).all()
    assert np.abs(u.mean(axis=0) - 0.5).max() < 5 * math.sqrt(1 / 12 / 50_000)
    assert np.abs(np.corrcoef(u.T) - np.eye(6)).max() < 0.025


def test_the_kernel_is_the_same_without_the_compiler() -> None:
    rates = np.array([[-0.02, 0.01], [0.015, -0.03]])
    compiled, plain = np.empty((3, 2, 2)), np.empty((3, 2, 2))
    kernel.propagate(rates, 1.0, *compiled)
    kernel.propagate.plain(rates, 1.0, *plain)
    assert np.abs(compiled - plain).max() < 1e-15


def test_a_room_where_nobody_sees_the_gas() -> None:
    result = study(dataclasses.replace(scene(), watches=(), triggers=()), scenarios=1000, seed=1)
    assert result.detect.p == 0.0
    assert result.undetected == (("no detector here sees CO2", 1000),)


def test_a_room_with_more_detectors_than_patterns_can_hold() -> None:
    where = scene()
    many = tuple(dataclasses.replace(where.watches[i % 2], tag=f"D{i}") for i in range(40))
    result = study(dataclasses.replace(where, watches=many, triggers=()), scenarios=500, seed=2)
    assert result.patterns.size == 0
    assert set(result.importance.values()) == {0.0}  # forty of them: each can be spared
    assert result.detect.p >= study(where, scenarios=500, seed=2).detect.p


def test_importance_is_what_the_loss_would_be() -> None:
    """Detectors that act on nothing: leaving one out loses exactly the scenarios that only it saw."""
    where = dataclasses.replace(scene(), triggers=())
    whole = study(where, scenarios=3000, seed=4)
    only_a = whole.patterns[1] / 3000
    assert whole.importance["A"] == pytest.approx(only_a, abs=1e-12)
    assert sum(whole.patterns) == 3000


def test_what_cannot_be_drawn() -> None:
    with pytest.raises(OutOfDomain):
        Spread(fan_fails=1.2)
    with pytest.raises(OutOfDomain):
        Spread(fastest_s=0.0)
    with pytest.raises(OutOfDomain):
        study(scene(), scenarios=0, seed=1)
    with pytest.raises(OutOfDomain):
        study(scene(), scenarios=10, seed=-1)


def test_scenes_of_the_rink(repo: Path) -> None:
    found = {where.area: where for where in scenes(read_site(repo / "examples" / "ravensmoor.yaml"))}
    assert set(found) == {"PLANT", "PUMP", "STORE"}
    plant, pump, store = found["PLANT"], found["PUMP"], found["STORE"]
    assert plant.leak_zones[0] == "PLANT:upper"  # ammonia rises
    assert pump.leak_zones[0] == "PUMP:floor"
    assert [(t.effect, t.members, t.need) for t in pump.triggers] == [
        ("PUMP-FAN", ("CO2-1.low", "CO2-2.low"), 1),
        ("PUMP-VALVE", ("CO2-1.high", "CO2-2.high"), 1),
    ]
    assert [watch.tag for watch in store.watches] == ["O2-1"]  # nitrogen is seen by what it pushes out
    assert store.watches[0].sight.slope < 0.0
    for where in found.values():
        kinds = {flow.source for flow in where.network.flows} | {flow.target for flow in where.network.flows}
        assert "outside" in kinds


def test_a_site_without_charges_is_told(repo: Path) -> None:
    site = read_site(repo / "examples" / "ravensmoor.yaml")
    bare = site.model_copy(update={"areas": tuple(area.model_copy(update={"charges": ()}) for area in site.areas)})
    with pytest.raises(InputError, match="nothing can leak"):
        scenes(bare)


def test_memory_does_not_grow_with_the_number_of_scenarios() -> None:
    """Of ten thousand pieces of work never more than so many are under way, and each result is let go of at once."""
    under_way, most = 0, 0

    class Later:
        def result(self) -> Tally:
            nonlocal under_way
            under_way -= 1
            return Tally(scenarios=1)

    def submit(_: int) -> Later:
        nonlocal under_way, most
        under_way += 1
        most = max(most, under_way)
        return Later()

    assert sum(part.scenarios for part in in_order(submit, range(10_000), 8)) == 10_000
    assert (most, under_way) == (8, 0)


def test_ageing_of_its_own_replaces_the_common_one(repo: Path) -> None:
    """Median and factor of t90 as stated for the detector: over many scenarios half lie above the median, and 84 %
    below median x factor, the property of a log-normal."""
    scene = scenes(read_site(repo / "examples" / "ravensmoor.yaml"))[1]
    spread = Spread(aged=(Aged("CO2-1", 1.5, 1.1),))
    tau_s = draw(scene, spread, 3, 0, 0, 20_000).tau_s
    for column, (median, factor) in enumerate(((1.5, 1.1), (1.0, 1.3))):
        watch = scene.watches[column]
        t90_s = watch.path.dead_time_s + np.log(10.0) * tau_s[:, column]
        stated_s = watch.path.dead_time_s + np.log(10.0) * watch.path.taus_s[0]
        assert np.median(t90_s / stated_s) == pytest.approx(median, rel=0.01)
        assert np.quantile(t90_s / stated_s, 0.8413) == pytest.approx(median * factor, rel=0.01)
    with pytest.raises(OutOfDomain):
        Aged("CO2-1", 0.0, 1.1)
    with pytest.raises(OutOfDomain):
        Aged("CO2-1", 1.0, 0.9)


def test_a_fan_as_strong_as_an_opening_is_not_taken_for_it(repo: Path, tmp_path: Path) -> None:
    """The garage has 0.05 m3/s by its fan and 0.05 m3/s through its door: two flows that look alike."""
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    there = "    background:\n      - {gas: CO, low: 0 ppm, high: 6 ppm}"
    site = tmp_path / "site.yaml"
    site.write_text(text.replace(there, f"    charges: [{{gas: CO, mass: 5 kg}}]\n{there}"), encoding="utf-8")
    garage = next(scene for scene in scenes(read_site(site)) if scene.area == "GARAGE")
    assert study(garage, scenarios=50, seed=1).detect.p > 0.5
    leak = Leak(garage.leak_zones[0], 1e-4)
    followed = run_release(
        garage.network, [leak], watches=garage.watches, reactions=reactions_of(garage), duration_s=300.0
    )
    assert followed.on_s["GARAGE-FAN"] is not None
    assert followed.lost < 1e-12


def test_a_room_whose_air_changes_too_often_is_told(repo: Path, tmp_path: Path) -> None:
    text = (repo / "examples" / "ravensmoor.yaml").read_text(encoding="utf-8")
    site = tmp_path / "site.yaml"
    site.write_text(text.replace("volume: 240 m3", "volume: 0.001 m3"), encoding="utf-8")
    with pytest.raises(OutOfDomain, match="too often in a second"):
        study(scenes(read_site(site))[0], scenarios=10, seed=1)
