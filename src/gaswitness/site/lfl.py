"""`%LFL` in a detector's levels to ppm, by the lower flammable limit that this detector states.

The same gas has different limits in different standards, so the figure and its source must stand beside the detector:
20 %LFL of propane is 3,400 ppm with the 1.7 %vol of IEC 60079-20-1 and 4,200 ppm with the 2.1 %vol of NFPA 497.
"""

from __future__ import annotations

import re
from typing import Any

from gaswitness.errors import Fault, UnitError
from gaswitness.sentence import said
from gaswitness.site.tree import child
from gaswitness.units import parse_quantity

_LFL = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*%\s?LFL\s*", re.ASCII)
_LEVELS = ("range_low", "range_high", "resolution", "noise")
_ALARM_LEVELS = ("set", "deadband")
_HINT = said(
    "add {example} (your gas, your standard) to this detector",
    example="lfl: {level: 1.7 %vol, source: IEC 60079-20-1}",
)


def settle_lfl(detector: dict[str, Any], path: str) -> list[Fault]:
    """Turn the `%LFL` levels of one detector, as read from a file, into ppm in place; the faults where it cannot."""
    limit_ppm = _limit_ppm(detector.get("lfl"))
    faults: list[Fault] = []
    places = [(detector, key, child(path, key)) for key in _LEVELS]
    alarms = detector.get("alarms")
    for index, alarm in enumerate(alarms if isinstance(alarms, list) else ()):
        if isinstance(alarm, dict):
            at = child(child(path, "alarms"), index)
            places += [(alarm, key, child(at, key)) for key in _ALARM_LEVELS]
    for holder, key, at in places:
        match = _LFL.fullmatch(text) if isinstance(text := holder.get(key), str) else None
        if match is None:
            continue
        if limit_ppm is None:
            faults.append(
                Fault(
                    at,
                    said("found {found}, expected the detector to state its lower flammable limit", found=repr(text)),
                    _HINT,
                )
            )
            holder[key] = "0 ppm"  # so that one missing limit is told once for each level, and not twice
        else:
            holder[key] = f"{float(match[1]) / 100.0 * limit_ppm!r} ppm"
    if not faults and detector.get("unit") == "%LFL" and "lfl" not in detector:
        faults.append(
            Fault(
                child(path, "unit"), said("found %LFL, expected the detector to state its lower flammable limit"), _HINT
            )
        )
    return faults


def _limit_ppm(stated: object) -> float | None:
    level = stated.get("level") if isinstance(stated, dict) else None
    if not isinstance(level, str):
        return None
    try:
        return parse_quantity(level, "fraction")
    except UnitError:
        return None
