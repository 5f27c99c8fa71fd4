"""Which bottle proves which detector, and whether it holds enough gas.

Choice: a bottle for the detector's gas, not expired, within the detector's range, and beyond the last point to be
proven by more than its own uncertainty. Among those, the weakest that still stands 1.2 times beyond the last point
(common practice, no source: 1.2 to 2 times the highest alarm), else the strongest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from gaswitness.plan.forecast import room_reads, shown_on
from gaswitness.plan.records import DetectorPlan, GasNeed
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import between, level, number, word

ATMOSPHERE_PA = 101_325.0
GOOD_RATIO = 1.2
PURGE_S = 10.0
"""Gas let through regulator and tube before each use: assumed, no source."""


def held_m3(cylinder: Cylinder) -> float:
    """Gas above the minimum pressure, at atmospheric pressure [m3]: V (p - p_min) / p_atm, ideal gas, one temperature.

    >>> from types import SimpleNamespace  # 1 L from 40 to 10 atmospheres
    >>> bottle = SimpleNamespace(water_volume_m3=1e-3, pressure_pa=40 * 101325.0, min_pressure_pa=10 * 101325.0)
    >>> round(held_m3(bottle) * 1000, 6)
    30.0
    """
    return max(0.0, cylinder.water_volume_m3 * (cylinder.pressure_pa - cylinder.min_pressure_pa) / ATMOSPHERE_PA)


def choose_bottle(
    site: Site, detector: Detector, points: Sequence[AlarmPointSpec], today: date
) -> tuple[Cylinder | None, tuple[str, ...]]:
    """The bottle for this detector, or the reasons why none of them will do."""
    fit, reasons = fitting_bottles(site, detector, points, today)
    return (fit[0], ()) if fit else (None, reasons)


def fitting_bottles(
    site: Site, detector: Detector, points: Sequence[AlarmPointSpec], today: date
) -> tuple[tuple[Cylinder, ...], tuple[str, ...]]:
    """Every bottle that would do for this detector, the best first; and why the others would not."""
    reasons: list[str] = []
    fit: list[Cylinder] = []
    candidates = [c for c in site.cylinders if c.target_gas == detector.gas]
    if not candidates:
        return (), (said("no bottle of {gas} is listed", gas=detector.gas),)
    for bottle in candidates:
        faults = _unfit(site, detector, points, bottle, today)
        if faults:
            reasons += [said("bottle {tag}: {fault}", tag=bottle.tag, fault=fault) for fault in faults]
        else:
            fit.append(bottle)
    ratio = {c.tag: _ratio(shown_on(site, detector, c), points) for c in fit}
    strong = sorted((c for c in fit if ratio[c.tag] >= GOOD_RATIO), key=lambda c: ratio[c.tag])
    weak = sorted((c for c in fit if ratio[c.tag] < GOOD_RATIO), key=lambda c: -ratio[c.tag])
    return (*strong, *weak), tuple(reasons)


def bottles_at_once(
    site: Site, choices: Mapping[str, Sequence[Cylinder]]
) -> tuple[dict[str, Cylinder], tuple[str, ...]]:
    """A bottle for each of several detectors that stand under gas at once; or why there is none.

    `choices` holds the bottles that would do for each detector, the best first. A bottle feeds several caps only in
    one area, and only if its manifold flow carries the sum of their flows; a detector for which it does not takes its
    next best bottle.
    """
    taken: dict[str, Cylinder] = {}
    reasons: list[str] = []
    for tag, bottles in choices.items():
        hindered = {
            c.tag: _hindered(site, tag, c, [t for t, other in taken.items() if other.tag == c.tag]) for c in bottles
        }
        free = next((c for c in bottles if not hindered[c.tag]), None)
        if free is not None:
            taken[tag] = free
        else:
            reasons += [
                said(
                    "{tag}, at once with {taken}: bottle {bottle} {hindered}",
                    tag=tag,
                    taken=listed(taken),
                    bottle=c.tag,
                    hindered=hindered[c.tag],
                )
                for c in bottles
            ]
    return ({}, tuple(reasons)) if reasons else (taken, ())


def _hindered(site: Site, tag: str, cylinder: Cylinder, others: Sequence[str]) -> str:
    """Why this bottle cannot feed a further cap; empty where it can."""
    elsewhere = [other for other in others if site.detector(other).area != site.detector(tag).area]
    if elsewhere:
        return said("feeds {elsewhere} in another area; list a second bottle", elsewhere=listed(elsewhere))
    return "" if carries(cylinder, 1 + len(others)) else _overdrawn(cylinder, 1 + len(others))


def carries(cylinder: Cylinder, caps: int) -> bool:
    """Whether a bottle can feed so many caps at once."""
    if caps <= 1:
        return True
    able_m3_s = cylinder.manifold_flow_m3_s
    return able_m3_s is not None and caps * cylinder.flow_m3_s <= able_m3_s * (1 + 1e-9)


def _overdrawn(cylinder: Cylinder, caps: int) -> str:
    wanted = said(
        "would have to give {flow} L/min to {caps} caps", flow=number(caps * cylinder.flow_m3_s * 60e3), caps=caps
    )
    if cylinder.manifold_flow_m3_s is None:
        return said(
            "{wanted}, and feeds one; state manifold_flow where it has a manifold, or list another bottle",
            wanted=wanted,
        )
    return said(
        "{wanted}, and its manifold gives {able} L/min",
        wanted=wanted,
        able=number(cylinder.manifold_flow_m3_s * 60e3),
    )


def gas_needs(site: Site, plans: Iterable[DetectorPlan]) -> tuple[GasNeed, ...]:
    """Gas taken out of each bottle over a whole visit, in the order in which bottles are used."""
    needed: dict[str, float] = {}
    for plan in plans:
        needed[plan.cylinder] = needed.get(plan.cylinder, 0.0) + plan.gas_m3
    return tuple(
        GasNeed(cylinder=tag, needed_m3=volume, available_m3=held_m3(site.cylinder(tag)))
        for tag, volume in needed.items()
    )


def _ratio(shown_ppm: float, points: Sequence[AlarmPointSpec]) -> float:
    """How far the bottle stands beyond the last point, from 1 up, in either direction."""
    ratios = [
        shown_ppm / p.set_ppm if p.direction == "rising" else p.set_ppm / max(shown_ppm, 1e-9)
        for p in points
        if p.set_ppm > 0
    ]
    return min(ratios, default=GOOD_RATIO)


def _unfit(
    site: Site, detector: Detector, points: Sequence[AlarmPointSpec], bottle: Cylinder, today: date
) -> list[str]:
    faults: list[str] = []
    if bottle.expires < today:
        faults.append(said("its certificate expired on {day}", day=bottle.expires.isoformat()))
    if held_m3(bottle) <= 0:
        faults.append(
            said(
                "{pressure} bar is not above its minimum pressure of {min_pressure} bar",
                pressure=figure(bottle.pressure_pa / 1e5),
                min_pressure=figure(bottle.min_pressure_pa / 1e5),
            )
        )
    shown_ppm = shown_on(site, detector, bottle)
    if not detector.range_low_ppm <= shown_ppm <= detector.range_high_ppm:
        faults.append(
            said(
                "it shows {shown}, outside the range {levels}",
                shown=level(detector, shown_ppm),
                levels=between(detector, detector.range_low_ppm, detector.range_high_ppm),
            )
        )
    slack_ppm = 2.0 * bottle.u_ppm * bottle.surrogate_factor
    low_ppm, high_ppm = room_reads(site, detector)
    for p in points:
        rising = p.direction == "rising"
        if (shown_ppm - slack_ppm <= p.set_ppm) if rising else (shown_ppm + slack_ppm >= p.set_ppm):
            faults.append(
                said(
                    "it shows {shown} and cannot surely bring the {direction} {point}, set at {level}",
                    shown=level(detector, shown_ppm),
                    direction=word(p.direction),
                    point=p.name,
                    level=level(detector, p.set_ppm),
                )
            )
    if not points and low_ppm <= shown_ppm <= high_ppm:
        faults.append(said("it shows {shown}, which the room's own air may hold", shown=level(detector, shown_ppm)))
    return faults
