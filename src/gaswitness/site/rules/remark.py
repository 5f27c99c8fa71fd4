"""What a rule says: a fault that must be mended, or a doubt that somebody must look at."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gaswitness.errors import Fault
from gaswitness.sentence import figure
from gaswitness.wording import amount


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing said about a site."""

    is_fault: bool
    said: Fault


Remarks = Iterator[Remark]


def fault(path: str, message: str, hint: str = "") -> Remark:
    """Something that cannot work, or cannot be proven, as described."""
    return Remark(True, Fault(path, message, hint))


def doubt(path: str, message: str, hint: str = "") -> Remark:
    """Something that may be right, and is more often a mistake."""
    return Remark(False, Fault(path, message, hint))


def level(ppm: float) -> str:
    """A concentration for a sentence.

    >>> level(5000.0), level(195000.0), level(0.2)
    ('5,000 ppm', '19.5 %vol', '0.2 ppm')
    """
    if ppm >= 1e4:
        return amount(figure(ppm / 1e4, ".6g"), "%vol")
    return amount(figure(float(f"{ppm:.6g}"), ",g"), "ppm")
