"""Test gas as its gauges told it: pressure before and after, gas really used, and bottles that stood too low."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gaswitness.evidence.series import Series
from gaswitness.judge.records import Finding
from gaswitness.plan.bottles import ATMOSPHERE_PA
from gaswitness.plan.records import CriterionKind
from gaswitness.sentence import figure, opened, said, together
from gaswitness.site.records import Cylinder
from gaswitness.wording import number

GAUGE_U_PA = 1e5
"""Standard uncertainty of a pressure read off a regulator's gauge (1 bar); common practice, no source."""
NOT_OF_GAS: frozenset[CriterionKind] = frozenset({"zero", "fault", "no-stray"})
"""Criteria that no test gas has a part in."""


@dataclass(frozen=True, slots=True)
class BottleUse:
    """One bottle on one visit; none for what was not read."""

    cylinder: Cylinder
    before_pa: float | None
    after_pa: float | None
    planned_m3: float | None

    @property
    def used_m3(self) -> float | None:
        """Gas used, at atmospheric pressure [m3]: V (p before - p after) / p_atm, ideal gas, one temperature."""
        if self.before_pa is None or self.after_pa is None:
            return None
        return self.cylinder.water_volume_m3 * (self.before_pa - self.after_pa) / ATMOSPHERE_PA

    @property
    def u_m3(self) -> float:
        """Standard uncertainty of the gas used: two readings of the gauge."""
        return self.cylinder.water_volume_m3 * math.sqrt(2.0) * GAUGE_U_PA / ATMOSPHERE_PA

    @property
    def low(self) -> str:
        """What is wrong with a bottle that stood below its minimum pressure before the test; else empty."""
        if self.before_pa is None or self.before_pa >= self.cylinder.min_pressure_pa:
            return ""
        return said(
            "bottle {tag} stood at {before} bar before the test, below its minimum pressure of "
            "{min_pressure} bar: its certificate no longer holds",
            tag=self.cylinder.tag,
            before=_bar(self.before_pa),
            min_pressure=_bar(self.cylinder.min_pressure_pa),
        )


def _bar(pressure_pa: float) -> str:
    return number(pressure_pa / 1e5)


def bottle_uses(series: Series) -> tuple[BottleUse, ...]:
    """Every bottle whose gauge was read or whose use is planned, in the order of the plan.

    Before is the last reading ahead of the first gas out of it, after the first one behind the last gas.
    """
    planned = {need.cylinder: need.needed_m3 for need in series.plan.gas}
    tags = dict.fromkeys([*planned, *(one.cylinder for one in series.bottles)])
    return tuple(_use(series, tag, planned.get(tag)) for tag in tags)


def _use(series: Series, tag: str, planned_m3: float | None) -> BottleUse:
    trials = [trial for trial in series.trials if trial.cylinder == tag]
    first_s = min((trial.gas_on.t_s for trial in trials), default=math.inf)
    last_s = max((trial.gas_off.t_s if trial.gas_off else math.inf for trial in trials), default=math.inf)
    reads = [one for one in series.bottles if one.cylinder == tag]
    before = [one.pressure_pa for one in reads if one.t_s <= first_s]
    after = [one.pressure_pa for one in reads if one.t_s >= last_s]
    return BottleUse(
        series.plan.site.cylinder(tag), before[-1] if before else None, after[0] if after else None, planned_m3
    )


def low_bottles(series: Series) -> dict[str, str]:
    """What is wrong with bottles that stood too low, by the detectors that were tested with them."""
    low = {use.cylinder.tag: use.low for use in bottle_uses(series) if use.low}
    return {part.tag: low[part.cylinder] for part in series.plan.detectors if part.cylinder in low}


def blamed(finding: Finding, low: str) -> Finding:
    """The same finding with the low bottle as its first likely cause, where it fell short of something gas brings."""
    if not low or finding.outcome == "pass" or finding.kind in NOT_OF_GAS:
        return finding
    return finding.model_copy(update={"causes": (low, *finding.causes)})


def bottle_notes(series: Series) -> list[str]:
    """Gas really used against the plan's need, and every bottle that stood too low."""
    notes = []
    for use in bottle_uses(series):
        if use.low:
            notes.append(opened(said("{low}.", low=use.low)))
        if use.used_m3 is None or use.before_pa is None or use.after_pa is None:
            continue
        found = {
            "tag": use.cylinder.tag,
            "before": _bar(use.before_pa),
            "after": _bar(use.after_pa),
            "used": figure(use.used_m3 * 1e3, ".1f"),
            "u": figure(2e3 * use.u_m3, ".1f"),
        }
        text = (
            said(
                "Bottle {tag}: {before} bar before, {after} bar after, which is {used} L of gas with U = {u} L "
                "(k = 2).",
                **found,
            )
            if use.planned_m3 is None
            else said(
                "Bottle {tag}: {before} bar before, {after} bar after, which is {used} L of gas with U = {u} L "
                "(k = 2); the plan counted on {planned} L.",
                planned=number(use.planned_m3 * 1e3),
                **found,
            )
        )
        if use.planned_m3 is not None and use.used_m3 - 2 * use.u_m3 > use.planned_m3:
            more = said("That is more than planned: look for a leak at the regulator, or a higher flow.")
            text = together(text, more)
        notes.append(text)
    return notes
