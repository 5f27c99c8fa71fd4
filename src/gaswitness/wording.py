"""How numbers, levels, limits and uncertainties are worded: on a terminal, on paper and on a board alike."""

from __future__ import annotations

import math
from typing import Protocol

from gaswitness.sentence import Figure, figure, said

PPM_PER_UNIT = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}


class FlammableLimit(Protocol):
    """A lower flammable limit."""

    @property
    def ppm(self) -> float:
        """The limit as ppm by volume."""
        ...


class Display(Protocol):
    """What of a detector decides how its levels are told."""

    @property
    def unit(self) -> str:
        """Unit it shows: ppm, ppb, %vol or %LFL."""
        ...

    @property
    def resolution_ppm(self) -> float:
        """Step of what it shows."""
        ...

    @property
    def lfl(self) -> FlammableLimit | None:
        """The limit that its %LFL is a share of."""
        ...


def number(value: float) -> str:
    """Four figures, with a comma at thousands and no trailing zeros.

    >>> number(21000.0), number(19.5), number(0.23456), number(float("inf")), number(float("nan"))
    ('21,000', '19.5', '0.2346', 'never', 'unknown')
    """
    if math.isnan(value):
        return said("unknown")
    if value == 0 or math.isinf(value):
        return Figure("0") if value == 0 else said("never")
    digits = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{round(float(value), digits):,.{digits}f}"  # numpy's own rounding overflows on the smallest there are
    return Figure(text.rstrip("0").rstrip(".") if "." in text else text)


def with_uncertainty(value: float, expanded: float | None) -> str:
    """A value with its expanded uncertainty to two figures, and itself no finer (JCGM 100:2008, 7.2.6).

    Where no uncertainty is known, the number alone.

    >>> with_uncertainty(208.515, 8.8765), with_uncertainty(27012.0, 1234.0), with_uncertainty(0.1234, 0.0456)
    ('208.5 ± 8.9', '27,000 ± 1,200', '0.123 ± 0.046')
    >>> with_uncertainty(19.5, None)
    '19.5'
    """
    if expanded is None or not (expanded > 0 and math.isfinite(expanded) and math.isfinite(value)):
        return number(value)
    places = 1 - math.floor(math.log10(expanded))
    return Figure(f"{round(value, places):,.{max(0, places)}f} ± {round(expanded, places):,.{max(0, places)}f}")


def limits(lower: float | None, upper: float | None) -> str:
    """Limits as people say them; nothing where there are none.

    >>> limits(None, 180.0), limits(21000.0, None), limits(1.0, 2.5)
    ('at most 180', 'at least 21,000', '1 to 2.5')
    """
    if lower is None:
        return "" if upper is None else said("at most {limit}", limit=number(upper))
    if upper is None:
        return said("at least {limit}", limit=number(lower))
    return said("{lower} to {upper}", lower=number(lower), upper=number(upper))


def probability(p: float | None) -> str:
    """A probability of conformity, never rounded to certainty.

    >>> probability(0.99996), probability(0.42), probability(None)
    ('> 0.999', '0.420', '')
    """
    if p is None:
        return ""
    if p > 0.999:
        return Figure("> 0.999")
    return Figure("< 0.001" if p < 0.001 else f"{p:.3f}")


WORDS = {
    "aborted": said("aborted"),
    "air": said("air"),
    "at least": said("at least"),
    "at most": said("at most"),
    "bad": said("bad"),
    "by-hand": said("by-hand"),
    "error": said("error"),
    "extrapolated": said("extrapolated"),
    "fail": said("fail"),
    "falling": said("falling"),
    "fan": said("fan"),
    "fault": said("fault"),
    "flashing": said("flashing"),
    "gaps": said("gaps"),
    "good": said("good"),
    "guarded": said("guarded"),
    "ignored": said("ignored"),
    "inconclusive": said("inconclusive"),
    "lamp": said("lamp"),
    "message": said("message"),
    "model-inadequate": said("model-inadequate"),
    "no": said("no"),
    "no-response": said("no-response"),
    "not tested": said("not tested"),
    "not-settled": said("not-settled"),
    "over": said("over"),
    "pass": said("pass"),
    "pulsed": said("pulsed"),
    "reduces": said("reduces"),
    "relay": said("relay"),
    "rises": said("rises"),
    "rises when warm; a cold or wet cloud can sink": said("rises when warm; a cold or wet cloud can sink"),
    "rising": said("rising"),
    "saturated": said("saturated"),
    "shared-risk": said("shared-risk"),
    "simple": said("simple"),
    "sounder": said("sounder"),
    "stale": said("stale"),
    "steady": said("steady"),
    "stopped": said("stopped"),
    "under": said("under"),
    "valve": said("valve"),
    "votes": said("votes"),
    "yes": said("yes"),
}
"""Words that records use as names and people read as words."""


def word(name: str) -> str:
    """One of the words that records use as names, to stand in a sentence; anything else as it is."""
    return WORDS.get(name, name)


def unit_word(unit: str) -> str:
    """A unit as it is told; a share of the flammable limit and a percentage by volume have a name in each language."""
    match unit:
        case "%LFL":
            return said("%LFL")
        case "%vol":
            return said("%vol")
        case "dBA":
            return said("dBA")
        case _:
            return unit


def amount(number: str, unit: str) -> str:
    """A number with its unit.

    >>> amount(number(21000.0), "ppm")
    '21,000 ppm'
    """
    return said("{number} {unit}", number=number, unit=unit_word(unit))


def scale_ppm(detector: Display) -> tuple[float, str]:
    """Ppm that one of the detector's own units is worth, and that unit's name."""
    if detector.unit == "%LFL" and detector.lfl is not None:
        return detector.lfl.ppm / 100.0, "%LFL"
    unit = "ppm" if detector.unit == "%LFL" else detector.unit
    return PPM_PER_UNIT[unit], unit


def level(detector: Display, value_ppm: float) -> str:
    """A level as this detector shows it."""
    scale, unit = scale_ppm(detector)
    return amount(number(_to_display(detector, value_ppm / scale, scale)), unit)


def between(detector: Display, lower_ppm: float, upper_ppm: float) -> str:
    """Two levels as this detector shows them."""
    scale, unit = scale_ppm(detector)
    lower, upper = (number(_to_display(detector, v / scale, scale)) for v in (lower_ppm, upper_ppm))
    return said("{lower} to {upper} {unit}", lower=lower, upper=upper, unit=unit_word(unit))


def mixture(value_ppm: float) -> str:
    """A level as a bottle's label has it, whatever unit its detectors use.

    >>> mixture(220.0), mixture(165000.0)
    ('220 ppm', '16.5 %vol')
    """
    return amount(number(value_ppm / 1e4), "%vol") if value_ppm >= 1e4 else amount(number(value_ppm), "ppm")


def seconds(value_s: float) -> str:
    """Seconds up to five minutes, else minutes.

    >>> seconds(42.4), seconds(600.0), seconds(float("inf"))
    ('42 s', '10 min', 'never')
    """
    if not math.isfinite(value_s):
        return said("never")
    return amount(figure(value_s), "s") if value_s < 300 else amount(figure(value_s / 60), "min")


def _to_display(detector: Display, value: float, scale: float) -> float:
    """To one place more than the detector shows: more would be noise."""
    step = detector.resolution_ppm / scale
    return round(value, max(0, math.ceil(-math.log10(step))) + 1) if step > 0 else value
