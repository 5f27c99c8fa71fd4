"""Is an alarm loud enough where people are, and not too loud? Levels are A-weighted, dB re 20 micropascal.

In the open L(r) = L(1 m) - 20 log10(r / 1 m), less what stands in between; sounds that are not in step add by power.
Rooms send sound back, so indoors the level is usually higher: what counts in the end is what was measured at the place.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import OutOfDomain
from gaswitness.gases.facts import Origin
from gaswitness.sentence import said

NFPA_72 = Origin(said("NFPA 72, audible characteristics of public-mode signals"), "read", "account")
NFPA_72_SLEEPING = Origin(said("NFPA 72, sleeping areas"), "read", "account")
ISO_7731 = Origin("ISO 7731", "from memory")

NEEDS_LIGHT_DBA = 105.0
"""NFPA 72: above this average noise a visible signal is needed as well."""


@dataclass(frozen=True, slots=True)
class Audible:
    """One rule at one place."""

    rule: str
    bound: Literal["at least", "at most"]
    needed_dba: float
    found_dba: float
    origin: Origin

    @property
    def margin_db(self) -> float:
        """How far on the right side; below zero it falls short."""
        away = self.found_dba - self.needed_dba
        return away if self.bound == "at least" else -away

    @property
    def holds(self) -> bool:
        """Whether the rule is met."""
        return self.margin_db >= 0.0


def level_at_dba(at_1_m_dba: float, distance_m: float, barrier_db: float = 0.0) -> float:
    """Level of a source at a distance, in the open; nearer than 1 m counts as 1 m.

    L(r) = L(1 m) - 20 log10(r / 1 m) - barrier: spherical spreading, textbook physics from memory.

    >>> [round(level_at_dba(100.0, r), 2) for r in (2.0, 3.0, 5.0, 10.0, 20.0)]
    [93.98, 90.46, 86.02, 80.0, 73.98]

    Raises OutOfDomain for a distance that is not above zero or a gain in place of a loss.
    """
    if not (distance_m > 0.0 and barrier_db >= 0.0 and math.isfinite(at_1_m_dba)):
        raise OutOfDomain(
            "a distance is above zero and a barrier takes away", found=(at_1_m_dba, distance_m, barrier_db)
        )
    return at_1_m_dba - 20.0 * math.log10(max(distance_m, 1.0)) - barrier_db


def together_dba(levels_dba: Iterable[float]) -> float:
    """Sounds that are not in step, 10 log10(sum 10^(L/10)); minus infinity for none. Textbook physics from memory.

    >>> round(together_dba([85.0, 85.0]), 2), round(together_dba([85.0, 70.0]), 2)
    (88.01, 85.14)
    """
    power = math.fsum(10.0 ** (level / 10.0) for level in levels_dba)
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def audible(
    alarm_dba: float, average_dba: float, maximum_dba: float | None = None, *, sleeping: bool = False
) -> tuple[Audible, ...]:
    """The published rules for an alarm of this level, computed or measured, over the noise of a place.

    NFPA 72 public mode: 15 dB above the average noise, or 5 dB above a maximum that lasts, whichever is greater.

    >>> [(row.rule, row.needed_dba) for row in audible(95.0, 82.0)][:1]
    [('15 dB above the average noise', 97.0)]
    """
    rows = [Audible(said("15 dB above the average noise"), "at least", average_dba + 15.0, alarm_dba, NFPA_72)]
    if maximum_dba is not None:
        rule = said("5 dB above noise that lasts a minute")
        rows.append(Audible(rule, "at least", maximum_dba + 5.0, alarm_dba, NFPA_72))
    if sleeping:
        rows.append(Audible(said("wakes people, at the pillow"), "at least", 75.0, alarm_dba, NFPA_72_SLEEPING))
    total_dba = together_dba([alarm_dba, average_dba])
    rows.append(Audible(said("alarm and noise together"), "at most", 110.0, total_dba, NFPA_72))
    rows.append(
        Audible(said("65 dB and 15 dB above the noise"), "at least", max(65.0, average_dba + 15.0), alarm_dba, ISO_7731)
    )
    rows.append(Audible(said("not so loud that it frightens"), "at most", 118.0, alarm_dba, ISO_7731))
    return tuple(rows)
