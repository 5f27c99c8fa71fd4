"""A small plan made by hand, and a bench that answers it: no part of the planner or the rig is needed here."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable

from gaswitness.clock import OwnedClock
from gaswitness.errors import LinkError
from gaswitness.plan.records import Criterion, Curve, DetectorPlan, Plan, PointForecast, Step
from gaswitness.run.ports import Answer, Polled, PolledReading, Press
from gaswitness.site import Site, load_site

BOTTLE_PPM = 25_000.0
ROOM_PPM = 600.0
TAU_S = 40.0
DEAD_S = 10.0


def make_site(text: str) -> Site:
    site = load_site(text, "cellar.yaml")
    effects = tuple(effect.model_copy(update={"inhibitable": effect.tag == "FAN"}) for effect in site.effects)
    return site.model_copy(update={"effects": effects})


def make_plan(site: Site, tags: tuple[str, ...] = ("CO2-A", "CO2-B")) -> Plan:
    def step(name: str, kind: str, ends: str = "confirm", at_most_s: float = 120.0, **more: object) -> Step:
        return Step.model_validate(
            {"id": name, "kind": kind, "text": f"do {name}", "ends": ends, "at_most_s": at_most_s, **more}
        )

    steps = [
        step("visit/caution", "caution"),
        step("visit/warn/keeper", "warn", role="Cellar keeper"),
        step("visit/inhibit/FAN", "inhibit", effect="FAN", at_most_s=30.0),
    ]
    for tag in tags:
        steps += [
            step(f"{tag}/zero", "zero", "settled", 60.0, tag=tag),
            step(f"{tag}/gas-on", "gas-on", tag=tag, cylinder="BOTTLE"),
            step(f"{tag}/await-set/low", "await-set", "signal", 90.0, tag=tag, point="low", watch=("BEACON",)),
            step(f"{tag}/await-set/high", "await-set", "signal", 240.0, tag=tag, point="high"),
            step(f"{tag}/await-plateau", "await-plateau", "settled", 400.0, tag=tag),
            step(f"{tag}/gas-off", "gas-off", tag=tag, cylinder="BOTTLE"),
            step(f"{tag}/await-clear/high", "await-clear", "signal", 120.0, tag=tag, point="high"),
            step(f"{tag}/await-clear/low", "await-clear", "signal", 240.0, tag=tag, point="low"),
            step(f"{tag}/recover", "recover", "settled", 400.0, tag=tag),
            step(f"{tag}/fault", "fault", "signal", 30.0, tag=tag),
            step(f"{tag}/mend", "mend", "signal", 30.0, tag=tag),
            step(f"{tag}/adjust", "adjust", tag=tag, optional=True),
            step(f"{tag}/as-left/zero", "zero", "settled", 240.0, tag=tag, optional=True),
        ]
    steps += [
        step("visit/lift/FAN", "lift", effect="FAN", at_most_s=30.0),
        step("visit/prove/FAN", "prove", effect="FAN"),
        step("visit/all-clear/keeper", "all-clear", role="Cellar keeper"),
    ]
    curve = Curve(
        t_s=(0.0, 60.0), reading_ppm=(ROOM_PPM, 2e4), low_ppm=(ROOM_PPM, 1e4), high_ppm=(ROOM_PPM, 3e4), gas_off_s=240.0
    )
    detectors = tuple(
        DetectorPlan(
            tag=tag,
            cylinder="BOTTLE",
            bottle_ppm=BOTTLE_PPM,
            background_ppm=(420.0, 1300.0),
            gas_s=240.0,
            gas_m3=2e-3,
            duration_s=700.0,
            curve=curve,
            points=(
                PointForecast(point="low", set_s=(12.0, 30.0), clear_s=(40.0, 110.0)),
                PointForecast(point="high", set_s=(30.0, 70.0), clear_s=(15.0, 60.0)),
            ),
        )
        for tag in tags
    )
    criteria = tuple(
        Criterion(
            id=f"{tag}/{kind}",
            kind=kind,
            tag=tag,
            lower=low,
            upper=high,
            unit="ppm",
            rule="simple",
            text=f"{tag} {kind}",
        )
        for tag in tags
        for kind, low, high in (("zero", 0.0, 2000.0), ("span", 22_000.0, 28_000.0))
    )
    return Plan(
        made="2026-01-01T00:00:00Z",
        site=site,
        detectors=detectors,
        steps=tuple(steps),
        criteria=criteria,
        cautions=("Carbon dioxide displaces air.",),
    )


class Bench:
    """Two first-order detectors, their alarm points, one inhibit; link and hands in one."""

    name = "bench"
    url = "bench:"
    poll_s = 1.0

    def __init__(self, plan: Plan, clock: OwnedClock) -> None:
        self.plan, self.clock = plan, clock
        self.level = {one.tag: ROOM_PPM for one in plan.site.detectors}
        self.inlet = dict(self.level)
        self.turned = dict.fromkeys(self.level, -1000000000.0)
        self.on: dict[str, bool] = {}
        self.open: set[str] = set()
        self.inhibited = False
        self.gain = 1.0
        self.shows_inhibit = True
        self.at_s = clock.now_s()
        self.asked: list[str] = []
        self.polls = 0
        self.down: Callable[[int], bool] = lambda poll: False
        self.answer: Callable[[Step], Answer | None] = lambda step: Answer(by="bench")
        self.stray: dict[str, bool] = {}
        self.marks: asyncio.Queue[Press] = asyncio.Queue()

    def advance(self) -> None:
        now_s = self.clock.now_s()
        for tag in self.level:
            moving_s = max(0.0, now_s - max(self.at_s, self.turned[tag] + DEAD_S))
            self.level[tag] += (self.inlet[tag] - self.level[tag]) * -math.expm1(-moving_s / TAU_S)
        self.at_s = now_s

    async def open_(self) -> None: ...

    async def poll(self) -> Polled:
        self.polls += 1
        if self.down(self.polls):
            raise LinkError("bench: no answer")
        self.advance()
        status: dict[str, bool] = {}
        for detector in self.plan.site.detectors:
            reading = self.gain * self.level[detector.tag]
            for point in detector.alarms:
                signal = f"{detector.tag}.{point.name}"
                was = self.on.get(signal, False)
                self.on[signal] = reading >= point.set_ppm or (was and reading >= point.clear_ppm(detector.range_ppm))
                status[signal] = self.on[signal]
            status[f"{detector.tag}.fault"] = detector.tag in self.open
        status["BEACON.on"] = status["CO2-A.low"] or status["CO2-B.low"]
        if self.shows_inhibit:
            status["FAN.inhibited"] = self.inhibited
        status.update(self.stray)
        return Polled({tag: PolledReading(self.gain * level) for tag, level in self.level.items()}, status)

    async def close(self) -> None: ...

    async def do(self, step: Step) -> Answer:
        self.asked.append(step.id)
        answer = self.answer(step)
        if answer is None:
            await asyncio.Event().wait()
        assert answer is not None
        if answer.state != "done":
            return answer
        self.advance()
        tag = step.tag or ""
        match step.kind:
            case "gas-on" | "gas-off":
                self.inlet[tag] = BOTTLE_PPM if step.kind == "gas-on" else ROOM_PPM
                self.turned[tag] = self.clock.now_s()
            case "inhibit" | "lift":
                self.inhibited = step.kind == "inhibit"
            case "fault":
                self.open.add(tag)
            case "mend":
                self.open.discard(tag)
            case "adjust":
                self.gain = 1.0
        return answer

    async def presses(self) -> AsyncIterator[Press]:
        while True:
            yield await self.marks.get()


class BenchLink:
    """The bench as a link: `open` is taken by the set of open signals."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.url, self.poll_s = bench.url, bench.poll_s
        self.poll, self.close, self.open = bench.poll, bench.close, bench.open_
