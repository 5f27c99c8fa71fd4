"""Can each tolerance tell good from bad: not so wide that nothing fails, not so tight that nothing passes?"""

from __future__ import annotations

from gaswitness.errors import UnitError
from gaswitness.site.records import Detector, Site, Tolerance
from gaswitness.site.rules.remark import Remarks, doubt, fault, level

_KINDS = {"zero": ("ppm", "range"), "span": ("ppm", "range", "level"), "set_level": ("ppm", "range", "set")}
_KINDS["clear_level"] = _KINDS["set_level"]


def criteria(site: Site) -> Remarks:
    """Every tolerance by its kind, then against every detector."""
    sound = True
    for key, kinds in _KINDS.items():
        tolerance: Tolerance = getattr(site.tests, key)
        if tolerance.amount.of not in kinds:
            sound = False
            allowed = " or ".join("a level" if kind == "ppm" else f"a share of the {kind}" for kind in kinds)
            yield fault(f"$.tests.{key}.amount", f"found {tolerance.amount}, expected {allowed}")
    if not sound:
        return
    for detector in site.detectors:
        yield from _set_levels(site, detector)
        yield from _span(site, detector)


def _set_levels(site: Site, detector: Detector) -> Remarks:
    low_ppm, high_ppm = site.background_ppm(detector)
    for point in detector.alarms:
        rising = point.direction == "rising"
        way_ppm = point.set_ppm - high_ppm if rising else low_ppm - point.set_ppm
        amount = site.tests.set_level.amount
        allowed_ppm = amount.resolve(set_ppm=point.set_ppm, range_ppm=detector.range_ppm)
        if 0 < way_ppm <= allowed_ppm:
            yield doubt(
                "$.tests.set_level.amount",
                f"found {amount}, which is {level(allowed_ppm)} for {detector.tag}.{point.name}: "
                f"it reaches from the set level of {level(point.set_ppm)} into ordinary air",
                "such a tolerance cannot fail; a share of the range suits oxygen better than a share of the set level",
            )


def _span(site: Site, detector: Detector) -> Remarks:
    low_ppm, high_ppm = site.background_ppm(detector)
    amount, rule = site.tests.span.amount, site.tests.span.rule
    for cylinder in site.cylinders:
        if cylinder.target_gas != detector.gas:
            continue
        allowed_ppm = amount.resolve(level_ppm=cylinder.shown_ppm, range_ppm=detector.range_ppm)
        way_ppm = max(cylinder.shown_ppm - high_ppm, low_ppm - cylinder.shown_ppm)
        if 0 < way_ppm <= allowed_ppm:
            yield doubt(
                "$.tests.span.amount",
                f"found {amount}, which is {level(allowed_ppm)} for {detector.tag} on {cylinder.tag}: "
                "a detector that does not answer at all would pass",
            )
        try:
            expanded_ppm = 2.0 * cylinder.u_ppm * cylinder.surrogate_factor
        except UnitError:
            continue
        if rule == "guarded" and expanded_ppm >= allowed_ppm:
            yield doubt(
                "$.tests.span.amount",
                f"found {amount}, which is {level(allowed_ppm)} for {detector.tag}; the certificate of {cylinder.tag} "
                f"alone is uncertain by {level(expanded_ppm)}",
                "by the guarded rule nothing could pass; allow more, or bring a better bottle",
            )
