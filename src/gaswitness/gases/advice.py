"""From facts and rules to words: what to mind about a gas, which levels are published, where a site's own differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from gaswitness.gases.facts import CHECK_THE_TEXT, Gas, Limit, Missing, Origin
from gaswitness.gases.hazards import AIR_O2_PPM, DEFERRAL, O2_LOW_PPM, lowest_breathing_limit_ppm
from gaswitness.gases.rules import NamedLevel, RuleLevel, lowest_of, rules_for
from gaswitness.gases.table import gas, lower_flammable_limits
from gaswitness.gases.ventilation import ChargeInRoom, carbon_dioxide_equivalent_t, charge_in_room
from gaswitness.wording import number

Direction = Literal["rising", "falling"]

DISPLACED_PPM = (1.0 - O2_LOW_PPM / AIR_O2_PPM) * 1e6
"""Of any gas, when it has pushed oxygen from 20.95 down to 19.5 %vol: about 69,000 ppm."""


LATE = (
    "The time to an alarm is the gas's way to the detector, plus the detector's response, plus every delay: "
    "a level that is right and late protects nobody. Near a leak the gas is far above the room's mean."
)


@dataclass(frozen=True, slots=True)
class Proposal:
    """A level to start the discussion from, and why."""

    stage: str
    direction: Direction
    level_ppm: float
    reason: str
    origin: Origin


@dataclass(frozen=True, slots=True)
class Comparison:
    """The alarm points of one detector beside the published levels for its gas."""

    met: tuple[tuple[RuleLevel, str], ...]
    """Rules with the point that sets at or before the rule's level, the nearest one where several do."""
    missed: tuple[RuleLevel, ...]
    """Rules for which no point sets early enough."""


def propose(gas_key: str, *, place: str | None = None, charge_kg: float | None = None) -> tuple[Proposal, ...]:
    """Levels to start from: the rules of the place; else the limits for people; else shares of the flammable limit.

    >>> [(p.stage, p.level_ppm) for p in propose("CO", place="car park")]
    [('fan', 25.0)]
    """
    found = gas(gas_key)
    of_place = () if place is None else rules_for(gas_key, place=place, charge_kg=charge_kg)
    stated = [r for r in of_place if r.rule.place == place and not isinstance(r.level_ppm, Missing)]
    if stated:
        return tuple(_from_rule(row) for row in stated)
    if found.key == "O2" or ("flammable" in found.hazards and "toxic" not in found.hazards):
        return tuple(_from_rule(r) for r in rules_for(gas_key, place="any room") if r.rule.place == "any room")
    return _from_limits(found)


def _from_rule(row: RuleLevel) -> Proposal:
    assert not isinstance(row.level_ppm, Missing)  # noqa: S101 - both callers choose rows with a number
    basis = "" if row.rule.of == "ppm" else f"; {row.basis}"
    reason = f"{row.rule.action} ({row.rule.condition}{basis})"
    return Proposal(row.rule.stage, row.rule.direction, row.level_ppm, reason, row.rule.origin)


def _from_limits(found: Gas) -> tuple[Proposal, ...]:
    """Low at the lowest limit for a working day, high at the lowest short-term limit or half the IDLH."""
    day = [row for row in found.limits if row.kind in ("TWA", "OEL") and row.unit == "ppm"]
    short = [row for row in found.limits if row.kind in ("STEL", "C") and row.unit == "ppm"]
    proposals: list[Proposal] = []

    def add(stage: str, level: NamedLevel, share: float, why: str) -> None:
        proposals.append(Proposal(stage, "rising", share * level.ppm, f"{level.name}: {why}", level.origin))

    low = lowest_of(found, *(row.name for row in day))
    if low is not None:
        add("low", low, 1.0, "the lowest limit for a working day")
    above = [row.name for row in short if (found.limit_value(row.name) or 0.0) > (low.ppm if low else 0.0)]
    if high := lowest_of(found, *above):
        add("high", high, 1.0, "the lowest short-term limit above it")
    elif idlh := lowest_of(found, "NIOSH IDLH"):
        add("high", idlh, 0.5, "half of it, since the table has no short-term limit")
    return tuple(proposals)


def compare(
    gas_key: str,
    points: Sequence[tuple[str, Direction, float]],
    *,
    place: str | None = None,
    charge_kg: float | None = None,
) -> Comparison:
    """A detector's points (name, direction, set level in ppm) beside every published level for the gas.

    >>> store = "carbon dioxide store or beverage room"
    >>> found = compare("CO2", [("low", "rising", 8000.0), ("high", "rising", 30000.0)], place=store)
    >>> [(row.rule.id, point) for row, point in found.met], [row.rule.id for row in found.missed]
    ([('ifc-co2-room', 'high')], ['ifc-co2-supervisory'])
    """
    met: list[tuple[RuleLevel, str]] = []
    missed: list[RuleLevel] = []
    for row in rules_for(gas_key, place=place, charge_kg=charge_kg):
        if isinstance(row.level_ppm, Missing):
            continue
        sign = 1.0 if row.rule.direction == "rising" else -1.0
        early = [
            (sign * set_ppm, name)
            for name, direction, set_ppm in points
            if direction == row.rule.direction and sign * set_ppm <= sign * row.level_ppm
        ]
        if early:
            met.append((row, max(early)[1]))
        else:
            missed.append(row)
    return Comparison(tuple(met), tuple(missed))


def advice(gas_key: str, *, room_m3: float | None = None, charge_kg: float | None = None) -> tuple[str, ...]:
    """What to mind about this gas, in this room, at this charge; the last line says who decides.

    >>> advice("CO2")[0]
    'An oxygen alarm at 19.5 %vol does not guard against CO2: it comes only at about 69,000 ppm, above the NIOSH IDLH of 40,000 ppm. Measure CO2 itself.'
    """  # noqa: E501 - one line of advice, as shown
    found = gas(gas_key)
    lines: list[str] = []
    lines += _oxygen_trap(found)
    lines += _flammable_share(found)
    lines += _where_to_mount(found)
    if room_m3 is not None and charge_kg is not None:
        lines += _room(found, charge_in_room(gas_key, charge_kg, room_m3))
    if charge_kg is not None:
        lines += _warming(found, charge_kg)
    lines.append(LATE)
    if any(row.origin.verified == "from memory" for row in found.limits):
        lines.append(f"Figures marked '{CHECK_THE_TEXT}' were recalled, not re-read: do not rely on them unchecked.")
    lines.append(DEFERRAL)
    return tuple(lines)


def _oxygen_trap(found: Gas) -> list[str]:
    if found.key == "O2":
        return [
            "A falling oxygen alarm at 19.5 %vol tells of another gas only at about "
            f"{number(round(DISPLACED_PPM, -3))} ppm of it: carbon dioxide is then above its IDLH, "
            "and toxic gases kill long before."
        ]
    if why := unguarded_by_oxygen(found):
        return [f"{why} Measure {found.key} itself."]
    if "asphyxiant" not in found.hazards:
        return []
    return [
        f"{found.key} suffocates without warning: an oxygen alarm at 19.5 %vol comes at about "
        f"{number(round(DISPLACED_PPM, -3))} ppm of it, and is a guard here if it can be read before people enter."
    ]


def unguarded_by_oxygen(found: Gas) -> str:
    """Why an oxygen alarm is no guard against this gas; empty where nothing worse comes before it.

    >>> unguarded_by_oxygen(gas("methane"))
    'An oxygen alarm at 19.5 %vol does not guard against CH4: it comes only at about 69,000 ppm, above the lowest LFL (IEC 60079-20-1) of 44,000 ppm.'
    >>> unguarded_by_oxygen(gas("N2"))
    ''
    """  # noqa: E501 - one line of advice, as shown
    worst = [(row.name, row.ppm) for name in WORSE if (row := lowest_of(found, name)) is not None]
    worst += [(f"lowest LFL ({row.standard})", ppm) for ppm, row in lower_flammable_limits(found)[:1]]
    danger, ppm = next((row for row in worst if row[1] < DISPLACED_PPM), ("", DISPLACED_PPM))
    if not danger:
        return ""
    return (
        f"An oxygen alarm at 19.5 %vol does not guard against {found.key}: it comes only at about "
        f"{number(round(DISPLACED_PPM, -3))} ppm, above the {danger} of {number(ppm)} ppm."
    )


WORSE = ("NIOSH IDLH", "ASHRAE 34 RCL")
"""Limits that no gas may reach before an alarm comes, the one for people first."""


def _flammable_share(found: Gas) -> list[str]:
    burning = lower_flammable_limits(found)
    if not burning:
        return []
    shares = ", ".join(f"{number(0.2 * ppm)} ppm by {row.standard}" for ppm, row in burning)
    lines = [f"20 %LFL is {shares}: every %LFL must carry its limit and standard."] if len(burning) > 1 else []
    lowest = lowest_breathing_limit_ppm(found)
    if "toxic" in found.hazards and lowest is not None:
        lines.append(
            f"20 %LFL of {found.key} is {number(0.2 * burning[0][0] / lowest[1])} times its lowest workplace limit: "
            "a flammable-gas alarm does not guard people against poisoning."
        )
    return lines


def _where_to_mount(found: Gas) -> list[str]:
    if found.moves.startswith("sinks"):
        where = "low, at most about 0.3 m above the floor, and in pits"
    elif found.moves.startswith("rises"):
        where = "high, near the ceiling and above the leak"
    else:
        where = "at breathing height, where people are"
    return [f"{found.key} {found.moves}: detectors go {where} (common practice)."]


def _room(found: Gas, room: ChargeInRoom) -> list[str]:
    lines = [
        f"The whole charge in the closed room makes {number(room.kg_m3)} kg/m3, {number(room.ppm)} ppm evenly mixed, "
        f"with {number(room.oxygen_ppm / 1e4)} %vol oxygen left."
    ]
    for row in room.limits:
        verdict = "stays within" if row.holds else "exceeds"
        lines.append(
            f"It {verdict} the {row.limit.name} of {_printed(row.limit)}: "
            f"that needs {number(row.needed_room_m3)} m3 ({row.limit.origin})."
        )
    burning = lower_flammable_limits(found)
    if burning and room.ppm >= burning[0][0]:
        lines.append(f"Evenly mixed it can burn: above the lowest LFL of {number(burning[0][0] / 1e4)} %vol.")
    elif burning and room.ppm >= 0.25 * burning[0][0]:
        share = number(round(100 * room.ppm / burning[0][0]))
        lines.append(f"Evenly mixed it is {share} % of the lowest LFL; near the leak it can burn.")
    return lines


def _printed(row: Limit) -> str:
    return f"{number(row.value) if isinstance(row.value, float) else row.value} {row.unit}"


def _warming(found: Gas, charge_kg: float) -> list[str]:
    amounts = carbon_dioxide_equivalent_t(found, charge_kg)
    eu = dict(amounts).get("EU 2024/573")
    if eu is None or "R-" not in found.key:
        return []
    if eu < 5.0:
        step = "below the 5 t from which regular leak checks begin"
    elif eu < 50.0:
        step = "leak check every 12 months (24 with a leak detection system)"
    elif eu < 500.0:
        step = "leak check every 6 months (12 with a leak detection system)"
    else:
        step = "leak check every 3 months, and a leak detection system is mandatory"
    return [
        f"{number(charge_kg)} kg are {number(eu)} t CO2 equivalent (GWP set EU 2024/573): {step} "
        "(steps of Regulation (EU) No 517/2014; unsaturated HFCs are counted in kilograms as well)."
    ]
