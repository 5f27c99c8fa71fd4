"""`gaswitness levels --site SITE`: a whole site beside what is published, as one JSON document and in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gaswitness.gases import CHECK_THE_TEXT
from gaswitness.gases.advice import LATE
from gaswitness.gases.facts import Origin
from gaswitness.gases.hazards import DEFERRAL
from gaswitness.release.protect import Beside, OfArea, OfCharge, OfDetector
from gaswitness.site import Site
from gaswitness.wording import number

_UNREAD = " ?"


def document(areas: Sequence[OfArea]) -> dict[str, Any]:
    """What `--json` prints."""
    return {
        "areas": [
            {
                "area": one.area.tag,
                "place": one.area.place,
                "detectors": [_detector(detector) for detector in one.detectors],
                "charges": [_charge(charge) for charge in one.charges],
            }
            for one in areas
        ],
        "advice": [LATE, DEFERRAL],
    }


def _origin(origin: Origin) -> dict[str, str | None]:
    return {"source": origin.source, "verified": origin.verified, "read_in": origin.read_in}


def _detector(one: OfDetector) -> dict[str, Any]:
    return {
        "tag": one.detector.tag,
        "gas": one.detector.gas,
        "beside": [
            {
                "stage": row.proposal.stage,
                "direction": row.proposal.direction,
                "level_ppm": row.proposal.level_ppm,
                "reason": row.proposal.reason,
                **_origin(row.proposal.origin),
                "own_point": row.point,
                "own_ppm": row.own_ppm,
                "verdict": row.verdict,
            }
            for row in one.beside
        ],
        "missed": [row.rule.id for row in one.compared.missed],
    }


def _charge(one: OfCharge) -> dict[str, Any]:
    return {
        "gas": one.gas,
        "mass_kg": one.mass_kg,
        "watched_by": list(one.watched_by),
        "unguarded": one.unguarded or None,
        "kg_m3": one.room.kg_m3,
        "ppm": one.room.ppm,
        "oxygen_ppm": one.room.oxygen_ppm,
        "limits": [
            {
                "name": row.limit.name,
                "needed_room_m3": row.needed_room_m3,
                "holds": row.holds,
                **_origin(row.limit.origin),
            }
            for row in one.room.limits
        ],
        "ventilation": [
            {
                "name": flow.name,
                "kind": flow.kind,
                "flow_m3_s": flow.flow_m3_s,
                "own_m3_s": own_m3_s,
                "enough": None if own_m3_s is None else own_m3_s >= flow.flow_m3_s,
                **_origin(flow.origin),
            }
            for flow, own_m3_s in one.flows
        ],
    }


def show(site: Site, areas: Sequence[OfArea]) -> None:
    """Print it, area by area."""
    console = Console(highlight=False, markup=False)
    console.print(Text(site.name, style="bold"))
    console.print(f"{_UNREAD.strip()} = {CHECK_THE_TEXT}", style="dim")
    for one in areas:
        place = one.area.place or "kind of place not stated: levels for people, or shares of the flammable limit"
        console.print()
        console.print(Text(f"{one.area.tag}: {one.area.name}", style="bold"), Text(f"({place})", style="dim"))
        for alike in _alike(one.detectors):
            console.print(_beside(alike))
        for charge in one.charges:
            _say_charge(console, charge)
    console.print()
    console.print(LATE)
    console.print(DEFERRAL)


def _alike(detectors: Sequence[OfDetector]) -> list[list[OfDetector]]:
    """Detectors that stand the same beside the same levels are told once."""
    groups: list[list[OfDetector]] = []
    for one in detectors:
        for group in groups:
            if (group[0].detector.gas, group[0].beside) == (one.detector.gas, one.beside):
                group.append(one)
                break
        else:
            groups.append([one])
    return groups


def _beside(alike: Sequence[OfDetector]) -> Table:
    one = alike[0]
    unit = "%vol" if one.detector.gas == "O2" else "ppm"
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="dim")
    table.add_column(", ".join(each.detector.tag for each in alike))
    for name in (f"proposed, {unit}", "own point", "it comes"):
        table.add_column(name, justify="right" if name.startswith("proposed") else "left", no_wrap=True)
    table.add_column("because", style="dim", ratio=1)
    for row in one.beside:
        proposal = row.proposal
        sign = "≥" if proposal.direction == "rising" else "≤"
        unread = _UNREAD if proposal.origin.verified == "from memory" else ""
        level = f"{sign} {_level(proposal.level_ppm, unit)}{unread}"
        table.add_row(
            proposal.stage, level, _own(row, unit), _comes(row), f"{proposal.reason} ({proposal.origin.source})"
        )
    if not one.beside:
        table.add_row("", "none", "", "", "no rule and no limit in the table")
    return table


def _level(ppm: float, unit: str) -> str:
    return number(ppm / 1e4 if unit == "%vol" else ppm)


def _own(row: Beside, unit: str) -> str:
    return "-" if row.point is None or row.own_ppm is None else f"{row.point} {_level(row.own_ppm, unit)}"


def _comes(row: Beside) -> Text:
    if row.verdict == "later":
        return Text("LATER", style="bold")
    return Text({"as proposed": "there", "earlier": "earlier", "none": "never: no such point"}[row.verdict])


def _say_charge(console: Console, one: OfCharge) -> None:
    room = one.room
    console.print(
        f"  {number(one.mass_kg)} kg {one.gas} let out into the closed room: {number(room.kg_m3)} kg/m3, "
        f"{number(round(room.ppm))} ppm evenly mixed, {number(room.oxygen_ppm / 1e4)} %vol oxygen left"
    )
    if one.unguarded:
        console.print(Text(f"  NOT GUARDED  {one.unguarded}", style="bold"))
    for row in room.limits:
        word = "within" if row.holds else "EXCEEDS"
        unread = _UNREAD if row.limit.origin.verified == "from memory" else ""
        console.print(f"  {word} the {row.limit.name}{unread}, which needs {number(row.needed_room_m3)} m3")
    for flow, own_m3_s in one.flows:
        unread = _UNREAD if flow.origin.verified == "from memory" else ""
        asked = f"{flow.name}: {number(flow.flow_m3_s)} m3/s{unread}"
        if own_m3_s is None:
            console.print(f"  unknown  {asked}; the site states no {flow.kind} ventilation here")
        else:
            word = "enough" if own_m3_s >= flow.flow_m3_s else "SHORT"
            console.print(f"  {word}  {asked}; the site has {number(own_m3_s)} m3/s")
