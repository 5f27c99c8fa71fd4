"""`gaswitness levels GAS`: published limits and alarm levels with their sources, ventilation, room limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from gaswitness.cli.options import AsJson

if TYPE_CHECKING:
    from gaswitness.gases.advice import Comparison
    from gaswitness.gases.facts import Gas, Limit, Number, Origin
    from gaswitness.gases.rules import RuleLevel
    from gaswitness.gases.ventilation import Airflow, ChargeInRoom


def levels(
    gas: Annotated[
        str | None,
        typer.Argument(
            metavar="GAS", help="Key, refrigerant number or name: CO2, R-744, ammonia. Left out, the whole --site.",
            show_default=False,
        ),
    ] = None,
    room_m3: Annotated[float | None, typer.Option("--room-m3", help="Volume of the room.")] = None,
    charge_kg: Annotated[float | None, typer.Option("--charge-kg", help="Charge of the largest system.")] = None,
    floor_m2: Annotated[float | None, typer.Option("--floor-m2", help="Floor area, for normal ventilation.")] = None,
    persons: Annotated[int | None, typer.Option("--persons", min=0, help="People in the room.")] = None,
    place: Annotated[str | None, typer.Option("--place", help="Keep the rules of one kind of place.")] = None,
    site: Annotated[
        Path | None,
        typer.Option("--site", help="Show this site's own alarm points beside them; without GAS, the whole site."),
    ] = None,
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Published limits and alarm-level rules for a gas, with sources; ventilation and room limits; or a whole site."""
    from gaswitness.errors import InputError
    from gaswitness.gases import advice as words
    from gaswitness.gases import gas as look_up
    from gaswitness.gases.rules import places, rules_for
    from gaswitness.gases.ventilation import airflows, charge_in_room, positive

    if gas is None:
        if site is None:
            raise InputError(
                "neither a gas nor a site", expected="gaswitness levels GAS, or gaswitness levels --site SITE"
            )
        _whole_site(site, as_json=as_json)
        return
    found = look_up(gas)
    for name, value in (("--room-m3", room_m3), ("--charge-kg", charge_kg), ("--floor-m2", floor_m2)):
        if value is not None:
            positive(name, value)
    if place is not None and place not in places():
        raise InputError("no rule speaks of this place", where="--place", found=place, expected=" or ".join(places()))
    rules = rules_for(found.key, place=place, charge_kg=charge_kg)
    flows = airflows(found.key, charge_kg=charge_kg, room_m3=room_m3, floor_m2=floor_m2, persons=persons)
    room = None
    if room_m3 is not None and charge_kg is not None:
        room = charge_in_room(found.key, charge_kg, room_m3)
    lines = words.advice(found.key, room_m3=room_m3, charge_kg=charge_kg)
    proposed = words.propose(found.key, place=place, charge_kg=charge_kg)
    own = _own_points(site, found, place) if site is not None else {}
    if as_json:
        from gaswitness.cli.output import print_json

        print_json(
            {
                "gas": found.key,
                "name": found.name,
                "cas": found.cas,
                "molar_mass_g_mol": found.molar_mass_g_mol,
                "safety_class": found.safety_class,
                "safety_class_source": found.class_origin.source,
                "safety_class_verified": found.class_origin.verified,
                "moves": found.moves,
                "limits": [_limit_json(row) for row in found.limits]
                + [
                    {
                        "name": f"{row.standard} {row.bound}",
                        "value": _bare(row.value),
                        "unit": row.unit,
                        **_origin_json(row.origin),
                        "note": row.note,
                    }
                    for row in found.flammability
                ],
                "rules": [_rule_json(row) for row in rules],
                "proposed": [
                    {
                        "stage": row.stage,
                        "direction": row.direction,
                        "level_ppm": row.level_ppm,
                        "reason": row.reason,
                        **_origin_json(row.origin),
                    }
                    for row in proposed
                ],
                "ventilation": [_flow_json(row) for row in flows],
                "room": None if room is None else _room_json(room),
                "gwp": [
                    {"set": row.set, "value": row.value, "below": row.below, **_origin_json(row.origin)}
                    for row in found.warming
                ],
                "site": {
                    tag: {
                        "met": [{"rule": row.rule.id, "point": point} for row, point in compared.met],
                        "missed": [row.rule.id for row in compared.missed],
                    }
                    for tag, (_, compared) in own.items()
                },
                "advice": list(lines),
            }
        )
        return
    from gaswitness.cli.levels_view import show

    show(found, rules=rules, proposed=proposed, own=own, flows=flows, room=room, lines=lines)


def _whole_site(site: Path, *, as_json: bool) -> None:
    from gaswitness.cli.levels_site import document, show
    from gaswitness.cli.output import print_json
    from gaswitness.release.protect import protection
    from gaswitness.site import read_site

    described = read_site(site)
    areas = protection(described)
    if as_json:
        print_json(document(areas))
    else:
        show(described, areas)


def _own_points(site: Path, found: Gas, place: str | None) -> dict[str, tuple[str, Comparison]]:
    """Per detector of this gas: its points in words, and how they compare."""
    from gaswitness.gases.advice import compare
    from gaswitness.site import read_site
    from gaswitness.wording import number

    described = read_site(site)
    own = {}
    for detector in described.detectors:
        if detector.gas != found.key:
            continue
        charges = described.area(detector.area).charges
        compared = compare(
            found.key,
            [(point.name, point.direction, point.set_ppm) for point in detector.alarms],
            place=place,
            charge_kg=sum(charge.mass_kg for charge in charges if charge.gas == found.key) or None,
        )
        signs = {"rising": "≥", "falling": "≤"}
        words = [f"{point.name} {signs[point.direction]} {number(point.set_ppm)}" for point in detector.alarms]
        own[detector.tag] = ("\n".join(words), compared)
    return own


def _bare(value: Number) -> float | str:
    return value if isinstance(value, float) else value.value


def _origin_json(origin: Origin) -> dict[str, str | None]:
    return {"source": origin.source, "verified": origin.verified, "read_in": origin.read_in}


def _limit_json(row: Limit) -> dict[str, Any]:
    return {
        "name": row.name,
        "value": _bare(row.value),
        "unit": row.unit,
        **_origin_json(row.origin),
        "note": row.note,
    }


def _rule_json(row: RuleLevel) -> dict[str, Any]:
    rule = row.rule
    return {
        "id": rule.id,
        "place": rule.place,
        "condition": rule.condition,
        "stage": rule.stage,
        "direction": rule.direction,
        "level": _bare(rule.level),
        "of": rule.of,
        "level_ppm": _bare(row.level_ppm),
        "basis": row.basis,
        "unread": row.unread,
        "action": rule.action,
        "respond_within_s": _bare(rule.respond_within_s),
        **_origin_json(rule.origin),
    }


def _flow_json(row: Airflow) -> dict[str, Any]:
    return {
        "name": row.name,
        "flow_m3_s": row.flow_m3_s,
        "per_hour": row.per_hour,
        "note": row.note,
        **_origin_json(row.origin),
    }


def _room_json(room: ChargeInRoom) -> dict[str, Any]:
    return {
        "kg_m3": room.kg_m3,
        "ppm": room.ppm,
        "oxygen_ppm": room.oxygen_ppm,
        "limits": [
            {
                "name": row.limit.name,
                "value": _bare(row.limit.value),
                "unit": row.limit.unit,
                "needed_room_m3": row.needed_room_m3,
                "holds": row.holds,
                **_origin_json(row.limit.origin),
            }
            for row in room.limits
        ],
    }
