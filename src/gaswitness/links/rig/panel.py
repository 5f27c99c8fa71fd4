"""The simulated panel: what it believes, scan by scan. It never knows what really happens at the far end of a wire."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import cast

from gaswitness.alarms import AlarmPoint, PointState
from gaswitness.alarms.effects import CauseLine, EffectLogic, EffectState
from gaswitness.alarms.voting import FaultyVote, vote
from gaswitness.site import alarm_points
from gaswitness.site.records import Effect, Pattern, Site

FAULT_SCANS = 2
"""A signal must be missing for this many scans before the panel says fault."""
PROOF_S = 5.0
"""How long the panel drives an output when somebody proves it from the panel."""


@dataclass(frozen=True, slots=True)
class Buttons:
    """What was pressed since the last scan."""

    acknowledge: bool = False
    silence: bool = False
    reset: bool = False


@dataclass(frozen=True, slots=True)
class Drive:
    """What the panel drives one output with."""

    on: bool = False
    pattern: Pattern = "steady"


class Panel:
    """Alarm points, votes, matrix and buttons of one site."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._points: dict[str, tuple[AlarmPoint, ...]] = {
            detector.tag: alarm_points(detector) for detector in site.detectors
        }
        self._states: dict[tuple[str, str], PointState] = {
            (tag, point.name): point.start() for tag, points in self._points.items() for point in points
        }
        self._missing = dict.fromkeys(self._points, 0)
        self._logic = {effect.tag: _logic(effect, site) for effect in site.effects}
        self._effects: dict[str, EffectState] = {tag: logic.start() for tag, logic in self._logic.items()}
        self._proof_until_s: dict[str, float] = {}
        self.inhibited: set[str] = set()
        self.votes: dict[str, tuple[int, FaultyVote]] = {}
        """Votes needed and what a faulty member does, of groups that are not set up as the site says."""
        self.uncounted: set[str] = set()
        """Members that no group counts."""
        self.readings: dict[str, float] = dict.fromkeys(self._points, math.nan)
        self.drives: dict[str, Drive] = {effect.tag: Drive(False, effect.pattern) for effect in site.effects}

    def set_level(self, tag: str, point: str, factor: float) -> None:
        """Move a set level as a wrong entry at the panel would; the deadband stays."""
        spec = self._site.detector(tag).alarm(point)
        self._change(tag, point, set_level=spec.set_ppm * factor)

    def set_latching(self, tag: str, point: str, latching: bool) -> None:
        """Let a latch hold or not."""
        self._change(tag, point, latching=latching)

    def _change(self, tag: str, point: str, **changes: float | bool) -> None:
        self._points[tag] = tuple(
            replace(p, **changes) if p.name == point else p  # type: ignore[arg-type]
            for p in self._points[tag]
        )

    def prove(self, effect: str, t_s: float) -> None:
        """Drive one output from the panel for a moment, to show that it is live again."""
        self._proof_until_s[effect] = t_s + PROOF_S

    def faulty(self, tag: str) -> bool:
        """Whether the panel shows a fault of this detector."""
        return self._missing[tag] >= FAULT_SCANS

    def scan(self, t_s: float, signals_ppm: Mapping[str, float], pressed: Buttons) -> None:
        """One look at all inputs: points, votes, matrix, outputs."""
        for tag, value in signals_ppm.items():
            self._missing[tag] = self._missing[tag] + 1 if math.isnan(value) else 0
            self.readings[tag] = value
            for point in self._points[tag]:
                key = tag, point.name
                self._states[key], _ = point.step(
                    self._states[key], t_s, value, reset=pressed.reset, acknowledge=pressed.acknowledge
                )
        self._drive(t_s, self._causes(), pressed)

    def _causes(self) -> dict[str, bool]:
        causes = {f"{tag}.{point}": state.active for (tag, point), state in self._states.items()}
        for tag in self._points:
            causes[f"{tag}.fault"] = self.faulty(tag)
        for group in self._site.groups:
            members = {
                member: None if self.faulty(member.partition(".")[0]) else causes[member] for member in group.members
            }
            members |= dict.fromkeys(self.uncounted & set(members), False)
            need, rule = self.votes.get(group.tag, (group.need, group.faulty))
            causes[group.tag] = vote(members, need, rule).on
        return causes

    def _drive(self, t_s: float, causes: Mapping[str, bool], pressed: Buttons) -> None:
        for tag, logic in self._logic.items():
            self._effects[tag], _ = logic.step(
                self._effects[tag],
                t_s,
                causes,
                silence=pressed.silence,
                reset=pressed.reset,
                inhibited=tag in self.inhibited,
            )
            proving = t_s < self._proof_until_s.get(tag, -math.inf) and tag not in self.inhibited
            self.drives[tag] = Drive(self._effects[tag].on or proving, cast(Pattern, self._effects[tag].pattern))

    def status(self) -> dict[str, bool]:
        """Everything that the panel shows, by signal."""
        shown = {f"{tag}.{point}": state.active for (tag, point), state in self._states.items()}
        shown |= {f"{tag}.fault": self.faulty(tag) for tag in self._points}
        shown |= {f"{tag}.on": drive.on for tag, drive in self.drives.items()}
        shown |= {f"{tag}.inhibited": tag in self.inhibited for tag in self.drives}
        return shown


def _logic(effect: Effect, site: Site) -> EffectLogic:
    return EffectLogic(
        effect.tag,
        tuple(CauseLine(line.causes, line.need, line.pattern) for line in site.matrix if line.effect == effect.tag),
        delay_s=effect.delay_s,
        hold_s=effect.hold_s,
        silenceable=effect.silenceable,
        needs_reset=effect.needs_reset,
        pattern=effect.pattern,
    )
