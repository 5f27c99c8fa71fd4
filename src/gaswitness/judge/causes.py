"""Why a detector fell short: what the evidence as a whole points to, most likely first.

A finding looks at one thing; a fault shows in many. Here all readings of a trial are looked at together, those of the
other detectors too, so that the cause can be named once and stand first wherever it explains a shortfall.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gaswitness.evidence.series import Series, Span
from gaswitness.judge.case import Case
from gaswitness.sentence import figure, listed, said
from gaswitness.site.records import Detector, Site
from gaswitness.site.wires import RegisterEntry
from gaswitness.wording import number, word

Floats = NDArray[np.float64]
Kind = Literal["link", "no-reading", "words", "crossed", "frozen", "dead", "slow", "gain", "noisy"]

FLAT_SHARE = 0.08
"""A reading that makes less than this part of the change did not answer."""
OTHER_SHARE = 0.05
"""Another detector answered when it moved by this part of its own range, and well beyond its noise."""
NOISES = 8.0
ALONE_S = 15.0
"""A detector must have had gas alone for so long before the next one of its bout tells anything of the two."""
SLOW_FACTOR = 1.3
GAIN_OFF = 0.08
NOISY_FACTOR = 4.0
SWAPPED_SHARE = 0.9
"""Readings that make sense with their halves exchanged; of readings in the right order hardly one does."""
ABSURD_SHARE = 0.3
"""Readings that make none as they stand; a wrong order gives small numbers too, which could be a true zero."""

GAS = said(
    "gas did not reach the sensor: bottle or regulator shut or empty, cap not on or leaking, sensor inlet blocked"
)
_PPM_PER_UNIT = {"ppm": 1.0, "ppb": 1e-3, "%vol": 1e4}


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
    if entry is not None and _mostly_swapped(values, entry, case.detector):
        text = said(
            "word order: the registers of {tag} make sense only with their halves exchanged (it "
            "shows {last} ppm); put the right word order into the register map",
            tag=case.tag,
            last=figure(nonzero(values)[-1], ".3g"),
        )
        return [Cause("words", text)]
    under_gas = raw.between(case.trial.gas_on.t_s, case.gas_end_s) if case.trial else raw
    usable = under_gas.good | np.array([word == "over" for word in under_gas.quality], dtype=np.bool_)
    if not np.any(usable):
        words = [word(one) for one in sorted(set(under_gas.quality))]
        text = said(
            "no usable reading of {tag} under gas ({words}): cable, supply, sensor",
            tag=case.tag,
            words=listed(words) or said("none arrived"),
        )
        return [Cause("no-reading", text)]
    return []


def _mostly_swapped(values: Floats, entry: RegisterEntry, d: Detector) -> bool:
    """Nearly all readings are absurd as they stand and sensible with their registers exchanged."""
    factor = ppm_per_unit(entry, d)
    if factor is None or entry.type in ("uint16", "int16"):
        return False
    tested = nonzero(values)[-200:]
    if tested.size < 5:
        return False
    slack = 0.05 * d.range_ppm
    ends = sorted(
        (ppm / factor - entry.offset) / entry.scale for ppm in (d.range_low_ppm - slack, d.range_high_ppm + slack)
    )
    least = abs(d.resolution_ppm / factor / entry.scale) / 100.0
    raw = (tested / factor - entry.offset) / entry.scale
    expected = (ends[0], ends[1])
    others = [exchanged(float(value), entry.type) for value in raw]
    sensible = sum(_sensible(other, expected, least) for other in others if other)
    absurd = sum(not _sensible(float(value), expected, least) for value in raw)
    return bool(sensible >= SWAPPED_SHARE * tested.size and absurd >= ABSURD_SHARE * tested.size)


def nonzero(values: Floats) -> Floats:
    """Values that are not zero: a zero is a zero in any order."""
    kept: Floats = values[values != 0.0]
    return kept


def words_swapped(value: float, expected: tuple[float, float], *, least: float = 0.0, of: str = "float32") -> bool:
    """Whether a 32-bit register value is absurd as it stands and sensible with its two halves exchanged.

    Sensible is within `expected` (ends included) and, unless zero, not closer to zero than `least`: a float that was
    read with its words exchanged often looks like a very small number. 20.9 (41A7 3333) reads 4.2e-8 that way:

    >>> wrong = struct.unpack(">f", bytes.fromhex("333341A7"))[0]
    >>> words_swapped(wrong, (0.0, 25.0), least=1e-3), words_swapped(20.9, (0.0, 25.0), least=1e-3)
    (True, False)
    """
    if _sensible(value, expected, least):
        return False
    other = exchanged(value, of)
    return other is not None and other != 0.0 and _sensible(other, expected, least)


def exchanged(value: float, of: str) -> float | None:
    """A 32-bit register value with its two halves exchanged, in the unit of the register; none where it is no such."""
    code = {"float32": ">f", "int32": ">i", "uint32": ">I"}[of]
    try:
        data = struct.pack(code, value if of == "float32" else round(value))
    except (struct.error, OverflowError, ValueError):
        return None
    return float(struct.unpack(code, data[2:] + data[:2])[0])


def _sensible(value: float, expected: tuple[float, float], least: float) -> bool:
    inside = math.isfinite(value) and expected[0] <= value <= expected[1]
    return inside and (value == 0.0 or abs(value) >= least)


def register_of(site: Site, tag: str) -> RegisterEntry | None:
    """Where a detector's reading stands on a link."""
    signal = f"{tag}.reading"
    return next((entry for link in site.links for entry in link.registers if entry.signal == signal), None)


def ppm_per_unit(entry: RegisterEntry, detector: Detector) -> float | None:
    """Factor from the register's unit to ppm; none for a current, or where no flammable limit is stated."""
    if entry.unit == "%LFL":
        return detector.lfl.ppm / 100.0 if detector.lfl else None
    return _PPM_PER_UNIT.get(entry.unit)


def crossed_with(case: Case) -> str | None:
    """The detector that answered to this one's gas while this one did not."""
    if case.trial is None:
        return None
    exchanged = _exchanged(case)
    if exchanged is not None:
        return exchanged
    if not is_flat(case):
        return None
    return who_answered(case.series, case.tag, case.trial.gas_on.t_s, case.gas_end_s)


def _exchanged(case: Case) -> str | None:
    """A detector with gas beside this one, where the one that had gas first stood still and the other one moved."""
    mine = case.trial
    if mine is None:
        return None
    for other in case.series.trials:
        beside = other.gas_on.t_s < case.gas_end_s and (other.gas_off is None or other.gas_off.t_s > mine.gas_on.t_s)
        if other.tag == case.tag or not beside:
            continue
        first, second = sorted((mine, other), key=lambda trial: trial.gas_on.t_s)
        from_s, until_s = first.gas_on.t_s, second.gas_on.t_s
        still, moved = (_moved_share(case.series, trial.tag, from_s, until_s) for trial in (first, second))
        if until_s - from_s >= ALONE_S and still < OTHER_SHARE <= moved:
            return other.tag
    return None


def _moved_share(series: Series, tag: str, from_s: float, until_s: float) -> float:
    """By how much of its range a reading moved in this time; 0 where it says too little."""
    trace = series.traces.get(tag)
    if trace is None:
        return 0.0
    before, during = trace.between(from_s - 60.0, from_s), trace.between(from_s, until_s)
    before, during = before.only(np.isfinite(before.value_ppm)), during.only(np.isfinite(during.value_ppm))
    if before.value_ppm.size < 3 or during.value_ppm.size < 5:
        return 0.0
    smooth = np.convolve(during.value_ppm, np.ones(5) / 5, mode="valid")
    moved_ppm = float(np.max(np.abs(smooth - float(np.median(before.value_ppm)))))
    return moved_ppm / series.plan.site.detector(tag).range_ppm


def is_flat(case: Case) -> bool:
    """Whether the reading did not answer to gas."""
    moved = case.moved_ppm
    if moved is None:
        return False
    seen_ppm = 3 * max(case.noise_ppm, case.detector.resolution_ppm)
    return moved <= max(FLAT_SHARE * abs(case.step_ppm), min(seen_ppm, 0.2 * abs(case.step_ppm)))


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


def who_answered(series: Series, tag: str, from_s: float, until_s: float) -> str | None:
    """The detector, not under gas itself, whose reading moved most while gas was on `tag`."""
    best: tuple[float, str] | None = None
    for detector in series.plan.site.detectors:
        trace = series.traces.get(detector.tag)
        if detector.tag == tag or trace is None:
            continue
        busy = [t for t in series.trials_of(detector.tag) if t.gas_on.t_s <= until_s and t.until_s >= from_s]
        if any(t.gas_on.t_s <= until_s and (t.gas_off.t_s if t.gas_off else t.until_s) >= from_s for t in busy):
            continue
        before = trace.between(from_s - 60.0, from_s)
        during = trace.between(from_s, until_s)
        before, during = before.only(np.isfinite(before.value_ppm)), during.only(np.isfinite(during.value_ppm))
        if before.value_ppm.size < 3 or during.value_ppm.size < 5:
            continue
        level = float(np.median(before.value_ppm))
        smooth = np.convolve(during.value_ppm, np.ones(5) / 5, mode="valid")
        moved = float(np.max(np.abs(smooth - level)))
        drifting = abs(float(before.value_ppm[-1] - before.value_ppm[0]))
        noise = float(np.std(before.value_ppm))
        share = moved / detector.range_ppm
        enough = moved > NOISES * max(noise, detector.resolution_ppm / 2) and moved > 3 * drifting
        if share >= OTHER_SHARE and enough and (best is None or share > best[0]):
            best = share, detector.tag
    return best[1] if best else None


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
