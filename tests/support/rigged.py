"""Whole visits on the simulated installation, in one process, on a clock of their own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from gaswitness.clock import OwnedClock
from gaswitness.links.rig.faults import parse_fault
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan import build_plan
from gaswitness.plan.records import Plan
from gaswitness.plan.votes import Votes
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, StepMoved
from gaswitness.run.foresee import Foresight
from gaswitness.run.ports import Wish
from gaswitness.run.snapshots import Snapshot, end_of_wait
from gaswitness.site import Site, load_site
from support.ledgers import write_chain

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
DAY = date(2026, 11, 25)


@lru_cache(maxsize=16)
def example_plan(
    name: str,
    tags: tuple[str, ...] | None = None,
    together: tuple[tuple[str, ...], ...] = (),
    votes: Votes | None = None,
) -> Plan:
    """The plan of an example site."""
    site = load_site((EXAMPLES / name).read_text(encoding="utf-8"), name)
    made = datetime(DAY.year, DAY.month, DAY.day, tzinfo=UTC)
    return build_plan(site, tags=list(tags) if tags else None, made=made, today=DAY, together=together, votes=votes)


def visit(plan: Plan, **choices: Any) -> bytes:
    """The ledger of a plan that was carried out; choices as for `carried_out`."""
    return write_chain(carried_out(plan, **choices))


def carried_out(
    plan: Plan,
    *,
    seed: int = 1,
    faults: Sequence[str] = (),
    show: Callable[[Snapshot], None] | None = None,
    watch: Callable[[World, Snapshot], None] | None = None,
    wired: Site | None = None,
    impatient: bool = False,
) -> list[Event]:
    """Carry a plan out on the rig, and return the events.

    `watch` may do something to the world meanwhile; `wired` is how the installation really is, where that is not as
    the plan's site says; whoever is `impatient` cuts the wait for a settled reading short as soon as that is offered.
    """
    clock = OwnedClock(datetime(DAY.year, DAY.month, DAY.day, 9, tzinfo=UTC))
    world = World(wired or plan.site, seed=seed, faults=[parse_fault(text, plan.site) for text in faults])
    events: list[Event] = []
    wishes: asyncio.Queue[Wish] = asyncio.Queue()
    link = RigLink(world, clock)

    def shown(snapshot: Snapshot) -> None:
        wish = end_of_wait(snapshot, "MK") if impatient else None
        if wish is not None:
            wishes.put_nowait(wish)
        if watch is not None:
            watch(world, snapshot)
        if show is not None:
            show(snapshot)

    asyncio.run(
        drive(
            plan,
            link,
            RigHands(world, clock),
            clock,
            events.append,
            run_id="R1",
            operator="MK",
            simulated=True,
            show=shown,
            wishes=wishes,
            foresight=Foresight(plan, link.poll_s) if impatient else None,
        )
    )
    return events


def ended(events: Iterable[Event]) -> dict[str, str]:
    """How each step that was begun ended."""
    return {event.step: event.state for event in events if isinstance(event, StepMoved) and event.state != "started"}
