"""Ledgers written by hand: a small invented site, a plan with the criteria a test asks for, and events."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

from gaswitness.evidence.ledger import ZERO_DIGEST, digest_of, read_ledger, seal
from gaswitness.evidence.series import Series, series_of
from gaswitness.plan.records import Criterion, Curve, DetectorPlan, Plan, PointForecast, Step
from gaswitness.run.events import (
    Event,
    GasTurned,
    LinkChanged,
    MarkMade,
    NoteTaken,
    Pressed,
    ReadingTaken,
    RunStarted,
    RunStopped,
    StatusSeen,
    StepMoved,
)
from gaswitness.site.records import AlarmPointSpec, Area, Cylinder, Detector, Effect, MatrixLine, Panel, Post, Site
from gaswitness.site.wires import BitEntry, LinkSpec, RegisterEntry

WALL = "2026-03-02T09:00:00.000Z"


def write_chain(events: Iterable[Event]) -> bytes:
    """Seal events one after the other."""
    digest, lines = ZERO_DIGEST, []
    for seq, event in enumerate(events):
        lines.append(seal(event, digest, seq))
        digest = digest_of(lines[-1])
    return b"".join(lines)


def small_site(**changes: Any) -> Site:
    """Two carbon dioxide detectors on one panel, a lamp each, one fan and one beacon; 1 s polls and 0.5 s scans."""
    alarms = (
        AlarmPointSpec(name="low", set_ppm=5000.0, deadband={"value": 20.0, "of": "set"}),
        AlarmPointSpec(name="high", set_ppm=15000.0, deadband={"value": 20.0, "of": "set"}),
    )
    detectors = tuple(
        Detector(
            tag=tag,
            gas="CO2",
            area="CELLAR",
            range_high_ppm=50000.0,
            resolution_ppm=10.0,
            t90_s=60.0,
            alarms=alarms,
            channel=channel,
        )
        for tag, channel in (("A", "CH1"), ("B", "CH2"))
    )
    fields: dict[str, Any] = {
        "format": "gaswitness/site/1",
        "name": "Invented cellar",
        "areas": (Area(tag="CELLAR", name="Cellar", volume_m3=100.0, height_m=2.5, occupied=True),),
        "panel": Panel(scan_s=0.5),
        "channels": ("CH1", "CH2"),
        "detectors": detectors,
        "posts": (Post(tag="DOOR", name="Door"),),
        "effects": (
            Effect(tag="LAMP-1", name="Lamp 1", kind="lamp", post="DOOR", channel="CH1"),
            Effect(tag="LAMP-2", name="Lamp 2", kind="lamp", post="DOOR", channel="CH2"),
            Effect(tag="BEACON", name="Beacon", kind="lamp", post="DOOR", pattern="flashing"),
            Effect(tag="FAN", name="Fan", kind="fan", post="DOOR"),
        ),
        "matrix": (
            MatrixLine(causes=("A.low",), effect="LAMP-1", within_s=5.0),
            MatrixLine(causes=("B.low",), effect="LAMP-2", within_s=5.0),
            MatrixLine(causes=("A.low", "B.low"), effect="BEACON", within_s=5.0),
            MatrixLine(causes=("A.high", "B.high"), effect="FAN", within_s=10.0),
        ),
        "cylinders": (
            Cylinder(
                tag="BOTTLE",
                gas="CO2",
                level_ppm=25000.0,
                expanded_uncertainty={"value": 2.0, "of": "level"},
                balance="air",
                certificate="X-1",
                expires=date(2028, 1, 1),
                water_volume_m3=1e-3,
                pressure_pa=6e6,
                min_pressure_pa=5e5,
                flow_m3_s=0.5e-3 / 60,
            ),
        ),
        "links": (
            LinkSpec(
                url="modbus-tcp://192.0.2.20:502",
                poll_s=1.0,
                registers=(
                    RegisterEntry(signal="A.reading", address=0),
                    RegisterEntry(signal="B.reading", address=2),
                ),
                bits=tuple(
                    BitEntry(signal=signal, address=n)
                    for n, signal in enumerate(
                        ["A.low", "A.high", "A.fault", "B.low", "B.high", "B.fault", "LAMP-1.on", "FAN.on"]
                    )
                ),
            ),
        ),
    }
    return Site(**{**fields, **changes})


def criterion(kind: str, **fields: Any) -> Criterion:
    """A criterion on detector A, with what a test does not care about filled in."""
    point, effect, tag = fields.get("point"), fields.get("effect"), fields.pop("tag", "A")
    name = "/".join(part for part in (tag or "visit", kind, point, effect) if part)
    default = {"id": name, "kind": kind, "tag": tag, "unit": "ppm", "rule": "simple", "text": kind}
    return Criterion(**{**default, **fields})


def small_plan(criteria: Iterable[Criterion], *, site: Site | None = None, steps: tuple[Step, ...] = ()) -> Plan:
    """A plan that holds just these criteria, with the steps that a trial consists of."""
    site = site or small_site()
    detectors = tuple(
        DetectorPlan(
            tag=detector.tag,
            cylinder="BOTTLE",
            bottle_ppm=25000.0,
            background_ppm=site.background_ppm(detector),
            gas_s=240.0,
            gas_m3=2e-3,
            duration_s=600.0,
            curve=Curve(t_s=(0.0,), reading_ppm=(0.0,), low_ppm=(0.0,), high_ppm=(0.0,), gas_off_s=240.0),
            points=tuple(
                PointForecast(point=alarm.name, set_s=(0.0, 120.0), clear_s=(0.0, 240.0)) for alarm in detector.alarms
            ),
        )
        for detector in site.detectors
    )
    own = tuple(
        Step(id=f"{tag}/{kind}", kind=kind, tag=tag, text=kind, ends="confirm", at_most_s=600.0)
        for tag in ("A", "B")
        for kind in ("zero", "gas-on", "await-plateau", "gas-off", "recover", "fault", "mend")
    )
    return Plan(
        made=WALL,
        site=site,
        detectors=detectors,
        steps=(*own, *steps),
        criteria=tuple(criteria),
        cautions=(),
    )


class Scene:
    """Events of one run, added in any order, sealed in order of time."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.events: list[Event] = []
        self._marks = 0

    def add(self, event: Event) -> Scene:
        """Anything."""
        self.events.append(event)
        return self

    def step(self, step: str, from_s: float, until_s: float | None, state: Any = "done") -> Scene:
        """A step gone through."""
        self.add(StepMoved(t_s=from_s, wall=WALL, step=step, state="started"))
        return self if until_s is None else self.add(StepMoved(t_s=until_s, wall=WALL, step=step, state=state))

    def gas(self, on_s: float, off_s: float | None, tag: str = "A", u_s: float = 0.1) -> Scene:
        """Bottle open, and shut."""
        self.add(GasTurned(t_s=on_s, wall=WALL, tag=tag, cylinder="BOTTLE", on=True, by="MK", u_s=u_s))
        if off_s is not None:
            self.add(GasTurned(t_s=off_s, wall=WALL, tag=tag, cylinder="BOTTLE", on=False, by="MK", u_s=u_s))
        return self

    def readings(
        self,
        value: Callable[[float], float | None],
        from_s: float,
        until_s: float,
        tag: str = "A",
        quality: Any = "good",
    ) -> Scene:
        """One reading a second."""
        for n in range(math.ceil(until_s - from_s)):
            t_s = from_s + n
            self.add(ReadingTaken(t_s=t_s, wall=WALL, tag=tag, value_ppm=value(t_s), source_t_s=t_s, quality=quality))
        return self

    def status(self, signal: str, *edges_s: float, poll_s: float = 1.0) -> Scene:
        """Off at the start, then on, off, on ... each seen by the poll at this time."""
        self.add(StatusSeen(t_s=0.0, wall=WALL, signal=signal, on=False, after_t_s=None))
        for n, t_s in enumerate(edges_s):
            self.add(StatusSeen(t_s=t_s, wall=WALL, signal=signal, on=n % 2 == 0, after_t_s=t_s - poll_s))
        return self

    def mark(self, signal: str, t_s: float, on: bool = True, **fields: Any) -> Scene:
        """A witness pressed."""
        self._marks += 1
        default = {"mark_id": f"m{self._marks}", "post": "DOOR", "witness": "JD", "u_s": 0.12}
        return self.add(MarkMade(t_s=t_s, wall=WALL, signal=signal, on=on, **{**default, **fields}))

    def press(self, action: Any, t_s: float, tag: str | None = None) -> Scene:
        """Somebody acted on the system."""
        return self.add(Pressed(t_s=t_s, wall=WALL, action=action, tag=tag, by="MK", u_s=0.1))

    def link_down(self, from_s: float, until_s: float, url: str = "modbus-tcp://192.0.2.20:502") -> Scene:
        """The link was away."""
        self.add(LinkChanged(t_s=from_s, wall=WALL, url=url, up=False, reason="no answer within 1 s"))
        return self.add(LinkChanged(t_s=until_s, wall=WALL, url=url, up=True))

    def written(self, stopped: Any = "complete") -> bytes:
        """The ledger."""
        first = RunStarted(
            t_s=0.0, wall=WALL, run_id="R1", plan=self.plan, link="rig", operator="MK", simulated=True, software="test"
        )
        rest = sorted(self.events, key=lambda event: event.t_s)
        end_s = rest[-1].t_s + 1.0 if rest else 1.0
        last = [RunStopped(t_s=end_s, wall=WALL, outcome=stopped)] if stopped else []
        return write_chain([first, *rest, *last])

    def series(self, stopped: Any = "complete") -> Series:
        """The ledger, laid out."""
        return series_of(read_ledger(self.written(stopped)))


def note(text: str, t_s: float = 1.0) -> NoteTaken:
    """A note, where only the line matters."""
    return NoteTaken(t_s=t_s, wall=WALL, by="MK", text=text)
