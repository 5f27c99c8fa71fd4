"""The person at the keyboard: which key does what, and when it is counted."""

from __future__ import annotations

import asyncio
import os
import sys

import pytest

from gaswitness.cli.terminal.hands import AutoHands, ConsoleHands
from gaswitness.cli.terminal.keys import BACKSPACE, END, ENTER, ESCAPE, keyboard
from gaswitness.clock import OwnedClock
from gaswitness.links.rig.hands import RigHands
from gaswitness.links.rig.link import RigLink
from gaswitness.links.rig.world import World
from gaswitness.plan.records import Step
from gaswitness.run.drive import drive
from gaswitness.run.events import GasTurned, MarkMade, NoteTaken, ReadingTaken, StepMoved
from gaswitness.run.foresee import Foresight
from gaswitness.run.ports import NoteWish, StopWish
from support.bench import Bench, BenchLink, make_plan, make_site
from support.rigged import example_plan

STEP = Step(id="CO2-A/gas-on", kind="gas-on", tag="CO2-A", text="open", ends="confirm", at_most_s=60.0)


def make() -> tuple[ConsoleHands, asyncio.Queue, OwnedClock]:
    wishes: asyncio.Queue = asyncio.Queue()
    clock = OwnedClock()
    return ConsoleHands("MK", clock, wishes), wishes, clock


async def asked(hands: ConsoleHands) -> asyncio.Task:
    task = asyncio.create_task(hands.do(STEP))
    await asyncio.sleep(0)
    return task


async def test_enter_is_the_instant_that_counts() -> None:
    hands, _, clock = make()
    task = await asked(hands)
    clock.advance_s(7.5)
    hands.key(ENTER)
    clock.advance_s(3.0)
    answer = await task
    assert (answer.state, answer.by, answer.t_s) == ("done", "MK", 7.5)
    assert answer.u_s == 0.1
    assert hands.asking is None


async def test_pages_are_read_before_anything_is_confirmed() -> None:
    hands, _, _ = make()
    task = await asked(hands)
    hands.pages = 3
    hands.key(ENTER)
    hands.key(ENTER)
    await asyncio.sleep(0)
    assert not task.done()
    hands.key(ENTER)
    assert (await task).state == "done"


async def test_leaving_out_is_said_as_such() -> None:
    hands, _, _ = make()
    task = await asked(hands)
    hands.key("k")
    assert (await task).state == "skipped"


@pytest.mark.parametrize(("key", "outcome"), [("a", "aborted"), ("s", "stopped")])
def test_stopping_takes_the_same_key_twice(key, outcome) -> None:
    hands, wishes, _ = make()
    hands.key(key)
    assert "once more" in hands.prompt
    hands.key("x")
    assert hands.prompt == ""
    assert wishes.empty()
    hands.key(key)
    hands.key(key)
    wish = wishes.get_nowait()
    assert isinstance(wish, StopWish)
    assert (wish.outcome, wish.by) == (outcome, "MK")


def test_a_note_is_typed_and_mended_and_may_be_dropped() -> None:
    hands, wishes, _ = make()
    for key in ["n", *"dooor", BACKSPACE, BACKSPACE, *"r open s", ENTER]:
        hands.key(key)
    assert wishes.get_nowait() == NoteWish("MK", "door open s")
    for key in ["n", *"never mind", ESCAPE]:
        hands.key(key)
    assert wishes.empty()
    assert hands.prompt == ""


def test_the_end_of_the_input_stops_a_run_that_nobody_can_answer() -> None:
    hands, wishes, _ = make()
    hands.key(END)
    assert wishes.get_nowait().outcome == "stopped"


async def test_assumed_hands_say_that_nobody_confirmed() -> None:
    answer = await AutoHands(lambda: 4.0).do(STEP)
    assert (answer.state, answer.by, answer.t_s) == ("done", "assumed", 4.0)
    assert "nobody" in answer.note


def test_a_run_by_keyboard_alone(repo) -> None:
    """Marks, a note, a reading typed in: all reach the ledger at the instant of the key."""
    plan = make_plan(make_site((repo / "examples" / "cellar.yaml").read_text("utf-8")))
    events = []

    async def go():
        wishes: asyncio.Queue = asyncio.Queue()
        clock = OwnedClock()
        bench = Bench(plan, clock)
        hands = ConsoleHands("MK", clock, wishes, helper=bench)
        pressed = set()

        def show(snapshot):
            hands.look(snapshot)
            step = snapshot.step
            if step is None or hands.asking is None:
                if step is not None and step.id == "CO2-A/await-set/low" and "mark" not in pressed:
                    pressed.add("mark")
                    hands.key("1")
                if step is not None and step.id == "CO2-B/zero" and "typed" not in pressed:
                    pressed.add("typed")
                    for key in ["n", *"cap on", ENTER, "r", *"610,5", ENTER]:
                        hands.key(key)
                return
            hands.key(ENTER)

        return await drive(
            plan, BenchLink(bench), hands, clock, events.append, run_id="r", operator="MK", wishes=wishes, show=show
        )

    stopped = asyncio.run(go())
    assert stopped.outcome == "complete"
    gas = [event for event in events if isinstance(event, GasTurned)]
    assert [event.by for event in gas] == ["MK"] * 4
    marks = [event for event in events if isinstance(event, MarkMade)]
    assert [(mark.signal, mark.on, mark.witness, mark.post) for mark in marks] == [("BEACON.on", True, "MK", "DOOR")]
    assert marks[0].u_s == 0.1
    assert any(event.text == "cap on" and event.by == "MK" for event in events if isinstance(event, NoteTaken))
    assert any(
        event.value_ppm == 610.5 and event.quality == "by-hand" for event in events if isinstance(event, ReadingTaken)
    )


def test_whoever_has_seen_enough_does_not_wait_until_the_reading_has_settled() -> None:
    """The key does nothing before the rule says so; then the wait is over, by name and with the reason."""
    plan = example_plan("ravensmoor.yaml", ("CO-1",))
    moves: dict[bool, list[StepMoved]] = {}
    for eager in (False, True):
        events: list = []
        wishes: asyncio.Queue = asyncio.Queue()
        clock = OwnedClock()
        world = World(plan.site, seed=1)
        link = RigLink(world, clock)
        hands = ConsoleHands("MK", clock, wishes, helper=RigHands(world, clock))

        def show(snapshot, hands=hands, eager=eager):
            hands.look(snapshot)
            if eager:
                hands.key("e")
            if hands.asking is not None:
                hands.key(ENTER)

        asyncio.run(
            drive(
                plan, link, hands, clock, events.append,
                run_id="r", operator="MK", wishes=wishes, show=show, foresight=Foresight(plan, link.poll_s),
            )
        )  # fmt: skip
        moves[eager] = [e for e in events if isinstance(e, StepMoved) and e.step == "CO-1/await-plateau"]
    (began, ended), (began_eager, ended_eager) = moves[False], moves[True]
    assert (ended.state, ended.by) == ("done", "")
    assert (ended_eager.state, ended_eager.by) == ("done", "MK")
    assert ended_eager.note == "plateau, t90 and set points are shown within their uncertainty"
    assert ended_eager.t_s - began_eager.t_s < ended.t_s - began.t_s


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
async def test_keys_come_one_by_one_from_a_terminal_and_it_is_put_back() -> None:
    import termios

    controller, device = os.openpty()
    before = termios.tcgetattr(device)
    got: list[str] = []
    with os.fdopen(device, "r") as stream:
        with keyboard(got.append, stream) as single:
            assert single
            os.write(controller, b"n\x1b[A1\n")
            await asyncio.sleep(0.05)
            os.write(controller, b"x")
            await asyncio.sleep(0.05)
        assert termios.tcgetattr(stream.fileno())[3] == before[3]
    os.close(controller)
    assert got == ["n", "\x1b", "[", "A", "1", ENTER, "x"] or got[-1] == "x"


async def test_lines_come_from_a_pipe_and_its_end_is_told() -> None:
    reader, writer = os.pipe()
    got: list[str] = []
    with os.fdopen(reader, "r") as stream, keyboard(got.append, stream) as single:
        assert not single
        os.write(writer, b"n hi\n")
        os.close(writer)
        for _ in range(100):
            await asyncio.sleep(0.01)
            if END in got:
                break
    assert got == ["n", " ", "h", "i", ENTER, END]
