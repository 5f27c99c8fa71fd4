"""Is each room watched for what can escape in it, and is its usual air known?"""

from __future__ import annotations

from collections import Counter

from gaswitness.gases import gas
from gaswitness.sentence import figure, said
from gaswitness.site.records import Detector, Site
from gaswitness.site.rules.remark import Remarks, doubt, fault, level
from gaswitness.wording import word

ALWAYS_IN_AIR = "CO2"
LOW, HIGH = 1.0 / 3.0, 2.0 / 3.0
"""Shares of the height of a room."""


def air(site: Site) -> Remarks:
    """Areas, their background and their charges, against the detectors that hang there."""
    for index, area in enumerate(site.areas):
        path = f"$.areas[{index}]"
        for number, entry in enumerate(area.background):
            if entry.low_ppm > entry.high_ppm:
                yield fault(
                    f"{path}.background[{number}].low",
                    said(
                        "found {low}, expected no more than `high`, {high}",
                        low=level(entry.low_ppm),
                        high=level(entry.high_ppm),
                    ),
                    said("swap the two"),
                )
        for name, count in Counter(entry.gas for entry in area.background).items():
            if count > 1:
                yield fault(
                    f"{path}.background",
                    said("found {name} {count} times, expected each gas once", name=name, count=count),
                )
        here = [detector for detector in site.detectors if detector.area == area.tag]
        watched = {detector.gas for detector in here}
        stated = {entry.gas for entry in area.background}
        if ALWAYS_IN_AIR in watched - stated:
            yield doubt(
                f"{path}.background",
                said(
                    "found no usual level of CO2 for area {tag}, where a CO2 detector hangs; about 420 ppm is taken",
                    tag=area.tag,
                ),
                said(
                    "all air holds CO2, and a closed, occupied room reaches about {level} (common practice, no "
                    "source): write {example}",
                    level=level(1300.0),
                    example="background: [{gas: CO2, low: 420 ppm, high: 1300 ppm}]",
                ),
            )
        for name in dict.fromkeys(charge.gas for charge in area.charges):
            if name not in watched:
                yield from _unwatched(name, "O2" in watched, area.tag, f"{path}.charges")
    for index, detector in enumerate(site.detectors):
        yield from _height(detector, site.area(detector.area).height_m, f"$.detectors[{index}].height")


def _height(detector: Detector, room_m: float, path: str) -> Remarks:
    """A gas that sinks is sought low, one that rises is sought high."""
    if detector.height_m is None:
        return
    moves = gas(detector.gas).moves
    if detector.height_m > room_m:
        yield fault(
            path,
            said(
                "found {height} m in an area of {room} m height, expected less",
                height=figure(detector.height_m, "g"),
                room=figure(room_m, "g"),
            ),
        )
    elif moves == "sinks" and detector.height_m > HIGH * room_m:
        yield doubt(
            path,
            said(
                "found {height} m of {room} m: {tag} hangs high, and {gas} sinks",
                height=figure(detector.height_m, "g"),
                room=figure(room_m, "g"),
                tag=detector.tag,
                gas=detector.gas,
            ),
            said("a gas heavier than air is sought near the floor (common practice, no source)"),
        )
    elif moves.startswith("rises") and detector.height_m < LOW * room_m:
        yield doubt(
            path,
            said(
                "found {height} m of {room} m: {tag} hangs low, and {gas} {moves}",
                height=figure(detector.height_m, "g"),
                room=figure(room_m, "g"),
                tag=detector.tag,
                gas=detector.gas,
                moves=word(moves),
            ),
            said("a gas lighter than air is sought near the ceiling (common practice, no source)"),
        )


def _unwatched(name: str, oxygen_watched: bool, area: str, path: str) -> Remarks:
    hazards = gas(name).hazards
    if oxygen_watched and hazards & {"toxic", "flammable"}:
        why = (
            said("at an oxygen alarm of 19.5 %vol carbon dioxide has reached about 6.9 %vol, beyond the IDLH of 4 %vol")
            if name == "CO2"
            else said("oxygen falls noticeably only at several %vol of another gas, long after it poisons or burns")
        )
        yield doubt(
            path,
            said(
                "found {name} in area {area}, watched by oxygen alone; an oxygen detector is no guard against {name}",
                name=name,
                area=area,
            ),
            why,
        )
    elif hazards & {"toxic", "flammable"} or not oxygen_watched:
        yield doubt(
            path,
            said(
                "found {name} in area {area}, expected a detector there that would see it escape", name=name, area=area
            ),
        )
