"""Everything around a run: plan or ledger, link, rig, hands, clock, screen; and Ctrl-C as a wish to stop."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec

from pydantic import ValidationError
from rich.console import Console

from gaswitness.cli.output import talk
from gaswitness.cli.recording import SUFFIX, Recorder, can_go_on, new_path, unfinished
from gaswitness.cli.terminal.hands import AutoHands, ConsoleHands
from gaswitness.cli.terminal.keys import keyboard
from gaswitness.cli.terminal.lines import LineTalk
from gaswitness.cli.terminal.screen import Screen
from gaswitness.clock import SystemClock
from gaswitness.errors import InputError
from gaswitness.evidence.ledger import Ledger
from gaswitness.links.opening import open_link
from gaswitness.links.rig.client import ControlClient, control_port_of, greeting_of
from gaswitness.links.rig.control import LOOPBACK
from gaswitness.links.rig.pace import HeldLink, LeadingClock
from gaswitness.plan.records import Plan
from gaswitness.records import first_complaint
from gaswitness.run.drive import drive
from gaswitness.run.events import Event, RunStopped
from gaswitness.run.ports import Hands, Link, StopWish, Wish
from gaswitness.run.snapshots import Snapshot
from gaswitness.sentence import said
from gaswitness.wording import word

if TYPE_CHECKING:
    from gaswitness.run.foresee import Foresight


P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for on the command line."""

    plan: Path | None
    link: str | None
    out: Path
    speed: float | None
    assume_yes: bool
    rig: str | None
    resume: bool
    operator: str
    witnessed: bool = False
    """People at posts mark by the clock on the wall, so time may not stand still between polls at the speed of life."""


@dataclass(frozen=True, slots=True)
class Carried:
    """What came of it."""

    stopped: RunStopped
    run_id: str
    ledger: Path
    restarts: int

    @property
    def next_command(self) -> str:
        """What to do now."""
        if self.stopped.outcome == "stopped":
            return f"gaswitness run --resume {self.ledger}"
        return f"gaswitness judge {self.ledger}"


@dataclass(frozen=True, slots=True)
class Around:
    """What a run has about it when somebody sits down to it."""

    run_id: str
    plan: Plan
    clock: SystemClock | LeadingClock
    speed: float
    wishes: asyncio.Queue[Wish]
    helper: Hands | None
    """Carries out what was confirmed, where the installation is a simulated one."""
    before: tuple[Event, ...]
    poll_s: float


@dataclass(frozen=True, slots=True)
class Seated:
    """Who does the steps, who is shown the run, and who hears what was recorded and that it is on the disk."""

    hands: Hands
    show: Callable[[Snapshot], None]
    foresight: Foresight | None = None
    recorded: Callable[[Event], None] | None = None
    committed: Callable[[], None] | None = None


Seat = Callable[[contextlib.ExitStack, Wanted, Around], Seated]
"""Where the person in charge sits: the terminal, or the board."""


async def carry_out(wanted: Wanted, seat: Seat | None = None) -> Carried:
    """Carry out a plan, or go on with a ledger; from the terminal unless somebody sits elsewhere."""
    recorder, before, plan = _beginning(wanted)
    try:
        return await _carry_out(wanted, seat or _terminal, recorder, before, plan)
    finally:
        recorder.close()


async def _carry_out(wanted: Wanted, seat: Seat, recorder: Recorder, before: Ledger | None, plan: Plan) -> Carried:
    url = wanted.link or (before.started.link if before is not None else None)
    url = url or (plan.site.links[0].url if plan.site.links else None)
    rig_port = await _rig_port(wanted.rig, url)
    greeting = await greeting_of(rig_port) if rig_port is not None else None
    if wanted.rig is not None and greeting is None:
        raise InputError(
            said("no rig answers"),
            where=f"--rig {wanted.rig}",
            hint=said("start one with: {command}", command="gaswitness rig SITE"),
        )
    speed = _speed(wanted, greeting.speed if greeting is not None else None, before)
    leads = greeting is not None and (greeting.speed != 1.0 if wanted.witnessed else wanted.assume_yes)
    clock = _clock(speed, before, leads=leads)
    link: Link = open_link(url, plan.site, clock)
    client = None
    if rig_port is not None and greeting is not None:
        client = ControlClient(rig_port, clock)
    if rig_port is not None and isinstance(clock, LeadingClock):
        link = HeldLink(link, clock)
        client = ControlClient(rig_port, clock, hold=clock.hold)
    wishes: asyncio.Queue[Wish] = asyncio.Queue()
    run_id = before.started.run_id if before is not None else recorder.path.name.removesuffix(SUFFIX)
    if before is not None and before.torn_bytes:
        talk(f"{recorder.path}: {before.torn_bytes} bytes of an unfinished last line are left as they are, not read")
    restarts = before.restarts + 1 if before is not None else 0
    with contextlib.ExitStack() as stack:
        if client is not None:
            await client.open()
        try:
            if client is not None and isinstance(clock, LeadingClock):
                await client.lead(None)
                clock.lead = client.lead
            events = before.events if before is not None else ()
            seated = seat(stack, wanted, Around(run_id, plan, clock, speed, wishes, client, events, link.poll_s))
            _quiet_collector()
            stopped = await drive(
                plan,
                link,
                seated.hands,
                clock,
                _both(recorder.record, seated.recorded),
                run_id=run_id,
                operator=wanted.operator,
                speed=speed,
                simulated=client is not None,
                before=events,
                torn_bytes=before.torn_bytes if before is not None else 0,
                commit=_both(recorder.commit, seated.committed),
                wishes=wishes,
                show=seated.show,
                foresight=seated.foresight,
            )
        finally:
            if client is not None:
                await client.close()
    return Carried(stopped, run_id, recorder.path, restarts)


def _beginning(wanted: Wanted) -> tuple[Recorder, Ledger | None, Plan]:
    """A new ledger for a plan, or the one that is gone on with."""
    if not wanted.resume:
        if wanted.plan is None:
            raise InputError(
                said("no plan"),
                where="PLAN",
                hint=said("make one with: {command}", command="gaswitness plan SITE -o PLAN"),
            )
        plan = read_plan(wanted.plan)
        wanted.out.mkdir(parents=True, exist_ok=True)
        return Recorder(new_path(wanted.out, plan.site.name, datetime.now(UTC))), None, plan
    path = wanted.plan
    if path is None or not path.name.endswith(SUFFIX):
        path = unfinished(wanted.out, read_plan(path) if path is not None else None)
    recorder, ledger = Recorder.going_on(path)
    if not can_go_on(ledger):
        recorder.close()
        raise InputError(
            said("this run has ended ({outcome})", outcome=word(ledger.stopped.outcome if ledger.stopped else "")),
            where=str(path),
            hint=said("judge it with: gaswitness judge {path}; or start a new run", path=str(path)),
        )
    return recorder, ledger, ledger.started.plan


def read_plan(path: Path) -> Plan:
    """Read a plan file; raises InputError saying where it is no plan."""
    try:
        return Plan.model_validate_json(path.read_bytes())
    except ValidationError as error:
        raise InputError(
            said("not a plan: {why}", why=first_complaint(error)),
            where=str(path),
            expected=said("a file made by `gaswitness plan SITE -o PLAN`"),
            hint=said("a ledger is gone on with by --resume") if path.name.endswith(SUFFIX) else "",
        ) from error


async def _rig_port(given: str | None, url: str | None) -> int | None:
    """Port of the rig's hands: as given, or beside a link that stays on this machine."""
    if given is None:
        return control_port_of(url) if url is not None else None
    host, _, port = given.rpartition(":")
    if host not in (LOOPBACK, "localhost", "") or not port.isdigit() or not 0 < int(port) < 65536:
        raise InputError(
            said("the rig's hands are on this machine only"), where="--rig", found=given, expected="127.0.0.1:PORT"
        )
    return int(port)


def _speed(wanted: Wanted, rig_speed: float | None, before: Ledger | None) -> float:
    """Only a simulated installation may go faster than life, and then both go alike."""
    recorded = before.started.speed if before is not None else None
    speed = wanted.speed or recorded or rig_speed or 1.0
    if recorded is not None and speed != recorded:
        raise InputError(
            said("a run goes on as fast as it began"), where="--speed", found=speed, expected=f"{recorded:g}"
        )
    if rig_speed is None and speed != 1.0:
        raise InputError(
            said("only a simulated installation may go faster or slower than life, and no rig answers here"),
            where="--speed",
            found=speed,
            expected="1",
            hint=said("start a rig with `gaswitness rig SITE --speed X`, and give its port with --rig"),
        )
    if rig_speed is not None and speed != rig_speed:
        raise InputError(
            said("the run and the rig must go equally fast"), where="--speed", found=speed, expected=f"{rig_speed:g}"
        )
    return speed


def _clock(speed: float, before: Ledger | None, *, leads: bool) -> SystemClock | LeadingClock:
    """A new clock, or the one of a run that goes on: time went by while nobody recorded anything.

    A run with nobody at the keyboard, or faster than life on the board, leads the time of its rig, so that a busy
    machine costs no polls.
    """
    start, elapsed_s = datetime.now(UTC), 0.0
    if before is not None:
        started = before.started
        start = datetime.fromisoformat(started.wall) - timedelta(seconds=started.t_s)
        gone_s = (datetime.now(UTC) - start).total_seconds() * speed
        elapsed_s = max(gone_s, max(event.t_s for event in before.events))
    if leads:
        return LeadingClock(speed, start=start, elapsed_s=elapsed_s)
    return SystemClock(speed=speed, start=start, elapsed_s=elapsed_s)


def _quiet_collector() -> None:
    """Leave what the program consists of out of later collections: a full one takes longer than a poll may wait."""
    gc.collect()
    gc.freeze()


def _both(first: Callable[P, None], then: Callable[P, None] | None) -> Callable[P, None]:
    """Keep it first; whoever is told of it hears only of what was kept."""
    if then is None:
        return first
    told = then

    def both(*args: P.args, **options: P.kwargs) -> None:
        first(*args, **options)
        told(*args, **options)

    return both


def _terminal(stack: contextlib.ExitStack, wanted: Wanted, around: Around) -> Seated:
    """The person at the keyboard; Ctrl-C is a wish to stop."""
    clock, wishes = around.clock, around.wishes
    console_hands = ConsoleHands(wanted.operator, clock, wishes, helper=around.helper, asks=not wanted.assume_yes)
    hands: Hands = console_hands
    if wanted.assume_yes:
        hands = around.helper if around.helper is not None else AutoHands(clock.now_s)
    drawn = Console(stderr=True)
    foresight = foresight_for(around.plan, around.poll_s) if drawn.is_terminal else None
    show = _eyes(stack, console_hands, drawn)
    stack.enter_context(_interrupts(wishes, wanted.operator))
    return Seated(hands, show, foresight)


def foresight_for(plan: Plan, poll_s: float) -> Foresight:
    """Forecasts renewed while gas flows, ready before the first reading comes."""
    from gaswitness.run.foresee import Foresight, warm_up

    talk("getting ready ...")
    warm_up()
    return Foresight(plan, poll_s)


def _eyes(stack: contextlib.ExitStack, hands: ConsoleHands, console: Console) -> Callable[[Snapshot], None]:
    """The live screen where there is a terminal, else a line for whatever is new."""
    if hands.asks or sys.stdin.isatty():
        stack.enter_context(keyboard(hands.key))
    if console.is_terminal and not console.is_dumb_terminal:
        return stack.enter_context(Screen(console, hands)).show
    return LineTalk(hands, talk).show


@contextlib.contextmanager
def _interrupts(wishes: asyncio.Queue[Wish], by: str) -> Iterator[None]:
    """Ctrl-C is a wish to stop: gas is shut and inhibits are lifted first; pressed again, it ends at once."""
    loop = asyncio.get_running_loop()

    def wish(*_: object) -> None:
        stop = StopWish("stopped", by, said("interrupted from the keyboard or by the system"))
        loop.call_soon_threadsafe(wishes.put_nowait, stop)

    numbers: Sequence[signal.Signals] = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, wish) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
