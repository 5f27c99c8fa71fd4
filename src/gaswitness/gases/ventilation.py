"""Room air and room limits by published formulas: emergency and normal ventilation, charge against the limits.

Formulas hold SI units; the factors of the US formulas are the exact conversions of the printed ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import OutOfDomain
from gaswitness.gases.facts import Gas, Limit, Missing, Origin
from gaswitness.gases.hazards import AIR_O2_PPM
from gaswitness.gases.table import gas
from gaswitness.units import convert
from gaswitness.wording import number

Kind = Literal["normal", "emergency"]

CFM_M3_S = 4.719474432e-4
"""One cubic foot a minute, exact."""
POUND_KG = 0.45359237
SQUARE_FOOT_M2 = 0.09290304

US_EMERGENCY = Origin("New York City Mechanical Code 1105.6.3.2 and Uniform Mechanical Code 1106.2.5", "read", "copy")
US_NORMAL = Origin("Chicago Building Code 18-28-1105.8", "read", "copy")
US_CAR_PARK = Origin("International Mechanical Code section 404 and Minnesota Rules 1346.0404", "read", "account")
NH3_AIR_CHANGES = Origin("International Mechanical Code 2015, ammonia machinery rooms", "read", "account")
EN_378_3 = Origin("EN 378-3:2016 clause 5.13", "from memory")


@dataclass(frozen=True, slots=True)
class Airflow:
    """A flow that a published formula asks for."""

    name: str
    flow_m3_s: float
    per_hour: float | None
    """Air changes per hour, where the room is known."""
    origin: Origin
    kind: Kind
    """While nothing leaks, or once an alarm stands."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class RoomLimit:
    """A charge let out into a closed room, against one limit."""

    limit: Limit
    needed_room_m3: float
    holds: bool
    """Whether the whole charge in the room stays at or below the limit."""


@dataclass(frozen=True, slots=True)
class ChargeInRoom:
    """What the whole charge would make of a closed, evenly mixed room."""

    kg_m3: float
    ppm: float
    """With air displaced: 1 - exp(-v/V)."""
    oxygen_ppm: float
    limits: tuple[RoomLimit, ...]


def positive(name: str, value: float) -> float:
    """The value, or OutOfDomain when it is not a number above zero."""
    if not (value > 0.0 and math.isfinite(value)):
        raise OutOfDomain(f"{name} must be above zero", found=value)
    return value


def us_emergency_m3_s(charge_kg: float) -> float:
    """Emergency exhaust of a machinery room, Q = 100 sqrt(G) with Q in cfm and G in lb; in SI 0.070 sqrt(G).

    New York City Mechanical Code 1105.6.3.2, Uniform Mechanical Code 1106.2.5; G is the largest system's charge.

    >>> round(us_emergency_m3_s(100 * 0.45359237), 4)  # 100 lb: 1000 cfm
    0.4719
    """
    return 100.0 * CFM_M3_S * math.sqrt(positive("the charge", charge_kg) / POUND_KG)


def en_emergency_m3_s(charge_kg: float) -> float:
    """Emergency exhaust of a machinery room, V = 0.014 m^(2/3), m3/s and kg; EN 378-3:2016 5.13, from memory.

    >>> round(en_emergency_m3_s(100.0) * 3600, 1)
    1085.8
    """
    return 0.014 * math.pow(positive("the charge", charge_kg), 2.0 / 3.0)


def air_changes_per_hour(flow_m3_s: float, room_m3: float) -> float:
    """n = 3600 Q / V [1/h], by definition the mass balance of a mixed room (as in ASTM E741).

    >>> round(air_changes_per_hour(1.4, 300.0), 2)
    16.8
    """
    return 3600.0 * flow_m3_s / positive("the room's volume", room_m3)


def airflows(
    gas_key: str,
    *,
    charge_kg: float | None = None,
    room_m3: float | None = None,
    floor_m2: float | None = None,
    persons: int | None = None,
) -> tuple[Airflow, ...]:
    """The flows that published formulas ask for, as far as charge, room and floor are known."""
    found = gas(gas_key)
    flows: list[Airflow] = []

    def add(kind: Kind, name: str, flow_m3_s: float, origin: Origin, note: str = "") -> None:
        per_hour = None if room_m3 is None else air_changes_per_hour(flow_m3_s, room_m3)
        flows.append(Airflow(name, flow_m3_s, per_hour, origin, kind, note))

    if found.is_refrigerant and charge_kg is not None:
        note = (
            "A2L refrigerants: the Uniform Mechanical Code has a table instead" if found.safety_class == "A2L" else ""
        )
        add("emergency", "machinery room, emergency, 100 sqrt(G) cfm", us_emergency_m3_s(charge_kg), US_EMERGENCY, note)
        en_m3_s = en_emergency_m3_s(charge_kg)
        enough_m3_s = math.inf if room_m3 is None else 15.0 * room_m3 / 3600.0
        add(
            "emergency",
            "machinery room, emergency, 0.014 m^(2/3)",
            min(en_m3_s, enough_m3_s),
            EN_378_3,
            f"15 air changes per hour are enough; the formula gives {number(en_m3_s)} m3/s"
            if en_m3_s > enough_m3_s
            else "",
        )
    if found.is_refrigerant and room_m3 is not None:
        add(
            "normal",
            "machinery room, while occupied, 4 air changes per hour",
            4.0 * room_m3 / 3600.0,
            EN_378_3,
            "at least",
        )
        if found.key == "NH3":
            add(
                "emergency", "ammonia machinery room, 30 air changes per hour", 30.0 * room_m3 / 3600.0, NH3_AIR_CHANGES
            )
    if found.is_refrigerant and floor_m2 is not None:
        by_floor = 0.5 * CFM_M3_S / SQUARE_FOOT_M2 * positive("the floor area", floor_m2)
        add(
            "normal",
            "machinery room, normal, larger of 0.5 cfm/ft2 and 20 cfm a person",
            max(by_floor, 20.0 * CFM_M3_S * (persons or 0)),
            US_NORMAL,
            "or what holds the rise in temperature to 10 K, if that is more",
        )
    if found.key in ("CO", "NO2") and floor_m2 is not None:
        per_m2 = CFM_M3_S / SQUARE_FOOT_M2 * positive("the floor area", floor_m2)
        add("emergency", "car park, full, 0.75 cfm/ft2", 0.75 * per_m2, US_CAR_PARK)
        add("normal", "car park, standby, 0.05 cfm/ft2", 0.05 * per_m2, US_CAR_PARK)
    return tuple(flows)


def charge_in_room(gas_key: str, charge_kg: float, room_m3: float) -> ChargeInRoom:
    """The whole charge let out into a closed, evenly mixed room at 25 degC and 101.325 kPa.

    The gas takes v = m / rho (ideal, which errs to the safe side for vapours); as it comes in, mixed air leaves, so by
    mass balance x = 1 - exp(-v / V).

    >>> room = charge_in_room("CO2", 45.359237, 50.0)  # 100 lb
    >>> round(room.kg_m3, 3), round(room.ppm)
    (0.907, 396081)
    """
    found = gas(gas_key)
    kg_m3 = positive("the charge", charge_kg) / positive("the room's volume", room_m3)
    share = convert(kg_m3, "kg/m3", "ppm", gas=found.key) * 1e-6
    ppm = -math.expm1(-share) * 1e6
    limits = []
    for row in found.limits:
        if (row.kind, row.unit) not in (("practical limit", "kg/m3"), ("RCL", "g/m3")) or isinstance(
            row.value, Missing
        ):
            continue
        limit_kg_m3 = row.value if row.unit == "kg/m3" else row.value * 1e-3
        limits.append(RoomLimit(row, charge_kg / limit_kg_m3, kg_m3 <= limit_kg_m3))
    return ChargeInRoom(kg_m3, ppm, AIR_O2_PPM * (1.0 - ppm * 1e-6), tuple(limits))


def carbon_dioxide_equivalent_t(found: Gas, charge_kg: float) -> tuple[tuple[str, float], ...]:
    """Charge as tonnes of CO2 equivalent by each named set: m GWP / 1000.

    >>> dict(carbon_dioxide_equivalent_t(gas("R-134a"), 3.5))["EU 2024/573"]
    5.005
    """
    return tuple((row.set, charge_kg * row.value / 1000.0) for row in found.warming)
