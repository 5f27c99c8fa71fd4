"""Ventilation by the published formulas, and charge against the room limits."""

from __future__ import annotations

import pytest

from gaswitness.errors import OutOfDomain
from gaswitness.gases.ventilation import (
    POUND_KG,
    air_changes_per_hour,
    airflows,
    charge_in_room,
    en_emergency_m3_s,
    us_emergency_m3_s,
)


@pytest.mark.parametrize(
    ("pounds", "cfm", "m3_s"),
    [(10, 316.2, 0.1492), (50, 707.1, 0.3337), (100, 1000.0, 0.4719), (500, 2236.1, 1.0553), (1000, 3162.3, 1.4924)],
)
def test_us_emergency_exhaust(pounds: float, cfm: float, m3_s: float) -> None:
    """Q = 100 sqrt(G), cfm and lb (New York City Mechanical Code 1105.6.3.2); 1 cfm = 4.719474432e-4 m3/s exactly."""
    flow_m3_s = us_emergency_m3_s(pounds * POUND_KG)
    assert flow_m3_s == pytest.approx(m3_s, abs=5e-5)
    assert flow_m3_s / 4.719474432e-4 == pytest.approx(cfm, abs=0.05)


def test_the_printed_si_factor_is_rounded() -> None:
    """The code prints 0.07 sqrt(G); the exact conversion is 0.070075, and 1000 lb differ by 0.1 %."""
    assert us_emergency_m3_s(1.0) == pytest.approx(0.070075, abs=5e-7)
    printed_m3_s = 0.07 * (1000 * POUND_KG) ** 0.5
    assert printed_m3_s == pytest.approx(1.4908, abs=5e-5)
    assert us_emergency_m3_s(1000 * POUND_KG) / printed_m3_s == pytest.approx(1.00107, abs=5e-6)


@pytest.mark.parametrize(
    ("kg", "m3_s", "m3_h"),
    [(10, 0.0650, 233.9), (50, 0.1900, 684.0), (100, 0.3016, 1085.8), (500, 0.8819, 3175.0), (1000, 1.4, 5040)],
)
def test_en_emergency_exhaust(kg: float, m3_s: float, m3_h: float) -> None:
    """V = 0.014 m^(2/3) (EN 378-3:2016 clause 5.13, from memory)."""
    assert en_emergency_m3_s(kg) == pytest.approx(m3_s, abs=5e-5)
    assert en_emergency_m3_s(kg) * 3600 == pytest.approx(m3_h, abs=0.06)


def test_fifteen_air_changes_are_enough() -> None:
    """1.4 m3/s in 300 m3 is 16.8 per hour, above the 15 that EN 378-3 asks for at most."""
    assert air_changes_per_hour(1.4, 300.0) == pytest.approx(16.8, abs=1e-12)
    flow = next(row for row in airflows("R-134a", charge_kg=1000.0, room_m3=300.0) if "0.014" in row.name)
    assert flow.per_hour == pytest.approx(15.0, abs=1e-12)
    assert "1.4 m3/s" in flow.note


def test_which_formulas_apply() -> None:
    names = [row.name for row in airflows("NH3", charge_kg=100.0, room_m3=200.0)]
    assert any("30 air changes" in name for name in names)
    assert not airflows("H2S", charge_kg=10.0, room_m3=100.0)
    assert not airflows("CO2")
    (full, standby) = airflows("CO", floor_m2=1000.0)
    assert full.flow_m3_s == pytest.approx(3.81, abs=0.005)  # Minnesota Rules 1346.0404: 0.0038 m3/s per m2
    assert standby.flow_m3_s == pytest.approx(full.flow_m3_s / 15)
    people = next(row for row in airflows("CO2", floor_m2=10.0, persons=4))
    assert people.flow_m3_s == pytest.approx(80 * 4.719474432e-4)  # 20 cfm a person beats 0.5 cfm/ft2
    floor = next(row for row in airflows("CO2", floor_m2=100.0, persons=4))
    assert floor.flow_m3_s == pytest.approx(0.254, abs=5e-4)  # Chicago 18-28-1105.8 prints 0.0025 m3/s m2


def test_hundred_pounds_of_carbon_dioxide_in_fifty_cubic_metres() -> None:
    """By arithmetic: 0.907 kg/m3; 50.4 % by adding, 39.6 % with displaced air."""
    room = charge_in_room("CO2", 100 * POUND_KG, 50.0)
    assert room.kg_m3 == pytest.approx(0.907, abs=5e-4)
    assert room.ppm == pytest.approx(396_000, abs=500)
    assert [(row.limit.name, row.holds) for row in room.limits] == [
        ("ASHRAE 34 RCL", False),
        ("EN 378-1 practical limit", False),
    ]


def test_a_charge_at_the_limit_still_holds() -> None:
    room = charge_in_room("R-410A", 0.44, 1.0)
    assert {row.limit.kind: row.holds for row in room.limits} == {"RCL": False, "practical limit": True}


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_charges_and_rooms_must_be_positive(bad: float) -> None:
    with pytest.raises(OutOfDomain):
        us_emergency_m3_s(bad)
    with pytest.raises(OutOfDomain):
        charge_in_room("CO2", 1.0, bad)
