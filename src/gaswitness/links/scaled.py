"""A number off a wire as a reading of its detector: unit, range and quality, whatever the wire. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Protocol

from gaswitness.alarms.fault import MEASURING_MA, level_of_current, loop_state
from gaswitness.errors import GaswitnessError, InputError
from gaswitness.run.ports import PolledReading
from gaswitness.sentence import said
from gaswitness.site.records import Detector, Site
from gaswitness.units import convert

UNDER_SHARE = (4.0 - MEASURING_MA[0]) / 16.0
"""How far below the range a signal may lie and still be a measurement, as a share of the range."""

_PPM_PER_UNIT = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}


class Scaled(Protocol):
    """What the entries of all links say of a number."""

    @property
    def signal(self) -> str:
        """`TAG.reading`."""
        ...

    @property
    def scale(self) -> float:
        """Factor on the bare number."""
        ...

    @property
    def offset(self) -> float:
        """Added after that."""
        ...


def reading(raw: float, entry: Scaled, unit: str, detector: Detector) -> PolledReading:
    """A bare number as a reading of its detector, in ppm, with its quality; `unit` is that of raw x scale + offset.

    `over` is a value at or above the top of the range, where the truth may be higher still; `under` is one further
    below the range than a live signal goes; `bad` is not to be used.
    """
    value = raw * entry.scale + entry.offset
    if not math.isfinite(value):
        return PolledReading(None, "bad")
    if unit == "mA":
        if loop_state(value) in ("failure-low", "failure-high"):
            return PolledReading(None, "bad")
        value_ppm = level_of_current(value, detector.range_low_ppm, detector.range_high_ppm)
    else:
        value_ppm = value * ppm_per_unit(unit, detector)
    if value_ppm >= detector.range_high_ppm:
        return PolledReading(value_ppm, "over")
    if value_ppm < detector.range_low_ppm - UNDER_SHARE * detector.range_ppm:
        return PolledReading(value_ppm, "under")
    return PolledReading(value_ppm)


def ppm_per_unit(unit: str, detector: Detector) -> float:
    """Factor from a unit to ppm; raises KeyError for `%LFL` where the site states no limit.

    A mass in a volume of air is taken at 25 degC and 101.325 kPa, where one mole fills 24.465 L: 1 mg/m3 of ammonia,
    17.03 g/mol, is 1.437 ppm.
    """
    if unit in _PPM_PER_UNIT:
        return _PPM_PER_UNIT[unit]
    if unit == "%LFL":
        if detector.lfl is None:
            raise KeyError(f"{detector.tag} has no lower flammable limit")
        return detector.lfl.ppm / 100.0
    return convert(1.0, unit, "ppm", gas=detector.gas)


def detector_of(signal: str, unit: str | None, site: Site, where: str) -> Detector:
    """The detector whose reading a number is; raises InputError where it cannot be one of this site."""
    tag, _, what = signal.rpartition(".")
    detector = next((d for d in site.detectors if d.tag == tag), None)
    if detector is None or what != "reading":
        raise InputError(
            said("a number must carry a reading"),
            where=where,
            found=signal,
            expected=said("TAG.reading of a detector"),
        )
    if unit == "%LFL" and detector.lfl is None:
        raise InputError(
            said("unit %LFL, but the detector states no lower flammable limit"),
            where=where,
            found=signal,
            hint=said("give {tag} its `lfl` with level and source, or another unit", tag=tag),
        )
    if unit is not None and unit != "mA":
        try:
            ppm_per_unit(unit, detector)
        except GaswitnessError as error:
            raise InputError(error.message, where=where, found=unit, hint=said("give another unit")) from error
    return detector


def without_faulty(readings: Mapping[str, PolledReading], status: Mapping[str, bool]) -> dict[str, PolledReading]:
    """Readings by tag, where a detector whose fault shows has no good one."""
    return {tag: replace(seen, quality="bad") if status.get(f"{tag}.fault") else seen for tag, seen in readings.items()}
