"""A plan made by hand and a bench that answers it; see `support.bench`."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from gaswitness.clock import OwnedClock
from gaswitness.plan.records import Plan
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, RunStopped
from gaswitness.site import Site
from support.bench import Bench, BenchLink, make_plan, make_site


@pytest.fixture(scope="session")
def site(repo: Path) -> Site:
    return make_site((repo / "examples" / "cellar.yaml").read_text("utf-8"))


@pytest.fixture(scope="session")
def plan(site: Site) -> Plan:
    return make_plan(site)


@pytest.fixture
def clock() -> OwnedClock:
    return OwnedClock()


@pytest.fixture
def bench(plan: Plan, clock: OwnedClock) -> Bench:
    return Bench(plan, clock)


@pytest.fixture
def run(plan: Plan, clock: OwnedClock) -> Callable[..., tuple[RunStopped, list[Event]]]:
    """Drive the plan on a bench, and give the last event and all of them."""

    def go(bench: Bench, **more: object) -> tuple[RunStopped, list[Event]]:
        events: list[Event] = list(more.get("before", ()))  # type: ignore[call-overload]
        given = {"run_id": "r1", "operator": "MK", **more}
        stopped = asyncio.run(drive(plan, BenchLink(bench), bench, clock, events.append, **given))  # type: ignore[arg-type]
        return stopped, events

    return go
