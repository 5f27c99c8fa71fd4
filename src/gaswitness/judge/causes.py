"""Why a detector fell short: what the evidence as a whole points to, most likely first.

A finding looks at one thing; a fault shows in many. Here all readings of a trial are looked at together, those of the
other detectors too, so that the cause can be named once and stand first wherever it explains a shortfall.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from gaswitness.evidence.trials import Span
from gaswitness.judge.case import Case
from gaswitness.judge.crossed import crossed_with, is_flat
from gaswitness.judge.halves import mostly_swapped, nonzero, register_of
from gaswitness.sentence import figure, listed, said
from gaswitness.wording import number, word

Kind = Literal["link", "no-reading", "words", "crossed", "frozen", "dead", "slow", "gain", "noisy"]

SLOW_FACTOR = 1.3
GAIN_OFF = 0.08
NOISY_FACTOR = 4.0

GAS = said(
    "gas did not reach the sensor: bottle or regulator shut or empty, cap not on or leaking, sensor inlet blocked"
)


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that the evidence points to."""

    kind: Kind
    text: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the evidence of one trial points to, most likely first."""

    causes: tuple[Cause, ...] = ()

    def has(self, *kinds: Kind) -> bool:
        """Whether any of these is among them."""
        return any(cause.kind in kinds for cause in self.causes)

    def texts(self, *kinds: Kind) -> list[str]:
        """Those of these kinds, in words."""
        return [cause.text for cause in self.causes if cause.kind in kinds]

    @property
    def unusable(self) -> str | None:
        """Why readings cannot be judged at all, where they cannot."""
        return next(iter(self.texts("words", "no-reading")), None)


def diagnose(case: Case) -> Diagnosis:
    """Look at everything that one trial shows."""
    if case.trial is None:
        return Diagnosis()
    found = [*_lost(case), *_unreadable(case)]
    if not any(cause.kind in ("words", "no-reading") for cause in found):
        found += _flat(case) or _answered(case)
    return Diagnosis(tuple(found))


def _lost(case: Case) -> list[Cause]:
    if not case.outage:
        return []
    return [Cause("link", said("link dropped: {outage}", outage=outage_words(case.outage)))]


def outage_words(outage: tuple[Span, ...]) -> str:
    """How long nothing arrived, and what was said of it.

    >>> outage_words((Span(10.0, 55.0, "no answer within 1 s"),))
    'nothing arrived for 45 s (no answer within 1 s)'
    """
    lost_s = sum(span.until_s - span.from_s for span in outage)
    return said("nothing arrived for {lost} s ({what})", lost=number(lost_s), what=outage[0].what)


def _unreadable(case: Case) -> list[Cause]:
    raw = case.raw
    if raw is None or raw.value_ppm.size == 0:
        return [Cause("no-reading", said("no reading of {tag} arrived: cable, supply, or register map", tag=case.tag))]
    values = raw.value_ppm[np.isfinite(raw.value_ppm)]
    entry = register_of(case.series.plan.site, case.tag)
    if entry is not None and mostly_swapped(values, entry, case.detector):
        text = said(
            "word order: the registers of {tag} make sense only with their halves exchanged (it "
            "shows {last} ppm); put the right word order into the register map",
            tag=case.tag,
            last=figure(nonzero(values)[-1], ".3g"),
        )
        return [Cause("words", text)]
    under_gas = raw.between(case.trial.gas_on.t_s, case.gas_end_s) if case.trial else raw
    usable = under_gas.good | np.array([quality == "over" for quality in under_gas.quality], dtype=np.bool_)
    if not np.any(usable):
        words = [word(one) for one in sorted(set(under_gas.quality))]
        text = said(
            "no usable reading of {tag} under gas ({words}): cable, supply, sensor",
            tag=case.tag,
            words=listed(words) or said("none arrived"),
        )
        return [Cause("no-reading", text)]
    return []


def _flat(case: Case) -> list[Cause]:
    other = crossed_with(case)
    if other is None and not is_flat(case):
        return []
    if other is not None:
        return [
            Cause("crossed", said("crossed: the gas on {tag} was read on {other}'s channel", tag=case.tag, other=other))
        ]
    if _frozen(case):
        return [
            Cause(
                "frozen",
                said("the reading of {tag} is frozen: it did not change by the least step all along", tag=case.tag),
            )
        ]
    return [
        Cause(
            "dead",
            said("the sensor of {tag} does not answer to gas (dead, poisoned, or still warming up)", tag=case.tag),
        )
    ]


def _frozen(case: Case) -> bool:
    raw = case.raw
    if raw is None or raw.value_ppm.size < 20:
        return False
    return bool(np.ptp(raw.value_ppm[raw.good]) == 0.0) if np.any(raw.good) else False


def _answered(case: Case) -> list[Cause]:
    """It did answer to gas: too slowly, too weakly, too restlessly?"""
    found: list[Cause] = []
    fit, rest = case.fit, case.rest
    flush_s = math.log(10.0) * case.detector.cap_volume_m3 / case.cylinder.flow_m3_s
    usual_s = case.detector.t90_s + flush_s
    believable = fit is not None and math.isfinite(fit.t90_s) and "no-response" not in fit.flags
    if fit is not None and believable and fit.t90_s - 2 * fit.u_t90_s > SLOW_FACTOR * usual_s:
        text = said(
            "the sensor of {tag} is slow: 90 % after {t90} s, usual are {usual} s "
            "(worn sensor, blocked filter, low flow, leaking cap)",
            tag=case.tag,
            t90=number(fit.t90_s),
            usual=number(usual_s),
        )
        found.append(Cause("slow", text))
    plateau = rest.plateau if rest is not None and rest.settled else fit.plateau if fit and believable else None
    whole = case.part.bottle_ppm - case.start_ppm
    if plateau is not None and whole:
        share = (plateau - case.start_ppm) / whole
        if abs(share - 1.0) > GAIN_OFF:
            part = figure(share, ".0%")
            text = (
                said(
                    "the sensor of {tag} has lost gain: it makes {part} of the change that the gas should bring "
                    "(worn or wrongly adjusted; or bottle, regulator or cap not as stated)",
                    tag=case.tag,
                    part=part,
                )
                if share < 1.0
                else said(
                    "the sensor of {tag} shows too much: it makes {part} of the change that the gas should bring "
                    "(worn or wrongly adjusted; or bottle, regulator or cap not as stated)",
                    tag=case.tag,
                    part=part,
                )
            )
            found.append(Cause("gain", text))
    usual = max(case.detector.noise_ppm, case.detector.resolution_ppm / 2)
    if usual > 0 and case.noise_ppm > NOISY_FACTOR * usual:
        text = said(
            "the reading of {tag} is restless: {times} times its usual noise "
            "(cable, supply, earth, radio, or a failing sensor)",
            tag=case.tag,
            times=figure(case.noise_ppm / usual, ".0f"),
        )
        found.append(Cause("noisy", text))
    return found
