"""Can each tolerance tell good from bad: not so wide that nothing fails, not so tight that nothing passes?"""

from __future__ import annotations

from gaswitness.errors import UnitError
from gaswitness.sentence import listed, said
from gaswitness.site.records import Detector, Site, Tolerance
from gaswitness.site.rules.remark import Remarks, doubt, fault, level

_KINDS = {"zero": ("ppm", "range"), "span": ("ppm", "range", "level"), "set_level": ("ppm", "range", "set")}
_KINDS["clear_level"] = _KINDS["set_level"]

_KIND_WORDS = {
    "ppm": said("a level"),
    "set": said("a share of the set"),
    "range": said("a share of the range"),
    "level": said("a share of the level"),
}


def criteria(site: Site) -> Remarks:
    """Every tolerance by its kind, then against every detector."""
    sound = True
    for key, kinds in _KINDS.items():
        tolerance: Tolerance = getattr(site.tests, key)
        if tolerance.amount.of not in kinds:
            sound = False
            allowed = listed([_KIND_WORDS[kind] for kind in kinds], " or ")
            yield fault(
                f"$.tests.{key}.amount",
                said("found {amount}, expected {allowed}", amount=str(tolerance.amount), allowed=allowed),
            )
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
                said(
                    "found {amount}, which is {allowed} for {tag}.{point}: it reaches from the set level of "
                    "{level} into ordinary air",
                    amount=str(amount),
                    allowed=level(allowed_ppm),
                    tag=detector.tag,
                    point=point.name,
                    level=level(point.set_ppm),
                ),
                said(
                    "such a tolerance cannot fail; a share of the range suits oxygen better than a share of "
                    "the set level"
                ),
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
                said(
                    "found {amount}, which is {allowed} for {tag} on {bottle}: a detector that does not answer "
                    "at all would pass",
                    amount=str(amount),
                    allowed=level(allowed_ppm),
                    tag=detector.tag,
                    bottle=cylinder.tag,
                ),
            )
        try:
            expanded_ppm = 2.0 * cylinder.u_ppm * cylinder.surrogate_factor
        except UnitError:
            continue
        if rule == "guarded" and expanded_ppm >= allowed_ppm:
            yield doubt(
                "$.tests.span.amount",
                said(
                    "found {amount}, which is {allowed} for {tag}; the certificate of {bottle} alone is "
                    "uncertain by {expanded}",
                    amount=str(amount),
                    allowed=level(allowed_ppm),
                    tag=detector.tag,
                    bottle=cylinder.tag,
                    expanded=level(expanded_ppm),
                ),
                said("by the guarded rule nothing could pass; allow more, or bring a better bottle"),
            )
