"""What can be wrong in the simulated installation, and how it is asked for: `KIND:TARGET[:VALUE]`."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import InputError
from gaswitness.links.registers import width
from gaswitness.site.records import Site

Target = Literal["detector", "point", "effect", "group"]
Value = Literal["none", "factor", "detector", "effect"]


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of fault: what it is put on, what its value means, and what it does."""

    target: Target
    value: Value
    default: float | None
    text: str


KINDS: dict[str, FaultKind] = {
    "dead": FaultKind("detector", "none", None, "sensor does not respond and goes on showing room air"),
    "slow": FaultKind("detector", "factor", 3.0, "dead time and lags of the sensor times this"),
    "weak": FaultKind("detector", "factor", 0.7, "gain of the sensor times this"),
    "offset": FaultKind("detector", "factor", 0.05, "zero moved by this part of the range"),
    "noisy": FaultKind("detector", "factor", 12.0, "noise of the reading times this"),
    "frozen": FaultKind("detector", "none", None, "reading stays what it was when the fault came"),
    "crossed": FaultKind("detector", "detector", None, "two detectors changed over at the panel's inputs"),
    "set-point": FaultKind("point", "factor", 1.25, "set level at the panel times this (falling alarms: by default /)"),
    "no-latch": FaultKind("point", "none", None, "a latching alarm clears by itself"),
    "stuck": FaultKind(
        "effect", "none", None, "panel drives the output, nothing happens out there (relay, wire, lamp)"
    ),
    "crossed-effects": FaultKind("effect", "effect", None, "two outputs changed over behind the panel"),
    "swapped-words": FaultKind("detector", "none", None, "the two registers of the reading in the other order"),
    "vote-any": FaultKind("group", "none", None, "one member of the vote group is enough at the panel"),
    "vote-all": FaultKind("group", "none", None, "the panel waits for every member of the vote group"),
    "vote-faulty": FaultKind("group", "none", None, "a faulty member counts at the panel as it should not"),
    "uncounted": FaultKind("point", "none", None, "the panel does not count this alarm point in its vote groups"),
    "link-down": FaultKind("detector", "factor", 45.0, "the wire drops 12 s after gas on at this detector, so long"),
}
"""Faults by name. `link-down` counts seconds of the rig's clock."""

LINK_DOWN_AFTER_S = 12.0


@dataclass(frozen=True, slots=True)
class RigFault:
    """One fault that is in force."""

    kind: str
    target: str
    """Tag of a detector, an effect or a vote group, or `TAG.point`."""
    factor: float | None = None
    other: str | None = None

    def __str__(self) -> str:
        value = self.other or (f"{self.factor:g}" if self.factor is not None else "")
        return ":".join(part for part in (self.kind, self.target, value) if part)

    @property
    def tag(self) -> str:
        """Tag of the target, without the alarm point."""
        return self.target.partition(".")[0]

    @property
    def point(self) -> str:
        """Alarm point of the target, empty where there is none."""
        return self.target.partition(".")[2]


def parse_fault(text: str, site: Site) -> RigFault:
    """Read `KIND:TARGET[:VALUE]` against a site; raises InputError."""
    name, _, rest = text.partition(":")
    target, _, value = rest.partition(":")
    kind = KINDS.get(name)
    if kind is None:
        raise InputError(
            "no such fault", where="--fault", found=text, expected="KIND:TAG, KIND one of " + ", ".join(KINDS)
        )
    tags = [detector.tag for detector in site.detectors]
    effects = [effect.tag for effect in site.effects]
    if kind.target == "point" and "." not in target and target in tags:
        voting = {member for group in site.groups for member in group.members}
        points = [p for p in site.detector(target).alarms if p.latching or name != "no-latch"]
        points = [p for p in points if f"{target}.{p.name}" in voting or name != "uncounted"]
        if points:
            target = f"{target}.{points[0].name}"
    known = {
        "detector": tags,
        "effect": effects,
        "group": [group.tag for group in site.groups],
        "point": [f"{detector.tag}.{point.name}" for detector in site.detectors for point in detector.alarms],
    }[kind.target]
    if name == "uncounted":
        known = [point for point in known if any(point in group.members for group in site.groups)]
    if target not in known:
        raise InputError(f"no such {kind.target} in the site", where="--fault", found=text, expected=_some(known))
    if name == "swapped-words" and _one_register(site, target):
        raise InputError("this reading takes one register only", where="--fault", found=text, expected="a 32-bit type")
    if kind.value == "factor":
        return RigFault(name, target, factor=_factor(text, value, kind, target, site))
    if kind.value in ("detector", "effect"):
        return RigFault(name, target, other=_other(text, target, value, tags if kind.value == "detector" else effects))
    if value:
        raise InputError(f"{name} takes no value", where="--fault", found=text, expected=f"{name}:{target}")
    return RigFault(name, target)


def _factor(text: str, value: str, kind: FaultKind, target: str, site: Site) -> float | None:
    if value:
        try:
            factor = float(value)
        except ValueError as error:
            raise InputError("not a number", where="--fault", found=text, expected="KIND:TAG:NUMBER") from error
        if not math.isfinite(factor) or (factor <= 0 and kind is not KINDS["offset"]):
            raise InputError("out of bounds", where="--fault", found=text, expected="a finite number above 0")
        return factor
    if kind is KINDS["set-point"] and kind.default is not None:
        tag, _, point = target.partition(".")
        if site.detector(tag).alarm(point).direction == "falling":
            return 1.0 / kind.default
    return kind.default


def _one_register(site: Site, tag: str) -> bool:
    """Whether the site's own map carries this reading in a single register, which has no words to swap."""
    entries = [entry for link in site.links for entry in link.registers if entry.signal == f"{tag}.reading"]
    return bool(entries) and all(width(entry.type) == 1 for entry in entries)


def _other(text: str, target: str, value: str, known: list[str]) -> str:
    if not value:
        at = known.index(target)
        others = known[at + 1 :] + known[:at]
        if not others:
            raise InputError("nothing to change over with", where="--fault", found=text, expected="a site with two")
        return others[0]
    if value not in known or value == target:
        raise InputError("nothing of that name to change over with", where="--fault", found=text, expected=_some(known))
    return value


def _some(names: Iterable[str]) -> str:
    return "one of " + ", ".join(names)
