"""A detector's alarm points as the alarm logic wants them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from gaswitness.site.records import Detector

if TYPE_CHECKING:
    from gaswitness.alarms import AlarmPoint


def alarm_points(detector: Detector) -> tuple[AlarmPoint, ...]:
    """The alarm points of a detector, in the order of the description; deadbands resolved to ppm."""
    from gaswitness.alarms import AlarmPoint  # brings NumPy, which reading and checking a site can do without

    return tuple(
        AlarmPoint(
            name=spec.name,
            set_level=spec.set_ppm,
            direction=spec.direction,
            deadband=spec.deadband.resolve(set_ppm=spec.set_ppm, range_ppm=detector.range_ppm),
            on_delay_s=spec.on_delay_s,
            off_delay_s=spec.off_delay_s,
            latching=spec.latching,
        )
        for spec in detector.alarms
    )
