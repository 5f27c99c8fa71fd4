"""The rig's own hands and eyes within one process: they do what a step says and stand at every post at once."""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import AsyncIterator, Callable

from gaswitness.clock import Clock
from gaswitness.links.rig.commands import command_for, obey
from gaswitness.links.rig.instruments import measured_at
from gaswitness.links.rig.panel import PROOF_S
from gaswitness.links.rig.witnesses import Witnesses
from gaswitness.links.rig.world import Sight, World
from gaswitness.plan.records import Step, StepKind
from gaswitness.run.ports import Answer, Press

HAND_U_S = 0.05
"""Standard uncertainty of the instant of an act: a valve is not open at once."""
TAKES_S: dict[StepKind, float] = {
    "caution": 5.0,
    "warn": 5.0,
    "prove": PROOF_S,
    "all-clear": 5.0,
    "air": 5.0,
    "bottle": 5.0,
}
"""How long hands are busy with a step, on the run's clock; other steps are done at once (our assumption)."""
LOOK_S = 0.5


async def take_time(step: Step, clock: Clock, look: Callable[[], None] | None = None) -> None:
    """Be busy with a step for as long as it takes, and look up now and then."""
    takes_s = step.expected_s if step.kind == "sound" else TAKES_S.get(step.kind, 0.0)
    until_s = clock.now_s() + takes_s
    while clock.now_s() < until_s:
        await clock.sleep_s(LOOK_S)
        if look is not None:
            look()


class PressQueue:
    """Marks that witnesses are about to press, kept until their instant has come."""

    def __init__(self, world: World, instance: str = "rig") -> None:
        self._witnesses = Witnesses(world.site, world.seed, instance)
        self._waiting: list[tuple[float, int, Press]] = []
        self._count = 0
        self._ready: asyncio.Queue[Press] = asyncio.Queue()
        world.on_sight(self._saw)
        world.on_time(self._time_came)

    def _saw(self, sight: Sight) -> None:
        press = self._witnesses.press(sight)
        self._count += 1
        heapq.heappush(self._waiting, (press.t_s, self._count, press))

    def _time_came(self, now_s: float) -> None:
        while self._waiting and self._waiting[0][0] <= now_s:
            self._ready.put_nowait(heapq.heappop(self._waiting)[2])

    def present(self, t_s: float) -> tuple[Press, ...]:
        """Marks by which every witness says to be at the post."""
        return self._witnesses.present(t_s)

    async def next(self) -> Press:
        """The next mark, once it has been pressed."""
        return await self._ready.get()


class RigHands:
    """Hands on a world that lives in this process; `clock` is the run's clock and the world's alike."""

    name = "rig"

    def __init__(self, world: World, clock: Clock) -> None:
        self._world = world
        self._clock = clock
        self._presses = PressQueue(world)

    async def do(self, step: Step) -> Answer:
        """Do it now; telling people takes its time, and whoever proves an effect stays to see it act."""
        now_s = self._clock.now_s()
        self._catch_up()
        command = command_for(step)
        if command is None:
            await take_time(step, self._clock, self._catch_up)
            return Answer("done", self.name, measured=measured_at(self._world, step))
        obey(self._world, command)
        await take_time(step, self._clock, self._catch_up)
        return Answer("done", self.name, t_s=now_s, u_s=HAND_U_S)

    def _catch_up(self) -> None:
        self._world.advance(self._clock.now_s())

    async def presses(self) -> AsyncIterator[Press]:
        """Who is at which post, then marks as the world's time passes."""
        for press in self._presses.present(self._clock.now_s()):
            yield press
        while True:
            yield await self._presses.next()
