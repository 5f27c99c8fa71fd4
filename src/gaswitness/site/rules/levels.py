"""Do a detector's levels make sense: with each other, with its range, and with the air it hangs in?"""

from __future__ import annotations

from itertools import pairwise

from gaswitness.errors import UnitError
from gaswitness.sentence import figure, said
from gaswitness.site.records import AlarmPointSpec, Detector, Site
from gaswitness.site.rules.remark import Remarks, doubt, fault, level
from gaswitness.wording import word

CLEAR_MARGIN = 1.0 / 3.0
"""Share of the way from ordinary air to the set level that must be left when the alarm clears. Common practice, no
source: a closed, occupied office drifts to about 1,300 ppm CO2 over a day, so that an alarm set at 2,000 ppm and
clearing at 1,500 ppm, 29 % of the way, has too little room."""
NOISE_WIDTHS = 3.0
"""Standard deviations of the reading that count as ordinary noise."""
SLOW_RESPONSE_S = 30.0
"""UMC 1106.2 wants the response within 30 s after the set level is passed."""
ORDER = ("low", "high")
"""Alarm points that must come in this order; other names are free."""


def levels(site: Site) -> Remarks:
    """Every detector's range, alarm points and clear levels."""
    for index, detector in enumerate(site.detectors):
        path = f"$.detectors[{index}]"
        if detector.range_ppm <= 0:
            yield fault(
                f"{path}.range_high",
                said(
                    "found a range that ends at {range_high} and begins at {range_low}, expected an end "
                    "above the beginning",
                    range_high=level(detector.range_high_ppm),
                    range_low=level(detector.range_low_ppm),
                ),
            )
            continue
        if not detector.alarms:
            yield fault(
                f"{path}.alarms",
                said("found no alarm point, expected at least one"),
                said("nothing could be proven here"),
            )
        yield from _answer(detector, path)
        yield from _order(detector, path)
        for number, point in enumerate(detector.alarms):
            at = f"{path}.alarms[{number}]"
            yield from _in_range(detector, point, at)
            yield from _clearing(site, detector, point, at)


def _answer(detector: Detector, path: str) -> Remarks:
    if detector.dead_time_s >= detector.t90_s:
        yield fault(
            f"{path}.dead_time",
            said(
                "found {dead_time} s, expected less than the t90 of {t90} s",
                dead_time=figure(detector.dead_time_s, "g"),
                t90=figure(detector.t90_s, "g"),
            ),
            said("t90 counts from gas on, dead time included"),
        )
    if detector.resolution_ppm >= detector.range_ppm:
        yield fault(
            f"{path}.resolution",
            said(
                "found {resolution}, expected far less than the range of {span}",
                resolution=level(detector.resolution_ppm),
                span=level(detector.range_ppm),
            ),
        )


def _order(detector: Detector, path: str) -> Remarks:
    """Low before high in the alarm's direction; no two points alike."""
    for direction in ("rising", "falling"):
        ways = [point for point in detector.alarms if point.direction == direction]
        named = sorted((p for p in ways if p.name in ORDER), key=lambda p: ORDER.index(p.name))
        for first, second in pairwise(named):
            wrong = first.set_ppm >= second.set_ppm if direction == "rising" else first.set_ppm <= second.set_ppm
            if wrong:
                index = detector.alarms.index(second)
                found = {
                    "second": second.name,
                    "at": level(second.set_ppm),
                    "first": first.name,
                    "first_at": level(first.set_ppm),
                }
                yield fault(
                    f"{path}.alarms[{index}].set",
                    said(
                        "found {second} at {at} and {first} at {first_at}, expected {second} above {first}: the alarm "
                        "is rising",
                        **found,
                    )
                    if direction == "rising"
                    else said(
                        "found {second} at {at} and {first} at {first_at}, expected {second} below {first}: the alarm "
                        "is falling",
                        **found,
                    ),
                    said("swap the two levels, or change the direction of detector {tag}", tag=detector.tag),
                )
        by_level = sorted(ways, key=lambda p: p.set_ppm)
        for first, second in pairwise(by_level):
            if first.set_ppm == second.set_ppm and {first.name, second.name} != set(ORDER):
                index = detector.alarms.index(second)
                message = said(
                    "found {second} at the same level as {first}, {level}",
                    second=second.name,
                    first=first.name,
                    level=level(first.set_ppm),
                )
                yield doubt(
                    f"{path}.alarms[{index}].set", message, said("two points at one level cannot be told apart")
                )


def _in_range(detector: Detector, point: AlarmPointSpec, at: str) -> Remarks:
    low, high = detector.range_low_ppm, detector.range_high_ppm
    reachable = low < point.set_ppm <= high if point.direction == "rising" else low <= point.set_ppm < high
    if not reachable:
        yield fault(
            f"{at}.set",
            said(
                "found {level}, expected a level inside the range of {tag}, {low} to {high}",
                level=level(point.set_ppm),
                tag=detector.tag,
                low=level(low),
                high=level(high),
            ),
            said("check the unit of the set level and of the range"),
        )
    if point.on_delay_s > SLOW_RESPONSE_S:
        yield doubt(
            f"{at}.on_delay",
            said("found {delay} s; this delay is added to every alarm", delay=figure(point.on_delay_s, "g")),
            said(
                "for refrigerant machinery rooms UMC 1106.2 asks for a response within 30 s after the "
                "set level is passed"
            ),
        )


def _clearing(site: Site, detector: Detector, point: AlarmPointSpec, at: str) -> Remarks:
    """Set level, clear level and ordinary air must stand in this order, with room between them."""
    try:
        clear_ppm = point.clear_ppm(detector.range_ppm)
    except UnitError:
        yield fault(
            f"{at}.deadband",
            said(
                "found {found}, expected a level, a share of the set level or of the range", found=str(point.deadband)
            ),
        )
        return
    rising = point.direction == "rising"
    sign = 1.0 if rising else -1.0
    low_ppm, high_ppm = site.background_ppm(detector)
    near_ppm, far_ppm = (high_ppm, low_ppm) if rising else (low_ppm, high_ppm)
    air = level(low_ppm) if low_ppm == high_ppm else said("{low} to {high}", low=level(low_ppm), high=level(high_ppm))
    noise_ppm = NOISE_WIDTHS * detector.noise_ppm + detector.resolution_ppm
    room_ppm = sign * (point.set_ppm - near_ppm)
    if room_ppm <= 0:
        yield fault(
            f"{at}.set",
            said(
                "found {level}, but the usual air of area {area} holds {air} of {gas}",
                level=level(point.set_ppm),
                area=detector.area,
                air=air,
                gas=detector.gas,
            ),
            said("this {direction} alarm would stand in ordinary air", direction=word(point.direction)),
        )
        return
    if room_ppm < noise_ppm:
        yield doubt(
            f"{at}.set",
            said(
                "found {level}, which noise and resolution alone reach from the usual air ({air})",
                level=level(point.set_ppm),
                air=air,
            ),
            said("expect alarms without gas"),
        )
    end_ppm = detector.range_low_ppm if rising else detector.range_high_ppm
    if sign * (clear_ppm - end_ppm) <= 0:
        yield fault(
            f"{at}.deadband",
            said(
                "found a clear level of {clear}, at or beyond the end of the range, where no reading can go",
                clear=level(clear_ppm) if clear_ppm > 0 else said("zero or less"),
            ),
            said("this alarm could never clear; make the deadband smaller"),
        )
    elif sign * (clear_ppm - far_ppm) <= 0:
        yield fault(
            f"{at}.deadband",
            said(
                "found a clear level of {clear}, which the usual air ({air}) never lies below",
                clear=level(clear_ppm),
                air=air,
            )
            if rising
            else said(
                "found a clear level of {clear}, which the usual air ({air}) never lies above",
                clear=level(clear_ppm),
                air=air,
            ),
            said("this alarm could never clear in its own room; make the deadband smaller"),
        )
    elif sign * (clear_ppm - near_ppm) < max(CLEAR_MARGIN * room_ppm, noise_ppm):
        yield doubt(
            f"{at}.deadband",
            said(
                "found a clear level of {clear}; the usual air of area {area} reaches {near}, so that "
                "{tag}.{point} could fail to clear in ordinary air",
                clear=level(clear_ppm),
                area=detector.area,
                near=level(near_ppm),
                tag=detector.tag,
                point=point.name,
            ),
            said(
                "make the deadband smaller, or check what air this area really has (common practice, no "
                "source: leave a third of the way between usual air and set level)"
            ),
        )
    yield from _chatter(detector, point, abs(point.set_ppm - clear_ppm), at)


def _chatter(detector: Detector, point: AlarmPointSpec, band_ppm: float, at: str) -> Remarks:
    if band_ppm == 0:
        yield doubt(
            f"{at}.deadband",
            said(
                "found no deadband: {tag}.{point} would set and clear with every move of a noisy reading",
                tag=detector.tag,
                point=point.name,
            ),
            said("give a deadband, for example 10 % of set"),
        )
    elif band_ppm < detector.resolution_ppm:
        yield doubt(
            f"{at}.deadband",
            said(
                "found a deadband of {band}, finer than the resolution of {resolution}",
                band=level(band_ppm),
                resolution=level(detector.resolution_ppm),
            ),
            said("such a deadband cannot be seen in the reading"),
        )
    elif band_ppm < NOISE_WIDTHS * detector.noise_ppm:
        yield doubt(
            f"{at}.deadband",
            said(
                "found a deadband of {band}, less than three times the usual noise of {noise}",
                band=level(band_ppm),
                noise=level(detector.noise_ppm),
            ),
            said("the alarm may chatter; make the deadband wider"),
        )
