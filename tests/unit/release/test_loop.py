"""The closed loop: times to an alarm worked by hand, fans that start, valves that close, and what a person breathes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gaswitness.alarms import AlarmPoint
from gaswitness.alarms.effects import CauseLine, EffectLogic
from gaswitness.errors import InputError
from gaswitness.release import Flow, Leak, Network, Zone, exhaust
from gaswitness.release.loop import Person, Reaction, Sight, Watch, run_release
from gaswitness.response import SensorPath

ROOM = Network((Zone("room", 300.0),), exhaust("room", 0.5))
LEAK = Leak.of_mass("R-410A", "room", rate_kg_s=30.0 / 3600.0, displaces=False)
OWN = Sight(0.0, 1.0)


def watch(*points: AlarmPoint, t90_s: float = 60.0, dead_s: float = 0.0) -> Watch:
    return Watch("D", "room", SensorPath.from_t90(t90_s + dead_s, dead_s), points, OWN)


def test_alarm_times_through_a_first_order_detector() -> None:
    """R-410A 30 kg/h, 300 m3, 0.5 m3/s, t90 60 s: 500 and 1000 ppm after 81.25 and 144.13 s (ODE, worked outside)."""
    points = (AlarmPoint("low", 500.0), AlarmPoint("high", 1000.0))
    outcome = run_release(ROOM, [LEAK], watches=[watch(*points)], duration_s=200.0, step_s=0.25)
    assert outcome.set_s["D.low"] == pytest.approx(81.25, abs=0.26)
    assert outcome.set_s["D.high"] == pytest.approx(144.13, abs=0.26)
    assert outcome.lost < 1e-12


def test_delays_add_up() -> None:
    """Dead time and on-delay come on top; the room and the lag are as before."""
    plain = run_release(ROOM, [LEAK], watches=[watch(AlarmPoint("low", 500.0))], duration_s=300.0)
    slow = watch(AlarmPoint("low", 500.0, on_delay_s=20.0), dead_s=7.0)
    delayed = run_release(ROOM, [LEAK], watches=[slow], duration_s=300.0)
    first, later = plain.set_s["D.low"], delayed.set_s["D.low"]
    assert first is not None
    assert later == pytest.approx(first + 27.0, abs=1e-9)


def test_a_fan_starts_and_the_level_falls_to_its_own_steady_state() -> None:
    """Steady state G / Q: 5617.7 ppm at 0.5 m3/s is 1404.4 ppm at 2.0 m3/s."""
    logic = EffectLogic("FAN", (CauseLine(("D.low",)),), delay_s=5.0, needs_reset=True)
    fan = Reaction(logic, replaces=ROOM.flows, starts=exhaust("room", 2.0))
    outcome = run_release(
        ROOM, [LEAK], watches=[watch(AlarmPoint("low", 2000.0))], reactions=[fan], duration_s=5000.0, step_s=2.0
    )
    set_s = outcome.set_s["D.low"]
    assert set_s is not None
    assert outcome.on_s["FAN"] == pytest.approx(set_s + 5.0, abs=2.0)
    assert outcome.ppm[-1, 0] == pytest.approx(5617.7 / 4.0, rel=1e-4)
    assert outcome.ppm.max() < 3000.0


def test_a_valve_closes_the_leak_and_the_room_clears() -> None:
    logic = EffectLogic("VALVE", (CauseLine(("D.low",)),), needs_reset=True)
    outcome = run_release(
        ROOM,
        [LEAK],
        watches=[watch(AlarmPoint("low", 1000.0))],
        reactions=[Reaction(logic, closes_leak=True)],
        duration_s=4000.0,
    )
    closed_s = outcome.leak_closed_s
    assert closed_s == outcome.set_s["D.low"]
    assert closed_s is not None
    at = int(np.searchsorted(outcome.t_s, closed_s))
    expected = outcome.ppm[at, 0] * math.exp(-(4000.0 - closed_s) * 0.5 / 300.0)
    assert outcome.ppm[-1, 0] == pytest.approx(expected, rel=1e-9)


def test_a_fan_that_has_failed_changes_nothing() -> None:
    with_none = run_release(ROOM, [LEAK], watches=[watch(AlarmPoint("low", 500.0))], duration_s=600.0)
    assert with_none.on_s == {}
    assert with_none.ppm[-1, 0] == pytest.approx(3551.0, abs=0.1)


def test_what_a_person_breathes_until_he_leaves() -> None:
    """Leaves 120 s after 81 s; the dose is the integral of G/Q (1 - exp(-t/600)) up to 202 s."""
    person = Person("room", ("D.low",), 120.0)
    outcome = run_release(ROOM, [LEAK], watches=[watch(AlarmPoint("low", 500.0))], duration_s=1800.0)
    breathed = outcome.breathed(person, above_ppm=1000.0)
    leaves_s = breathed.leaves_s
    assert leaves_s == 202.0
    dose = 5617.7 * (leaves_s - 600.0 * -math.expm1(-leaves_s / 600.0))
    assert breathed.dose_ppm_s == pytest.approx(dose, rel=1e-4)
    assert breathed.stel_ppm == pytest.approx(dose / 900.0, rel=1e-4)
    assert breathed.twa_ppm == pytest.approx(dose / 28_800.0, rel=1e-4)
    assert breathed.above_s == pytest.approx(202.0 - 117.62, abs=1.0)
    stays = outcome.breathed(Person("room", (), 0.0))
    assert stays.leaves_s is None
    assert stays.peak_ppm == pytest.approx(5338.0, abs=0.1)


def test_a_burst_is_seen_and_balanced() -> None:
    room = Network((Zone("room", 50.0),), exhaust("room", 0.2))
    outcome = run_release(
        room, [Leak("room", burst_m3=5.0, start_s=10.0)], watches=[watch(AlarmPoint("low", 1000.0))], duration_s=300.0
    )
    assert outcome.ppm[9, 0] == 0.0
    assert outcome.ppm[10, 0] == pytest.approx(-math.expm1(-0.1) * 1e6)
    assert outcome.lost < 1e-12
    assert outcome.reaches_s(90_000.0) == 10.0
    assert outcome.reaches_s(2e5) is None


def test_nitrogen_is_seen_by_the_oxygen_it_pushes_out() -> None:
    """Oxygen falls to 19.5 %vol when 6.92 % of the air is displaced."""
    sight = Sight.of("N2", "O2", 209_500.0)
    assert sight is not None
    assert sight.offset_ppm + sight.slope * 69_212.4 == pytest.approx(195_000.0, abs=0.1)
    assert Sight.of("CO2", "NH3", 0.0) is None
    still = Network((Zone("room", 50.0),))
    oxygen = Watch("O2", "room", SensorPath(0.0, (0.0,)), (AlarmPoint("low", 195_000.0, "falling"),), sight)
    outcome = run_release(still, [Leak("room", 0.01)], watches=[oxygen], duration_s=600.0)
    assert outcome.set_s["O2.low"] == pytest.approx(-math.log(1 - 0.0692124) * 50.0 / 0.01, abs=2.0)


def test_an_effect_cannot_replace_air_that_is_not_there() -> None:
    fan = Reaction(EffectLogic("FAN", (CauseLine(("D.low",)),)), replaces=(Flow("room", "outside", 9.0),))
    with pytest.raises(InputError, match="replaces a flow"):
        run_release(ROOM, [LEAK], watches=[watch(AlarmPoint("low", 1.0))], reactions=[fan], duration_s=10.0)
