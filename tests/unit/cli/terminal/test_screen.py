"""The live screen as text: it fits, it says what matters in words and shapes, with and without colour."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from rich.console import Console

from gaswitness.cli.terminal.hands import ConsoleHands
from gaswitness.cli.terminal.lines import LineTalk
from gaswitness.cli.terminal.looks import PLAIN, UNICODE, shapes_for
from gaswitness.cli.terminal.screen import picture
from gaswitness.clock import OwnedClock
from gaswitness.run.drive import drive
from support.bench import Bench, BenchLink, make_plan, make_site
from support.rigged import example_plan, visit

SIZES = [(80, 24), (120, 40), (60, 20), (200, 60)]


@pytest.fixture(scope="module")
def snapshots(repo: Path):
    """One snapshot per step of a whole run on the bench, taken five seconds into it."""
    plan = make_plan(make_site((repo / "examples" / "cellar.yaml").read_text("utf-8")))
    clock = OwnedClock()
    bench = Bench(plan, clock)
    taken = {}

    def show(snapshot):
        name = snapshot.step.id if snapshot.step is not None else "none"
        if name not in taken or snapshot.t_s - snapshot.step_since_s <= 20.0:
            taken[name] = snapshot

    bench.down = lambda poll: poll in (700, 701)
    asyncio.run(drive(plan, BenchLink(bench), bench, clock, lambda e: None, run_id="r1", operator="MK", show=show))
    return taken


def hands(clock=None) -> ConsoleHands:
    return ConsoleHands("MK", clock or OwnedClock(), asyncio.Queue())


def text_of(snapshot, width, height, shapes, colour=None) -> str:
    console = Console(width=width, height=height, force_terminal=True, color_system=colour, legacy_windows=False)
    with console.capture() as capture:
        console.print(picture(snapshot, hands(), width, height, shapes))
    return capture.get()


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("shapes", [UNICODE, PLAIN], ids=["unicode", "plain"])
def test_every_step_fits_the_terminal(snapshots, size, shapes, output) -> None:
    width, height = size
    pages = []
    for name, snapshot in snapshots.items():
        text = _without_styles(text_of(snapshot, width, height, shapes))
        lines = text.rstrip("\n").split("\n")
        assert len(lines) <= height, name
        assert max(map(len, lines)) <= width, name
        if shapes is PLAIN:
            assert text.isascii(), name
        pages.append(text)
    (output / f"screen-{width}x{height}-{'unicode' if shapes is UNICODE else 'plain'}.txt").write_text(
        "\n".join(pages), "utf-8"
    )


def _without_styles(text: str) -> str:
    import re

    return re.sub(r"\x1b\[[0-9;]*m", "", text)


def test_what_matters_is_told_in_words(snapshots) -> None:
    def seen(name: str) -> str:
        return _without_styles(text_of(snapshots[name], 100, 30, UNICODE))

    waiting = seen("CO2-A/await-set/high")
    assert "high sets in" in waiting or "high sets within" in waiting
    assert "▲ alarm low" in waiting
    assert "gas open" in waiting
    assert "◧ FAN" in waiting
    assert "5,000" in waiting
    assert "15,000" in waiting
    assert "25,000" in waiting
    plateau = seen("CO2-A/await-plateau")
    assert "sets" not in plateau, "no point is left to be waited for"
    assert "clears" not in seen("CO2-A/fault")
    assert "▲▲ alarm high" in plateau
    assert "gas may be shut off" in seen("CO2-A/gas-off")
    assert "✕fault" in seen("CO2-A/mend")
    assert "no alarm" in seen("CO2-A/zero")
    assert "Carbon dioxide displaces air." in seen("visit/caution")
    assert "✓ FAN lifted" in seen("visit/prove/FAN")


def test_normal_carries_no_colour(snapshots) -> None:
    coloured = text_of(snapshots["CO2-A/zero"], 100, 30, UNICODE, colour="truecolor")
    line = next(line for line in coloured.splitlines() if "no alarm" in line)
    before, after = line.split("no alarm")
    assert before.rstrip().endswith("─"), "no style opens right before it"
    assert not after.strip().startswith("\x1b[0m")


def test_shapes_follow_what_the_terminal_can_show() -> None:
    assert shapes_for("utf-8") is UNICODE
    assert shapes_for("cp437") is PLAIN
    assert shapes_for("latin-1") is PLAIN
    assert shapes_for("no such thing") is PLAIN


def test_without_a_terminal_each_step_and_message_is_said_once(snapshots) -> None:
    said: list[str] = []
    talk = LineTalk(hands(), said.append)
    for snapshot in sorted(snapshots.values(), key=lambda one: one.t_s):
        talk.show(snapshot)
        talk.show(snapshot)
    steps = [line for line in said if "CO2-A/await-set/low:" in line]
    assert len(steps) == 1
    assert sum("link lost" in line for line in said) == 1
    assert any("caution: Carbon dioxide displaces air." in line for line in said)


@pytest.fixture(scope="module")
def together():
    """Two detectors under gas at once on the rig, the second one's turn; and one snapshot of their vote."""
    shown = []
    plan = example_plan("coldstore.yaml", ("CS-1", "CS-2"), (("CS-1", "CS-2"),), "first")
    visit(plan, show=shown.append)
    both = [one for one in shown if sum(test.gas is not None for test in one.tests) == 2]
    quiet = next(one for one in shown if one.step is not None and one.step.kind == "quiet")
    return both[len(both) // 3], quiet


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("shapes", [UNICODE, PLAIN], ids=["unicode", "plain"])
def test_two_under_test_fit_the_terminal_and_both_are_told(together, size, shapes) -> None:
    width, height = size
    for snapshot in together:
        text = _without_styles(text_of(snapshot, width, height, shapes))
        lines = text.rstrip("\n").split("\n")
        assert len(lines) <= height
        assert max(map(len, lines)) <= width
    text = _without_styles(text_of(together[0], width, height, shapes))
    assert "CS-1" in text
    assert "beside: CS-" in text
    vote = _without_styles(text_of(together[1], width, height, shapes))
    assert "1 of 2 needed in alarm" in vote


def test_a_roomy_terminal_draws_both_strips(together) -> None:
    text = _without_styles(text_of(together[0], 120, 45, UNICODE))
    assert text.count("\u25b2 high") >= 2
    assert text.count("gas on") >= 2
    assert text.count("gas open") == 2
