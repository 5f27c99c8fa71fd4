"""Which bottle proves which detector, and whether it holds enough gas.

Choice: a bottle for the detector's gas, not expired, within the detector's range, and beyond the last point to be
proven by more than its own uncertainty. Among those, the weakest that still stands 1.2 times beyond the last point
(common practice, no source: 1.2 to 2 times the highest alarm), else the strongest.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from gaswitness.plan.forecast import room_reads, shown_on
from gaswitness.plan.records import DetectorPlan, GasNeed
from gaswitness.site.records import AlarmPointSpec, Cylinder, Detector, Site
from gaswitness.wording import between, level

ATMOSPHERE_PA = 101_325.0
GOOD_RATIO = 1.2


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
    reasons: list[str] = []
    fit: list[Cylinder] = []
    candidates = [c for c in site.cylinders if c.target_gas == detector.gas]
    if not candidates:
        return None, (f"no bottle of {detector.gas} is listed",)
    for bottle in candidates:
        faults = _unfit(site, detector, points, bottle, today)
        if faults:
            reasons += [f"bottle {bottle.tag}: {fault}" for fault in faults]
        else:
            fit.append(bottle)
    if not fit:
        return None, tuple(reasons)
    ratio = {c.tag: _ratio(shown_on(site, detector, c), points) for c in fit}
    strong = [c for c in fit if ratio[c.tag] >= GOOD_RATIO]
    if strong:
        return min(strong, key=lambda c: ratio[c.tag]), ()
    return max(fit, key=lambda c: ratio[c.tag]), ()


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
        faults.append(f"its certificate expired on {bottle.expires.isoformat()}")
    if held_m3(bottle) <= 0:
        faults.append(
            f"{bottle.pressure_pa / 1e5:.0f} bar is not above its minimum pressure of "
            f"{bottle.min_pressure_pa / 1e5:.0f} bar"
        )
    shown_ppm = shown_on(site, detector, bottle)
    if not detector.range_low_ppm <= shown_ppm <= detector.range_high_ppm:
        faults.append(
            f"it shows {level(detector, shown_ppm)}, outside the range "
            f"{between(detector, detector.range_low_ppm, detector.range_high_ppm)}"
        )
    slack_ppm = 2.0 * bottle.u_ppm * bottle.surrogate_factor
    low_ppm, high_ppm = room_reads(site, detector)
    for p in points:
        rising = p.direction == "rising"
        if (shown_ppm - slack_ppm <= p.set_ppm) if rising else (shown_ppm + slack_ppm >= p.set_ppm):
            faults.append(
                f"it shows {level(detector, shown_ppm)} and cannot surely bring the {p.direction} {p.name}, set at "
                f"{level(detector, p.set_ppm)}"
            )
    if not points and low_ppm <= shown_ppm <= high_ppm:
        faults.append(f"it shows {level(detector, shown_ppm)}, which the room's own air may hold")
    return faults
