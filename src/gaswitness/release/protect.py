"""Is this installation able to protect anyone? Its alarm points, charges and fans beside what is published.

Nothing here is a verdict: a proposal is a level to start the talk from, and local code and licensed persons decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gaswitness.gases import gas
from gaswitness.gases.advice import Comparison, Proposal, compare, propose, unguarded_by_oxygen
from gaswitness.gases.ventilation import Airflow, ChargeInRoom, airflows, charge_in_room
from gaswitness.site.records import AlarmPointSpec, Area, Detector, Site

SAME = 0.005
"""Relative difference within which two levels are one."""

Verdict = Literal["as proposed", "earlier", "later", "none"]


@dataclass(frozen=True, slots=True)
class Beside:
    """A proposed level, and the detector's own point that comes nearest to it."""

    proposal: Proposal
    verdict: Verdict
    """`earlier`: a point sets before it; `later`: only beyond it; `none`: no point in that direction."""
    point: str | None = None
    own_ppm: float | None = None


@dataclass(frozen=True, slots=True)
class OfDetector:
    """One detector's points beside what is proposed and published for its gas and place."""

    detector: Detector
    beside: tuple[Beside, ...]
    compared: Comparison


@dataclass(frozen=True, slots=True)
class OfCharge:
    """Gas held in an area, let out into it."""

    gas: str
    mass_kg: float
    room: ChargeInRoom
    watched_by: tuple[str, ...]
    """Detectors of this gas that hang in the area."""
    unguarded: str
    """What is to be said where nobody measures the gas itself; else empty."""
    flows: tuple[tuple[Airflow, float | None], ...]
    """What published formulas ask for, and what the area has of that kind; None where the site does not say."""


@dataclass(frozen=True, slots=True)
class OfArea:
    """One area."""

    area: Area
    detectors: tuple[OfDetector, ...]
    charges: tuple[OfCharge, ...]


def protection(site: Site) -> tuple[OfArea, ...]:
    """Every area that holds gas or a detector, in the order of the site."""
    found = []
    for area in site.areas:
        here = tuple(detector for detector in site.detectors if detector.area == area.tag)
        if here or area.charges:
            detectors = tuple(_of_detector(area, detector) for detector in here)
            found.append(OfArea(area, detectors, tuple(_of_charge(area, key, here) for key in _held(area))))
    return tuple(found)


def _held(area: Area) -> tuple[str, ...]:
    return tuple(dict.fromkeys(charge.gas for charge in area.charges))


def _mass_kg(area: Area, key: str) -> float:
    """The largest system's: published rules count that, not the sum."""
    return max((charge.mass_kg for charge in area.charges if charge.gas == key), default=0.0)


def _of_detector(area: Area, detector: Detector) -> OfDetector:
    charge_kg = _mass_kg(area, detector.gas) or None
    proposed = propose(detector.gas, place=area.place, charge_kg=charge_kg)
    points = [(point.name, point.direction, point.set_ppm) for point in detector.alarms]
    ordered = sorted(proposed, key=lambda one: (one.direction, one.level_ppm))
    return OfDetector(
        detector,
        tuple(beside(proposal, detector.alarms) for proposal in ordered),
        compare(detector.gas, points, place=area.place, charge_kg=charge_kg),
    )


def beside(proposal: Proposal, points: tuple[AlarmPointSpec, ...]) -> Beside:
    """The point nearest to a proposed level among those that set at or before it; else the first that comes after."""
    sign = 1.0 if proposal.direction == "rising" else -1.0
    aim = sign * proposal.level_ppm
    own = sorted(
        ((sign * point.set_ppm, point) for point in points if point.direction == proposal.direction),
        key=lambda row: row[0],
    )
    if not own:
        return Beside(proposal, "none")
    slack = SAME * abs(aim)
    at, point = next((row for row in reversed(own) if row[0] <= aim + slack), own[0])
    verdict: Verdict = "as proposed" if abs(at - aim) <= slack else "earlier" if at < aim else "later"
    return Beside(proposal, verdict, point.name, point.set_ppm)


def _of_charge(area: Area, key: str, here: tuple[Detector, ...]) -> OfCharge:
    mass_kg = _mass_kg(area, key)
    watched = tuple(detector.tag for detector in here if detector.gas == key)
    by_oxygen = [detector.tag for detector in here if detector.gas == "O2"]
    if watched:
        unguarded = ""
    elif by_oxygen:
        unguarded = unguarded_by_oxygen(gas(key))
    else:
        unguarded = f"nothing in {area.tag} measures {key}"
    asked = airflows(
        key, charge_kg=mass_kg, room_m3=area.volume_m3, floor_m2=area.volume_m3 / area.height_m, persons=None
    )
    fans = area.ventilation
    flows = tuple((flow, fans.emergency_m3_s if flow.kind == "emergency" else fans.normal_m3_s) for flow in asked)
    return OfCharge(key, mass_kg, charge_in_room(key, mass_kg, area.volume_m3), watched, unguarded, flows)
