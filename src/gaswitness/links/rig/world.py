"""The simulated installation as a whole: pure, seeded, and the same however its time is stepped.

Time goes from scan to scan of the panel. At each scan the sensors are brought up to that instant in closed form, the
panel looks at them, and what it drives reaches the far end of its wires a little later. What the panel believes and
what really happens out there are kept apart, because that difference is what a test is for.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from gaswitness.errors import InputError
from gaswitness.links.rig.chance import generator
from gaswitness.links.rig.faults import LINK_DOWN_AFTER_S, RigFault
from gaswitness.links.rig.heads import Head
from gaswitness.links.rig.panel import Buttons, Drive, Panel
from gaswitness.plan.bottles import ATMOSPHERE_PA
from gaswitness.sentence import said
from gaswitness.site.records import Effect, EffectKind, Pattern, Site

Button = Literal["acknowledge", "silence", "reset"]

LATENCY_S: dict[EffectKind, tuple[float, float]] = {
    "lamp": (0.05, 0.20),
    "sounder": (0.05, 0.30),
    "relay": (0.02, 0.10),
    "fan": (0.5, 2.0),
    "valve": (0.5, 2.0),
    "message": (0.5, 3.0),
}
"""From the panel's output to the thing itself, between these (our assumption)."""


@dataclass(frozen=True, slots=True)
class Sight:
    """Something that somebody at its place would notice, at the instant it happens."""

    t_s: float
    effect: str
    on: bool
    pattern: Pattern


class World:
    """One site with gas, people's hands on it, and faults."""

    def __init__(self, site: Site, *, seed: int = 1, faults: Sequence[RigFault] = ()) -> None:
        self.site = site
        self.seed = seed
        self.now_s = 0.0
        self.faults: list[RigFault] = []
        self.panel = Panel(site)
        self.heads = {detector.tag: Head(detector, site, seed) for detector in site.detectors}
        self._scans = 0
        self._first_scan_s = float(generator(seed, "scan").uniform(0.0, site.panel.scan_s))
        self._open: set[str] = set()
        self._frozen: dict[str, float] = {}
        self._link_down: tuple[float, float] = (math.inf, -math.inf)
        self._pressed = Buttons()
        self._latency_s = {effect.tag: _latency_s(effect, site, seed) for effect in site.effects}
        self._driven: dict[str, Drive] = dict(self.panel.drives)
        self._coming: list[tuple[float, int, Sight]] = []
        self._count = 0
        self.acting: set[str] = set()
        """Effects that really act now, whatever the panel believes."""
        self._flowing: dict[str, tuple[str, float]] = {}
        self._let_out_m3: dict[str, float] = {}
        self._listeners: list[Callable[[Sight], None]] = []
        self._timers: list[Callable[[float], None]] = []
        for fault in faults:
            self.inject(fault)
        self._scan(0.0)

    # -- time ---------------------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Let time pass until this instant; an earlier one changes nothing."""
        while (at_s := self._first_scan_s + self._scans * self.site.panel.scan_s) <= to_s:
            self._scans += 1
            self._show(at_s)
            self._scan(at_s)
        self._show(to_s)
        self.now_s = max(self.now_s, to_s)
        for timer in self._timers:
            timer(self.now_s)

    def _scan(self, t_s: float) -> None:
        sent: dict[str, float] = {}
        for tag, head in self.heads.items():
            head.advance(t_s)
            sent[tag] = math.nan if tag in self._open else self._frozen.get(tag, head.signal_ppm(self._scans))
        self.panel.scan(t_s, self._wired(sent), self._pressed)
        self._pressed = Buttons()
        for tag, drive in self.panel.drives.items():
            before = self._driven[tag]
            if drive.on != before.on or (drive.on and drive.pattern != before.pattern):
                self._act(t_s, tag, drive)
            self._driven[tag] = drive

    def _wired(self, sent: dict[str, float]) -> dict[str, float]:
        """Signals as they arrive at the panel's inputs: a current loop carries a part of the range, not a gas."""
        arriving = dict(sent)
        for fault in self._of("crossed"):
            for here, there in ((fault.target, fault.other), (fault.other, fault.target)):
                if here is None or there is None:
                    continue
                own, far = self.heads[here].detector, self.heads[there].detector
                share = (sent[there] - far.range_low_ppm) / far.range_ppm
                arriving[here] = own.range_low_ppm + share * own.range_ppm
        return arriving

    def _act(self, t_s: float, tag: str, drive: Drive) -> None:
        if any(fault.target == tag for fault in self._of("stuck")):
            return
        for fault in self._of("crossed-effects"):
            tag = {fault.target: fault.other, fault.other: fault.target}.get(tag) or tag
        self._count += 1
        at_s = t_s + self._latency_s[tag]
        heapq.heappush(self._coming, (at_s, self._count, Sight(at_s, tag, drive.on, drive.pattern)))

    def _show(self, t_s: float) -> None:
        while self._coming and self._coming[0][0] <= t_s:
            sight = heapq.heappop(self._coming)[2]
            (self.acting.add if sight.on else self.acting.discard)(sight.effect)
            for listener in self._listeners:
                listener(sight)

    def on_sight(self, listener: Callable[[Sight], None]) -> None:
        """Call this with everything that happens at a post, in order."""
        self._listeners.append(listener)

    def on_time(self, timer: Callable[[float], None]) -> None:
        """Call this with the time whenever it was moved on."""
        self._timers.append(timer)

    # -- hands ---------------------------------------------------------------------------------------------------

    def gas_on(self, tag: str, cylinder: str) -> None:
        """Cap on this detector, this bottle open; raises InputError for names that the site does not have."""
        head = self._head(tag)
        try:
            bottle = self.site.cylinder(cylinder)
        except KeyError as error:
            raise InputError(said("no such bottle at this site"), where=said("rig"), found=cylinder) from error
        self._shut(tag)
        self._flowing[tag] = cylinder, self.now_s
        head.gas_on(bottle, self.now_s)
        for fault in self._of("link-down"):
            if fault.target == tag and self._link_down[1] < 0:
                begins_s = self.now_s + LINK_DOWN_AFTER_S
                self._link_down = begins_s, begins_s + (fault.factor or 0.0)

    def gas_off(self, tag: str) -> None:
        """Bottle shut, cap away."""
        head = self._head(tag)
        self._shut(tag)
        if head.under_gas:
            head.gas_off(self.now_s)

    def _shut(self, tag: str) -> None:
        cylinder, since_s = self._flowing.pop(tag, ("", self.now_s))
        if cylinder:
            out_m3 = self.site.cylinder(cylinder).flow_m3_s * (self.now_s - since_s)
            self._let_out_m3[cylinder] = self._let_out_m3.get(cylinder, 0.0) + out_m3

    def pressure_pa(self, cylinder: str) -> float:
        """What is left in a bottle after all that was let out of it: p - p_atm V_out / V, ideal gas."""
        bottle = self.site.cylinder(cylinder)
        out_m3 = self._let_out_m3.get(cylinder, 0.0)
        return max(0.0, bottle.pressure_pa - ATMOSPHERE_PA * out_m3 / bottle.water_volume_m3)

    def press(self, button: Button) -> None:
        """A button at the panel; it acts with the next scan."""
        self._pressed = Buttons(
            self._pressed.acknowledge or button == "acknowledge",
            self._pressed.silence or button == "silence",
            self._pressed.reset or button == "reset",
        )

    def inhibit(self, effect: str, placed: bool) -> None:
        """Place or lift an inhibit at the panel."""
        self._effect(effect)
        if placed:
            self.panel.inhibited.add(effect)
        else:
            self.panel.inhibited.discard(effect)

    def prove(self, effect: str) -> None:
        """Drive one output from the panel for a moment."""
        self._effect(effect)
        self.panel.prove(effect, self.now_s)

    def open_signal(self, tag: str, opened: bool) -> None:
        """Take the signal wire of a detector off, or put it back."""
        self._head(tag)
        if opened:
            self._open.add(tag)
        else:
            self._open.discard(tag)

    def adjust(self, tag: str, what: str) -> None:
        """`zero` or `span` set right at the detector."""
        if what == "zero":
            self._head(tag).adjust_zero()
        else:
            self._head(tag).adjust_span()

    # -- faults --------------------------------------------------------------------------------------------------

    def inject(self, fault: RigFault) -> None:
        """Put a fault in force."""
        self.faults.append(fault)
        self._apply(fault, back=False)

    def clear(self, fault: RigFault) -> None:
        """Take a fault back; one that is not in force changes nothing."""
        if fault in self.faults:
            self.faults.remove(fault)
            self._apply(fault, back=True)

    def _apply(self, fault: RigFault, *, back: bool) -> None:
        factor = fault.factor if fault.factor is not None else 1.0
        scale = 1.0 / factor if back and factor else factor
        match fault.kind:
            case "dead":
                self.heads[fault.tag].dead = not back
            case "slow":
                self.heads[fault.tag].slowness *= scale
            case "weak":
                self.heads[fault.tag].gain *= scale
            case "noisy":
                self.heads[fault.tag].noise_ppm *= scale
            case "offset":
                moved_ppm = factor * self.heads[fault.tag].detector.range_ppm
                self.heads[fault.tag].zero_ppm += -moved_ppm if back else moved_ppm
            case "frozen" if back:
                self._frozen.pop(fault.tag, None)
            case "frozen":
                self._frozen[fault.tag] = self.heads[fault.tag].signal_ppm(self._scans)
            case "set-point":
                self.panel.set_level(fault.tag, fault.point, 1.0 if back else factor)
            case "no-latch":
                spec = self.site.detector(fault.tag).alarm(fault.point)
                self.panel.set_latching(fault.tag, fault.point, spec.latching and back)
            case "vote-any" | "vote-all" | "vote-faulty":
                self._set_votes(fault, back=back)
            case "uncounted":
                (self.panel.uncounted.discard if back else self.panel.uncounted.add)(fault.target)
            case "link-down" if back:
                self._link_down = (math.inf, -math.inf)
            case _:
                pass

    def _set_votes(self, fault: RigFault, *, back: bool) -> None:
        self.panel.votes.pop(fault.target, None)
        group = next(group for group in self.site.groups if group.tag == fault.target)
        if back:
            return
        if fault.kind == "vote-faulty":
            self.panel.votes[group.tag] = group.need, "ignored" if group.faulty == "votes" else "votes"
        else:
            self.panel.votes[group.tag] = 1 if fault.kind == "vote-any" else len(group.members), group.faulty

    def _of(self, kind: str) -> list[RigFault]:
        return [fault for fault in self.faults if fault.kind == kind]

    # -- what shows ----------------------------------------------------------------------------------------------

    def readings(self) -> dict[str, float]:
        """What the panel shows for each detector, in ppm; not-a-number where the signal is open."""
        return dict(self.panel.readings)

    def status(self) -> dict[str, bool]:
        """Every status signal of the panel."""
        return self.panel.status()

    @property
    def link_up(self) -> bool:
        """Whether the wire to the panel carries anything now."""
        begins_s, ends_s = self._link_down
        return not begins_s <= self.now_s < ends_s

    @property
    def swapped(self) -> frozenset[str]:
        """Detectors whose two registers stand in the other order."""
        return frozenset(fault.tag for fault in self._of("swapped-words"))

    def _head(self, tag: str) -> Head:
        if tag not in self.heads:
            raise InputError(said("no such detector at this site"), where=said("rig"), found=tag)
        return self.heads[tag]

    def _effect(self, tag: str) -> None:
        if tag not in self._latency_s:
            raise InputError(said("no such effect at this site"), where=said("rig"), found=tag)


def _latency_s(effect: Effect, site: Site, seed: int) -> float:
    """Between the two values of its kind, and never over a quarter of what the matrix allows."""
    low_s, high_s = LATENCY_S[effect.kind]
    drawn_s = float(generator(seed, f"effect {effect.tag}").uniform(low_s, high_s))
    allowed_s = min((line.within_s for line in site.matrix if line.effect == effect.tag), default=math.inf)
    return min(drawn_s, 0.25 * allowed_s)
