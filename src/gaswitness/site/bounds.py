"""Bounds on the quantities of a site, told as found and expected."""

from __future__ import annotations

from pydantic import AfterValidator

from gaswitness.sentence import figure, said


def above_zero(value: float) -> float:
    """The value, in whatever unit it has; raises ValueError unless it is more than 0."""
    if not value > 0:
        raise ValueError(said("found {found}, expected more than 0", found=figure(value, ",.10g")))
    return value


def not_below_zero(value: float) -> float:
    """The value, in whatever unit it has; raises ValueError below 0."""
    if value < 0:
        raise ValueError(said("found {found}, expected 0 or more", found=figure(value, ",.10g")))
    return value


def fraction(value: float) -> float:
    """The value [ppm]; raises ValueError outside 0 to 1,000,000 ppm."""
    if not 0 <= value <= 1e6:
        raise ValueError(
            said("found {found} ppm, expected 0 to 1,000,000 ppm (100 %vol)", found=figure(value, ",.10g"))
        )
    return value


ABOVE_ZERO = AfterValidator(above_zero)
