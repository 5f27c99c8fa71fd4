"""The sense-check: would this description make an alarm system that works, and that can be proven?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from gaswitness.errors import Fault
from gaswitness.gases import cautions
from gaswitness.site.records import Site
from gaswitness.site.rules.air import air
from gaswitness.site.rules.bottles import bottles
from gaswitness.site.rules.chain import chain
from gaswitness.site.rules.criteria import criteria
from gaswitness.site.rules.levels import levels
from gaswitness.site.rules.networks import networks
from gaswitness.site.rules.remark import Remark, Remarks
from gaswitness.site.rules.wire import wire

_RULES: tuple[Callable[[Site], Remarks], ...] = (air, levels, chain, wire, networks, criteria)


@dataclass(frozen=True, slots=True)
class SenseReport:
    """Faults must be mended; doubts must be looked at."""

    faults: tuple[Fault, ...]
    doubts: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """What to mind with one bottle of test gas."""

    cylinder: str
    lines: tuple[str, ...]


def sense_check(site: Site, today: date) -> SenseReport:
    """Ask every question of the sense-check; `today` decides whether a bottle is in date."""
    remarks: list[Remark] = [*bottles(site, today)]
    for rule in _RULES:
        remarks += rule(site)
    said = dict.fromkeys(remarks)
    return SenseReport(
        faults=tuple(remark.said for remark in said if remark.is_fault),
        doubts=tuple(remark.said for remark in said if not remark.is_fault),
    )


def bottle_cautions(site: Site) -> tuple[Caution, ...]:
    """The usual cautions for every bottle at its level and in its balance gas."""
    return tuple(
        Caution(cylinder.tag, cautions(cylinder.gas, cylinder.level_ppm, cylinder.balance))
        for cylinder in site.cylinders
    )
