"""The room network against worked numbers, an analytic two-zone solution, and its own mass balance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaswitness.errors import InputError, OutOfDomain
from gaswitness.release import Change, Flow, Leak, Network, Zone, exchange, exhaust, simulate

ROOM = Network((Zone("room", 300.0),), exhaust("room", 0.5))
STILL = Network((Zone("room", 300.0),))
LEAK = Leak.of_mass("R-410A", "room", rate_kg_s=30.0 / 3600.0, displaces=False)
"""R-410A, 30 kg/h into 300 m3 with 0.5 m3/s, 25 degC: worked by hand from C = G/Q (1 - exp(-Qt/V))."""


def test_build_up_with_a_fan() -> None:
    levels = simulate(ROOM, [0.0, 60.0, 600.0, 1800.0, 1e5], leaks=[LEAK]).of("room")
    assert levels == pytest.approx([0.0, 534.6, 3551.0, 5338.0, 5617.7], abs=0.06)
    slow = Network(ROOM.zones, exhaust("room", 0.3 * 0.5))
    assert simulate(slow, [0.0, 1e6], leaks=[LEAK]).of("room")[-1] == pytest.approx(18_725.5, abs=0.1)


@pytest.mark.parametrize(("ppm", "fan_s"), [(500.0, 55.93), (1000.0, 117.62), (5000.0, 1324.6)])
def test_times_to_a_level_with_a_fan(ppm: float, fan_s: float) -> None:
    before, after = simulate(ROOM, [0.0, fan_s * 0.9999, fan_s * 1.0001], leaks=[LEAK]).of("room")[1:]
    assert before < ppm < after


@pytest.mark.parametrize(
    ("ppm", "added_s", "displaced_s"), [(500.0, 53.40, 53.42), (1000.0, 106.81, 106.86), (5000.0, 534.0, 535.4)]
)
def test_times_to_a_level_without_a_fan(ppm: float, added_s: float, displaced_s: float) -> None:
    added = simulate(STILL, [0.0, added_s], leaks=[LEAK]).of("room")[-1]
    assert added == pytest.approx(ppm, rel=2e-4)
    displacing = Leak.of_mass("R-410A", "room", rate_kg_s=30.0 / 3600.0)
    assert simulate(STILL, [0.0, displaced_s], leaks=[displacing]).of("room")[-1] == pytest.approx(ppm, rel=2e-4)


@pytest.mark.parametrize(("ppm", "time_s"), [(500.0, 1451.4), (50.0, 2833.0)])
def test_decay_after_the_leak(ppm: float, time_s: float) -> None:
    assert simulate(ROOM, [0.0, time_s], start_ppm=5617.7).of("room")[-1] == pytest.approx(ppm, rel=2e-4)


def test_a_burst_displaces() -> None:
    """100 lb CO2 at 25 degC into 50 m3: 50.4 % by adding, 39.6 % with displaced air."""
    room = Network((Zone("room", 50.0),))
    for displaces, percent in ((False, 50.43), (True, 39.61)):
        burst = Leak.of_mass("CO2", "room", burst_kg=45.359237, displaces=displaces)
        assert simulate(room, [0.0], leaks=[burst]).of("room")[0] / 1e4 == pytest.approx(percent, abs=0.01)


def test_two_zones_against_the_analytic_solution() -> None:
    """Closed pair with exchange q: the mean stays, the difference falls as exp(-q (1/V1 + 1/V2) t)."""
    v1, v2, q = 40.0, 110.0, 0.35
    pair = Network((Zone("a", v1), Zone("b", v2)), exchange("a", "b", q))
    t_s = np.linspace(0.0, 900.0, 37)
    course = simulate(pair, t_s, start_ppm=[9000.0, 300.0])
    mean = (v1 * 9000.0 + v2 * 300.0) / (v1 + v2)
    gap = 8700.0 * np.exp(-q * (1 / v1 + 1 / v2) * t_s)
    assert course.of("a") == pytest.approx(mean + v2 / (v1 + v2) * gap, rel=1e-12)
    assert course.of("b") == pytest.approx(mean - v1 / (v1 + v2) * gap, rel=1e-12)
    rate = q * (1 / v1 + 1 / v2)
    dose = mean * t_s + v2 / (v1 + v2) * 8700.0 * -np.expm1(-rate * t_s) / rate
    assert course.dose_ppm_s[:, 0] == pytest.approx(dose, rel=1e-11)


def test_layers_chain_to_the_analytic_cascade() -> None:
    """Two equal rooms in a row, each flushed at n: the second follows n t exp(-n t)."""
    row = Network(
        (Zone("first", 60.0), Zone("second", 60.0)),
        (Flow("outside", "first", 0.3), Flow("first", "second", 0.3), Flow("second", "outside", 0.3)),
    )
    t_s = np.linspace(0.0, 3000.0, 50)
    n = 0.3 / 60.0
    course = simulate(row, t_s, start_ppm=[1000.0, 0.0])
    assert course.of("second") == pytest.approx(1000.0 * n * t_s * np.exp(-n * t_s), abs=1e-9)


def net() -> Network:
    return Network(
        (Zone("floor", 60.0, relief="upper"), Zone("upper", 180.0, relief="corridor"), Zone("corridor", 90.0)),
        (
            *exchange("floor", "upper", 0.05),
            *exhaust("floor", 0.25, makeup="corridor"),
            Flow("outside", "corridor", 0.25),
        ),
    )


LEAKS = (
    Leak("floor", 2e-3, 10.0, 900.0),
    Leak("floor", 5e-3, 100.0, decay_s=400.0),
    Leak("upper", 1e-3, 0.0, decay_s=300.0, displaces=False),
    Leak("floor", burst_m3=3.0, start_s=300.0),
)


def test_nothing_is_lost() -> None:
    """Let out + came in + held at first = held + left, to 1e-12, over leaks of every kind and changes of the air."""
    changes = [
        Change(250.0, (*exchange("floor", "upper", 0.3), *exhaust("floor", 1.0))),
        Change(700.0, ()),
        Change(1200.0, net().flows),
    ]
    course = simulate(
        net(), np.arange(0.0, 3600.0, 7.0), leaks=LEAKS, changes=changes, outside_ppm=420.0, start_ppm=420.0
    )
    first = course.held_m3[0]
    off = course.let_out_m3 + course.came_in_m3 + first - course.held_m3 - course.left_m3
    assert np.abs(off).max() <= 1e-12 * (course.let_out_m3[-1] + course.came_in_m3[-1] + first)
    assert course.ppm.min() >= 0.0
    assert course.ppm.max() <= 1e6


def test_asking_more_often_changes_nothing() -> None:
    coarse = simulate(net(), [0.0, 1000.0], leaks=LEAKS[:1])
    fine = simulate(net(), np.linspace(0.0, 1000.0, 1001), leaks=LEAKS[:1])
    assert fine.ppm[-1] == pytest.approx(coarse.ppm[-1], rel=1e-12)
    assert fine.dose_ppm_s[-1] == pytest.approx(coarse.dose_ppm_s[-1], rel=1e-11)


def test_outside_air_holds_its_own_level() -> None:
    course = simulate(net(), [0.0, 1e6], outside_ppm=420.0)
    assert course.ppm[-1] == pytest.approx(420.0, rel=1e-9)


@pytest.mark.parametrize(
    ("zones", "flows", "message"),
    [
        ((), (), "name each"),
        ((Zone("a", 1.0), Zone("a", 1.0)), (), "name each"),
        ((Zone("outside", 1.0),), (), "name each"),
        ((Zone("a", 0.0),), (), "above zero"),
        ((Zone("a", 1.0),), (Flow("a", "b", 1.0),), "unknown zones"),
        ((Zone("a", 1.0),), (Flow("a", "outside", 1.0),), "as much air"),
        ((Zone("a", 1.0),), (Flow("a", "outside", -1.0), Flow("outside", "a", -1.0)), "not below zero"),
        ((Zone("a", 1.0, relief="b"), Zone("b", 1.0, relief="a")), (), "circle"),
        ((Zone("a", 1.0, relief="c"),), (), "no such zone"),
    ],
)
def test_networks_that_cannot_be(zones: tuple[Zone, ...], flows: tuple[Flow, ...], message: str) -> None:
    with pytest.raises(InputError, match=message):
        Network(zones, flows)


def test_leaks_and_times_that_cannot_be() -> None:
    with pytest.raises(OutOfDomain):
        Leak("a", -1.0)
    with pytest.raises(OutOfDomain):
        Leak("a", 1.0, start_s=5.0, end_s=1.0)
    with pytest.raises(InputError, match="not go back"):
        simulate(ROOM, [1.0, 0.0])
    with pytest.raises(InputError, match="no such zone"):
        simulate(ROOM, [0.0, 1.0], leaks=[Leak("cellar", 1.0)])


def test_volume_of_a_leak_follows_pressure_and_temperature() -> None:
    cold = Leak.of_mass("CO2", "room", rate_kg_s=1.0, temperature_k=273.15)
    assert cold.flow_m3_s == pytest.approx(22.414e-3 / 44.0095e-3, rel=1e-5)
    assert math.isinf(cold.end_s)
