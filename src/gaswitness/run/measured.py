"""What people read off an instrument of their own on the day, and how they type it.

Whoever answers a step of one of the kinds in `plan.records.MEASURED` hands one of these over with the answer; without
one the step counts as left out, which is no shortfall.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from gaswitness.errors import InputError
from gaswitness.plan.records import StepKind
from gaswitness.sentence import figure, said
from gaswitness.wording import amount, unit_word

ZERO_CELSIUS_K = 273.15
NOT_READ = "-"
METER_U_DB = 1.5
"""Standard uncertainty of a level read off a hand-held meter in a room; common practice, no source."""


@dataclass(frozen=True, slots=True)
class AirRead:
    """Barometer and thermometer at the site; none for what was not read."""

    pressure_pa: float | None
    temperature_k: float | None
    kind: Literal["air"] = "air"

    def __post_init__(self) -> None:
        if self.pressure_pa is not None:
            _within(self.pressure_pa / 100.0, 500.0, 1100.0, "hPa", said("air pressure at the place, not at sea level"))
        if self.temperature_k is not None:
            _within(self.temperature_k - ZERO_CELSIUS_K, -60.0, 70.0, "degC", said("air temperature"))


@dataclass(frozen=True, slots=True)
class SoundRead:
    """Sound level meter at a post, noise of the place and all."""

    level_dba: float
    note: str = ""
    """Distance or place, where it was not the post itself."""
    u_db: float = METER_U_DB
    kind: Literal["sound"] = "sound"

    def __post_init__(self) -> None:
        _within(self.level_dba, 20.0, 150.0, "dBA", said("sound level"))


@dataclass(frozen=True, slots=True)
class BottleRead:
    """Gauge of a bottle."""

    pressure_pa: float
    kind: Literal["bottle"] = "bottle"

    def __post_init__(self) -> None:
        _within(self.pressure_pa / 1e5, 0.0, 350.0, "bar", said("pressure of a bottle"))


Measured = Annotated[AirRead | SoundRead | BottleRead, Field(discriminator="kind")]
"""Anything that is measured by hand."""


def _within(value: float, low: float, high: float, unit: str, what: str) -> None:
    if not low <= value <= high:
        raise InputError(
            what,
            found=amount(figure(value, "g"), unit),
            expected=said(
                "{lower} to {upper} {unit}", lower=figure(low, "g"), upper=figure(high, "g"), unit=unit_word(unit)
            ),
        )


def _number(text: str, what: str) -> float:
    found = re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)", text.strip())
    value = float(found[1].replace(",", ".")) if found else math.nan
    if not math.isfinite(value):
        raise InputError(said("what was typed is no number"), found=text.strip(), expected=what)
    return value


def _typed_air(text: str) -> AirRead:
    pressure, _, temperature = re.sub(r"hPa|degC|°C", "", text).strip().partition(" ")
    pressure_pa = None if pressure == NOT_READ else _number(pressure, ASKED["air"]) * 100.0
    rest = temperature.strip()
    temperature_k = None if rest in ("", NOT_READ) else _number(rest, ASKED["air"]) + ZERO_CELSIUS_K
    return AirRead(pressure_pa, temperature_k)


def _typed_sound(text: str) -> SoundRead:
    level, _, note = text.replace("dBA", " ").strip().partition(" ")
    return SoundRead(_number(level, ASKED["sound"]), note.strip())


def _typed_bottle(text: str) -> BottleRead:
    return BottleRead(_number(text.replace("bar", ""), ASKED["bottle"]) * 1e5)


ASKED: Mapping[StepKind, str] = {
    "air": said("hPa, then degC (1003 18.5; - for one not read)"),
    "sound": said("dBA, then where, if elsewhere (92.5 at the desk)"),
    "bottle": said("bar (57.5)"),
}
"""What is to be typed at each kind of step that measures."""

_READERS: Mapping[StepKind, Callable[[str], Measured]] = {
    "air": _typed_air,
    "sound": _typed_sound,
    "bottle": _typed_bottle,
}


def read_typed(kind: StepKind, text: str) -> Measured | None:
    """What was typed at a step of this kind; none for nothing typed, which is nothing measured.

    >>> read_typed("air", "1003 18,5")
    AirRead(pressure_pa=100300.0, temperature_k=291.65, kind='air')
    >>> read_typed("air", " ") is None
    True

    Raises InputError for what is no number, or cannot be.
    """
    return _READERS[kind](text) if text.strip() else None
