"""Two detectors under gas at once with no wire to the panel: both displays are read aloud, both are marked."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.links.opening import ByHandLink
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, ReadingTaken
from gaswitness.run.ports import Answer, Press, ReadingWish, Wish
from support.ledgers import write_chain
from support.rigged import DAY, example_plan

EVERY_S = 4.0
POSTS = {"CS-1": "HALL-DOOR", "CS-2": "HALL-DOOR"}


class Lookers(RigHands):
    """The rig's hands, and one person a display who types what it shows and marks each alarm as it comes and goes."""

    def __init__(self, world: World, clock: OwnedClock, wishes: asyncio.Queue[Wish]) -> None:
        super().__init__(world, clock)
        self._display, self._clock_too, self._wishes = RigLink(world, clock), clock, wishes
        self._lamps: dict[str, bool] = {}
        self._typed_s = -EVERY_S
        self._read: dict[str | None, list[float]] = {tag: [] for tag in POSTS}
        self._marks: asyncio.Queue[Press] = asyncio.Queue()

    async def do(self, step: Step) -> Answer:
        """Whether a reading is at rest is for whoever looks at it to say: the last four are alike, where due."""
        low, high = {"await-plateau": (220.0, 280.0), "recover": (-5.0, 5.0)}.get(step.kind, (None, None))
        while low is not None and not (
            len(last := self._read[step.tag][-4:]) == 4 and low <= min(last) and max(last) <= min(high, min(last) + 3)
        ):
            await self._clock_too.sleep_s(1.0)
        return await super().do(step)

    async def look(self) -> None:
        shown, now_s = await self._display.poll(), self._clock_too.now_s()
        for signal, on in shown.status.items():
            tag = signal.partition(".")[0]
            if tag in POSTS and self._lamps.get(signal, False) != on:
                self._lamps[signal] = on
                self._marks.put_nowait(Press(f"{signal}-{now_s:.1f}", POSTS[tag], "Ida", signal, on, now_s, 0.3))
        if now_s >= self._typed_s + EVERY_S:
            self._typed_s = now_s
            for tag in POSTS:
                self._read[tag].append(round(shown.readings[tag].value_ppm or 0.0))
                self._wishes.put_nowait(ReadingWish("Ida", tag, self._read[tag][-1], now_s))

    async def presses(self):
        own = asyncio.create_task(self._pass_on())
        try:
            while True:
                yield await self._marks.get()
        finally:
            own.cancel()

    async def _pass_on(self) -> None:
        async for press in super().presses():
            self._marks.put_nowait(press)


class Eyes(ByHandLink):
    """Brings nothing by itself; people look up whenever it would have been polled."""

    def __init__(self, hands: Lookers) -> None:
        super().__init__()
        self._hands = hands

    async def poll(self):
        await self._hands.look()
        return await super().poll()


@pytest.fixture(scope="module")
def ledger() -> bytes:
    plan = example_plan("coldstore.yaml", ("CS-1", "CS-2"), (("CS-1", "CS-2"),))
    clock = OwnedClock(datetime(DAY.year, DAY.month, DAY.day, 9, tzinfo=UTC))
    wishes: asyncio.Queue[Wish] = asyncio.Queue()
    hands = Lookers(World(plan.site, seed=1), clock, wishes)
    events: list[Event] = []
    asyncio.run(
        drive(plan, Eyes(hands), hands, clock, events.append, run_id="R1", operator="MK", simulated=True, wishes=wishes)
    )
    return write_chain(events)


def test_both_readings_are_typed_and_both_detectors_get_their_verdict(ledger):
    recorded = read_ledger(ledger)
    assert recorded.stopped.outcome == "complete"
    typed = [e for e in recorded.events if isinstance(e, ReadingTaken)]
    assert {e.quality for e in typed} == {"by-hand"}
    assert {e.tag for e in typed} == set(POSTS)
    series = series_of(recorded)
    first, second = (series.tests_of(tag)[0] for tag in POSTS)
    assert first.gas_on.t_s < second.gas_on.t_s < first.gas_off.t_s, "gas on both at once"
    judgement = judge(series)
    assert [(v.tag, v.outcome) for v in judgement.verdicts] == [("CS-1", "pass"), ("CS-2", "pass")]
    times = [f for v in judgement.verdicts for f in v.findings if f.kind == "set-time"]
    assert len(times) == 4
    assert all(f.u is not None and f.u >= 0.3 for f in times), "no better than the people who pressed"
