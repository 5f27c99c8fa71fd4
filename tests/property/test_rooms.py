"""Rooms of any shape: nothing is lost, nothing is below zero, and what should not matter does not."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gaswitness.alarms import AlarmPoint
from gaswitness.errors import InputError, OutOfDomain
from gaswitness.release import Change, Flow, Leak, Network, Zone, exchange, exhaust, simulate
from gaswitness.release.loop import Door, Sight, Watch, run_release
from gaswitness.release.montecarlo import Spread, Tally, tally
from gaswitness.release.scene import Scene, scenes
from gaswitness.response import SensorPath
from gaswitness.site import read_site

NAMES = ("a", "b", "c", "d")
TIMES = np.array([0.0, 1.0, 10.0, 60.0, 600.0, 3600.0])
volumes = st.floats(1.0, 1e4)
air = st.floats(1e-4, 5.0)


@st.composite
def networks(draw: st.DrawFn) -> Network:
    """One to four zones, some of them joined, some with a fan."""
    count = draw(st.integers(1, 4))
    zones = tuple(Zone(NAMES[i], draw(volumes)) for i in range(count))
    flows: list[Flow] = []
    for i in range(count):
        if draw(st.booleans()):
            flows += exhaust(NAMES[i], draw(air))
        for j in range(i):
            if draw(st.booleans()):
                flows += exchange(NAMES[i], NAMES[j], draw(air))
    return Network(zones, tuple(flows))


@st.composite
def leaks(draw: st.DrawFn, network: Network, *, displaces: bool | None = None) -> Leak:
    """Constant, dying away, or at once; at most a fifth of its zone a minute."""
    zone = draw(st.sampled_from(network.zones))
    most_m3_s = zone.volume_m3 / 300.0
    return Leak(
        zone.name,
        draw(st.floats(0.0, most_m3_s)),
        draw(st.sampled_from([0.0, 5.0, 90.0])),
        draw(st.sampled_from([300.0, 4000.0])),
        draw(st.sampled_from([np.inf, 900.0])),
        draw(st.sampled_from([0.0, 0.1 * zone.volume_m3])),
        draw(st.booleans()) if displaces is None else displaces,
    )


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_nothing_is_lost_and_nothing_is_below_zero(data: st.DataObject) -> None:
    network = data.draw(networks())
    leak = data.draw(leaks(network))
    outside_ppm = data.draw(st.sampled_from([0.0, 420.0]))
    start_ppm = data.draw(st.sampled_from([0.0, 5000.0]))
    course = simulate(network, TIMES, leaks=[leak], start_ppm=start_ppm, outside_ppm=outside_ppm)
    start_m3 = start_ppm * 1e-6 * network.volumes_m3.sum()
    balance = start_m3 + course.let_out_m3 + course.came_in_m3 - course.left_m3 - course.held_m3
    whole = start_m3 + course.let_out_m3[-1] + course.came_in_m3[-1]
    assert np.abs(balance).max() <= 1e-12 * max(whole, 1e-9)
    assert course.ppm.min() >= -1e-9
    if leak.displaces:
        assert course.ppm.max() <= 1e6 * (1 + 1e-12)
    assert (np.diff(course.dose_ppm_s, axis=0) >= -1e-6).all()


@settings(deadline=None, max_examples=25)
@given(st.data(), st.floats(1.01, 3.0))
def test_a_larger_leak_makes_no_level_lower(data: st.DataObject, factor: float) -> None:
    network = data.draw(networks())
    leak = data.draw(leaks(network))
    less = simulate(network, TIMES, leaks=[leak]).ppm
    more = simulate(network, TIMES, leaks=[replace(leak, flow_m3_s=leak.flow_m3_s * factor)]).ppm
    assert (more >= less - 1e-6 * (1.0 + less)).all()


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_names_and_their_order_do_not_matter(data: st.DataObject) -> None:
    """Zones told in another order, and equal rooms with equal leaks, have equal levels."""
    network = data.draw(networks())
    leak = data.draw(leaks(network))
    turned = Network(network.zones[::-1], network.flows[::-1])
    here, there = simulate(network, TIMES, leaks=[leak]), simulate(turned, TIMES, leaks=[leak])
    for zone in network.zones:
        assert there.of(zone.name) == pytest.approx(here.of(zone.name), rel=1e-9, abs=1e-6)
    volume, flow = data.draw(volumes), data.draw(air)
    twins = Network((Zone("a", volume), Zone("b", volume)), exchange("a", "b", flow))
    both = [Leak("a", volume / 1e4), Leak("b", volume / 1e4)]
    course = simulate(twins, TIMES, leaks=both)
    assert course.of("a") == pytest.approx(course.of("b"), rel=1e-9)


@settings(deadline=None, max_examples=25)
@given(st.data(), st.floats(0.5, 5000.0))
def test_later_is_the_same_later(data: st.DataObject, shift_s: float) -> None:
    network = data.draw(networks())
    leak = data.draw(leaks(network))
    changed = Change(120.0, exhaust("a", data.draw(air)))
    late = replace(leak, start_s=leak.start_s + shift_s, end_s=leak.end_s + shift_s)
    here = simulate(network, TIMES, leaks=[leak], changes=[changed])
    there = simulate(
        network,
        np.concatenate([[0.0], TIMES[1:] + shift_s]),
        leaks=[late],
        changes=[replace(changed, at_s=changed.at_s + shift_s)],
    )
    assert there.ppm[1:] == pytest.approx(here.ppm[1:], rel=1e-7, abs=1e-6)


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_added_leaks_add_up(data: st.DataObject) -> None:
    """Where the gas displaces no air the levels of two leaks are the sum of the levels of each."""
    network = data.draw(networks())
    one, two = data.draw(leaks(network, displaces=False)), data.draw(leaks(network, displaces=False))
    both = simulate(network, TIMES, leaks=[one, two]).ppm
    each = simulate(network, TIMES, leaks=[one]).ppm + simulate(network, TIMES, leaks=[two]).ppm
    assert both == pytest.approx(each, rel=1e-9, abs=1e-6)


def test_a_room_with_no_way_out_keeps_all_and_its_neighbour_gets_none() -> None:
    network = Network((Zone("a", 50.0), Zone("b", 50.0)))
    course = simulate(network, TIMES, leaks=[Leak("a", 1e-3, displaces=False)])
    assert course.of("a")[-1] == pytest.approx(3.6 / 50.0 * 1e6)
    assert (course.of("b") == 0.0).all()
    assert (course.left_m3 == 0.0).all()


def test_no_leak_is_no_gas() -> None:
    network = Network((Zone("a", 50.0),), exhaust("a", 0.1))
    assert (simulate(network, TIMES, leaks=[Leak("a")]).ppm == 0.0).all()
    assert (simulate(network, TIMES).ppm == 0.0).all()


@pytest.mark.parametrize("share", [1e-9, 1e-3, 0.5, 3.0, 50.0])
def test_a_burst_of_any_size(share: float) -> None:
    """x = 1 - exp(-v / V), the mass balance of a mixed zone that gas fills."""
    course = simulate(Network((Zone("a", 20.0),)), [0.0, 60.0], leaks=[Leak("a", burst_m3=20.0 * share)])
    assert course.of("a") == pytest.approx(-np.expm1(-share) * 1e6, rel=1e-9)


@pytest.mark.parametrize("volume_m3", [0.0, -1.0, float("nan"), float("inf")])
def test_a_zone_without_a_volume_is_refused(volume_m3: float) -> None:
    with pytest.raises(OutOfDomain, match="a zone has a volume above zero"):
        Network((Zone("a", volume_m3),))


def test_detectors_and_doors_outside_the_rooms_are_refused() -> None:
    network = Network((Zone("a", 50.0),))
    point = AlarmPoint("low", 100.0)
    stray = Watch("D", "outside", SensorPath.from_t90(30.0), (point,), Sight(0.0, 1.0))
    with pytest.raises(InputError, match="no such zone"):
        run_release(network, [Leak("a", 1e-3)], watches=[stray], duration_s=10.0)
    with pytest.raises(InputError, match="unknown zones"):
        run_release(network, [Leak("a", 1e-3)], doors=[Door("a", "attic", 0.1, 2.0)], duration_s=10.0)
    with pytest.raises(OutOfDomain, match="opens before it shuts"):
        Door("a", "outside", 0.1, 5.0, 2.0)


@pytest.fixture(scope="module")
def pump_room(repo) -> Scene:  # type: ignore[no-untyped-def]
    return scenes(read_site(repo / "examples" / "ravensmoor.yaml"))[1]


@settings(deadline=None, max_examples=8)
@given(cuts=st.sets(st.integers(1, 5), max_size=5), seed=st.integers(0, 2**63 - 1))
def test_any_way_of_putting_blocks_together_gives_the_same_tally(pump_room: Scene, cuts: set[int], seed: int) -> None:
    """Blocks added up part by part, last part first, are the blocks added up in order, to the last bit."""
    spread = Spread(duration_s=300.0)
    blocks = [tally(pump_room, spread, seed, 0, first, 40) for first in range(0, 240, 40)]
    whole = sum(blocks[1:], start=blocks[0])
    edges = [0, *sorted(cuts), 6]
    parts = [sum(blocks[a + 1 : b], start=blocks[a]) for a, b in pairwise(edges)]
    other = sum(parts[-2::-1], start=parts[-1])
    assert _same(other, whole)


def _same(one: Tally, two: Tally) -> bool:
    counts = all(
        (getattr(one, name) == getattr(two, name)).all() for name in ("first", "points", "alone", "patterns", "why")
    )
    numbers = (one.scenarios, one.burns, one.over) == (two.scenarios, two.burns, two.over)
    return bool(counts and numbers and list(one.sums) == list(two.sums))
