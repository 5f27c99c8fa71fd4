"""Can the bottles prove the alarms: strong enough, inside the range, in date, and with gas enough?"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from gaswitness.errors import UnitError
from gaswitness.sentence import figure, said
from gaswitness.site.records import Cylinder, Detector, Direction, Site
from gaswitness.site.rules.remark import Remarks, doubt, fault, level
from gaswitness.wording import number, word

STRONG_ENOUGH = 1.2
"""Test gas is taken at 1.2 to 2 times the highest alarm it must prove (common practice, no source)."""
TOP_OF_RANGE = 0.97
"""Share of the range above which a reading that is too high could no longer be seen as such."""
SOON = timedelta(days=30)
GAS_TIMES_T90 = 3.0
"""Gas flows for about three times t90 at each detector (common practice, no source); the plan works it out."""
ATMOSPHERE_PA = 101_325.0


def bottles(site: Site, today: date) -> Remarks:
    """Every cylinder by itself, then every detector with the cylinders of its gas."""
    for index, cylinder in enumerate(site.cylinders):
        yield from _itself(site, cylinder, f"$.cylinders[{index}]", today)
    for index, detector in enumerate(site.detectors):
        yield from _for_detector(site, detector, f"$.detectors[{index}]")


def _itself(site: Site, cylinder: Cylinder, path: str, today: date) -> Remarks:
    if cylinder.expires < today:
        yield fault(
            f"{path}.expires",
            said(
                "found {day}, which is past: the level of {tag} is no longer certified",
                day=str(cylinder.expires),
                tag=cylinder.tag,
            ),
            said("bring a bottle in date, with its certificate"),
        )
    elif cylinder.expires - today <= SOON:
        yield doubt(
            f"{path}.expires",
            said(
                "found {day}: {tag} expires within {days} days",
                day=str(cylinder.expires),
                tag=cylinder.tag,
                days=SOON.days,
            ),
        )
    if cylinder.manifold_flow_m3_s is not None and cylinder.manifold_flow_m3_s < 2 * cylinder.flow_m3_s:
        yield doubt(
            f"{path}.manifold_flow",
            said(
                "found {manifold} L/min, which does not feed two caps at {flow} L/min each",
                manifold=number(cylinder.manifold_flow_m3_s * 60e3),
                flow=number(cylinder.flow_m3_s * 60e3),
            ),
        )
    if not cylinder.certificate.strip():
        yield doubt(f"{path}.certificate", said("found no certificate number; a result without one is hard to defend"))
    if cylinder.surrogate_for == cylinder.gas:
        yield doubt(
            f"{path}.surrogate_for", said("found {gas}, which is the gas of the bottle itself", gas=cylinder.gas)
        )
    elif cylinder.surrogate_for is not None and cylinder.surrogate_factor == 1.0:
        yield doubt(
            f"{path}.surrogate_factor",
            said(
                "found 1: {gas} would read as the same level of {target}",
                gas=cylinder.gas,
                target=cylinder.surrogate_for,
            ),
            said("take the factor from the data sheet of the sensor"),
        )
    try:
        if cylinder.u_ppm == 0:
            yield doubt(f"{path}.expanded_uncertainty", said("found 0; no certificate is without uncertainty"))
    except UnitError:
        yield fault(
            f"{path}.expanded_uncertainty",
            said(
                "found {found}, expected a level or a share of the level: {example}",
                found=str(cylinder.expanded_uncertainty),
                example="2 % of level",
            ),
        )
    yield from _enough(site, cylinder, path)


def _enough(site: Site, cylinder: Cylinder, path: str) -> Remarks:
    usable_pa = cylinder.pressure_pa - cylinder.min_pressure_pa
    if usable_pa <= 0:
        yield fault(
            f"{path}.pressure",
            said(
                "found {pressure} bar, expected more than the minimum pressure of {min_pressure} bar",
                pressure=figure(cylinder.pressure_pa / 1e5, "g"),
                min_pressure=figure(cylinder.min_pressure_pa / 1e5, "g"),
            ),
            said("below it the certificate no longer holds: bring another bottle"),
        )
        return
    usable_m3 = cylinder.water_volume_m3 * usable_pa / ATMOSPHERE_PA
    needed_m3 = sum(
        GAS_TIMES_T90 * detector.t90_s * cylinder.flow_m3_s
        for detector in site.detectors
        if detector.gas == cylinder.target_gas
    )
    if usable_m3 < needed_m3:
        yield fault(
            f"{path}.pressure",
            said(
                "found {usable} L of usable gas in {tag}, expected at least {needed} L for "
                "{times} times t90 at each detector of {gas}",
                usable=figure(usable_m3 * 1e3, ".3g"),
                tag=cylinder.tag,
                needed=figure(needed_m3 * 1e3, ".3g"),
                times=figure(GAS_TIMES_T90, "g"),
                gas=cylinder.target_gas,
            ),
            said("bring a fuller or a larger bottle"),
        )
    elif usable_m3 < 2.0 * needed_m3:
        yield doubt(
            f"{path}.pressure",
            said(
                "found {usable} L of usable gas in {tag}, about {needed} L of it will flow; little is "
                "left for a second try",
                usable=figure(usable_m3 * 1e3, ".3g"),
                tag=cylinder.tag,
                needed=figure(needed_m3 * 1e3, ".3g"),
            ),
        )


def _for_detector(site: Site, detector: Detector, path: str) -> Remarks:
    if detector.range_ppm <= 0:
        return
    fitting = [(index, c) for index, c in enumerate(site.cylinders) if c.target_gas == detector.gas]
    if not fitting:
        yield doubt(
            f"{path}.gas",
            said("found no cylinder of {gas}, so that {tag} cannot be tested", gas=detector.gas, tag=detector.tag),
            said("add a cylinder"),
        )
        return
    low_ppm, high_ppm = detector.range_low_ppm, detector.range_high_ppm
    inside = [(index, c) for index, c in fitting if low_ppm <= c.shown_ppm <= high_ppm]
    if not inside:
        index, cylinder = fitting[0]
        yield fault(
            f"$.cylinders[{index}].level",
            said(
                "found {shown} on {bottle}, outside the range of {tag}, {low} to {high}",
                shown=level(cylinder.shown_ppm),
                bottle=cylinder.tag,
                tag=detector.tag,
                low=level(low_ppm),
                high=level(high_ppm),
            ),
            said("a reading held at the end of its range proves neither span nor response"),
        )
        return
    for direction in ("rising", "falling"):
        yield from _strong(site, detector, direction, inside)
    for index, cylinder in inside:
        if cylinder.shown_ppm - low_ppm > TOP_OF_RANGE * detector.range_ppm:
            yield doubt(
                f"$.cylinders[{index}].level",
                said(
                    "found {shown} at the top of the range of {tag}: a detector that reads too high could not show it",
                    shown=level(cylinder.shown_ppm),
                    tag=detector.tag,
                ),
            )


def _strong(site: Site, detector: Detector, direction: Direction, inside: Sequence[tuple[int, Cylinder]]) -> Remarks:
    """The best bottle's way from ordinary air, against the way to the farthest set level."""
    sets = [point.set_ppm for point in detector.alarms if point.direction == direction]
    if not sets:
        return
    low_ppm, high_ppm = site.background_ppm(detector)
    sign, farthest_ppm, air_ppm = (1.0, max(sets), 0.0) if direction == "rising" else (-1.0, min(sets), high_ppm)
    if direction == "rising" and detector.gas == "O2":
        air_ppm = low_ppm
    way_ppm = sign * (farthest_ppm - air_ppm)
    if way_ppm <= 0:
        return
    index, best = max(inside, key=lambda pair: sign * pair[1].shown_ppm)
    ratio = sign * (best.shown_ppm - air_ppm) / way_ppm
    from_air = said(", counted from air at {air}", air=level(air_ppm)) if air_ppm else ""
    turned = word(direction)
    if ratio <= 1.0:
        yield fault(
            f"$.cylinders[{index}].level",
            said(
                "found {shown} on {bottle}, which never passes the {direction} alarm of {tag} at {farthest}",
                shown=level(best.shown_ppm),
                bottle=best.tag,
                direction=turned,
                tag=detector.tag,
                farthest=level(farthest_ppm),
            ),
            said(
                "bring gas of {level} or beyond: {times} times as far{from_air}",
                level=level(air_ppm + sign * STRONG_ENOUGH * way_ppm),
                times=figure(STRONG_ENOUGH, "g"),
                from_air=from_air,
            ),
        )
    elif ratio < STRONG_ENOUGH:
        yield doubt(
            f"$.cylinders[{index}].level",
            said(
                "found {shown} on {bottle}, only {ratio} times as far as the {direction} alarm of {tag} at "
                "{farthest}{from_air}",
                shown=level(best.shown_ppm),
                bottle=best.tag,
                ratio=figure(ratio, ".2f"),
                direction=turned,
                tag=detector.tag,
                farthest=level(farthest_ppm),
                from_air=from_air,
            ),
            said(
                "{times} to 2 times is usual (common practice, no source); a weak bottle sets the alarm late, or never",
                times=figure(STRONG_ENOUGH, "g"),
            ),
        )
