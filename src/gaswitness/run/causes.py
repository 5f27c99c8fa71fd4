"""Why an alarm has not come, or has not gone, when it should have: likely causes, most likely first.

The order follows from how far the reading has got: a reading that did not move speaks for the gas, one that moved too
little for the gas or the sensor, one that stands beyond the set level for the alarm point itself.
"""

from __future__ import annotations

from gaswitness.sentence import said
from gaswitness.site.records import AlarmPointSpec, Detector

MOVED = 0.1
"""Share of the change to the gas value below which a reading has hardly moved."""

_GAS = (said("regulator shut or bottle empty"), said("cap leaking or not seated"))
_SLOW = (said("cap leaking or not seated"), said("bottle too weak"), said("sensor slow or worn"))
_POINT = (
    said("set level not where the site says"),
    said("on-delay longer than the site says"),
    said("status not passed on to the panel"),
)


def why_not_set(
    detector: Detector, point: AlarmPointSpec, *, start_ppm: float, bottle_ppm: float, reading_ppm: float | None
) -> tuple[str, ...]:
    """Likely causes, in order, for an alarm that is overdue under gas.

    `start_ppm` is the reading before gas, `bottle_ppm` what the bottle should bring, `reading_ppm` the reading now.
    """
    if reading_ppm is None:
        return (said("no reading from the detector: cable, supply or link"), *_GAS)
    beyond = reading_ppm >= point.set_ppm if point.direction == "rising" else reading_ppm <= point.set_ppm
    if beyond:
        delays = (said("on-delay not over yet"),) if point.on_delay_s > 0 else ()
        return (*delays, *_POINT)
    change_ppm = bottle_ppm - start_ppm
    share = (reading_ppm - start_ppm) / change_ppm if change_ppm else 0.0
    if abs(reading_ppm - start_ppm) <= 2 * max(detector.resolution_ppm, detector.noise_ppm) or share < MOVED:
        return (
            *_GAS,
            said("detector dead, or another one is under the cap"),
            said("bottle too weak"),
            said("sensor slow or worn"),
        )
    return (*_SLOW, said("set level not where the site says"))


def why_not_clear(point: AlarmPointSpec, *, clear_ppm: float, reading_ppm: float | None) -> tuple[str, ...]:
    """Likely causes, in order, for an alarm that does not clear after gas off."""
    if reading_ppm is None:
        return (said("no reading from the detector: cable, supply or link"),)
    cleared = reading_ppm < clear_ppm if point.direction == "rising" else reading_ppm > clear_ppm
    if cleared:
        delays = (said("off-delay not over yet"),) if point.off_delay_s > 0 else ()
        return (
            *delays,
            said("point is latching although the site says it is not"),
            said("deadband wider than the site says"),
        )
    return (
        said("gas still flowing, or cap still on"),
        said("room air not clean any more: air the room"),
        said("sensor slow to recover"),
        said("deadband reaches into the room's usual air"),
    )
