"""Cautions, people to warn, inhibits: what stands before gas, what shouts when it stands too long, how it is undone."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from gaswitness.run.events import InhibitHandedOver, InhibitMoved, RoleTold
from support.boards import DESK, board, browser, command, person, take_desk
from support.ledgers_on_disk import only_ledger
from support.processes import rig

SPEED = 200.0
ROLES = ("Control room", "Refrigeration operator", "Alarm receiving station", "Duty manager")
INHIBITED = ("PLANT-STOP",)


@pytest.fixture
def plan(repo: Path, tmp_path: Path) -> Path:
    """A visit to one detector of the rink."""
    made = tmp_path / "rink.plan.json"
    command("plan", str(repo / "examples" / "ravensmoor.yaml"), "--detector", "NH3-1", "-o", str(made))
    return made


def asked(desk: Any) -> str:
    """The words of the step that waits for the desk, or nothing at the end."""
    desk.wait_for_function(
        "() => document.querySelector('#ended:not([hidden])') || document.querySelector('#answers:not([hidden])')",
        timeout=60_000,
    )
    return "" if desk.locator("#ended").is_visible() else str(desk.locator("#step-text").inner_text())


def confirm(desk: Any, step: str) -> None:
    """Tick where a tick is asked for, and press; the button may not be pressed before."""
    if desk.locator("#agreed").is_visible():
        assert desk.locator("#done").is_disabled(), step
        desk.check("#agreed")
    desk.click("#done")
    desk.wait_for_function(
        "(was) => document.querySelector('#ended:not([hidden])') || document.querySelector('#answers[hidden]')"
        " || document.querySelector('#step-text').textContent !== was",
        arg=step,
    )


def confirm_until(desk: Any, words: str) -> str:
    """Confirm one step after the other until one with these words waits, or the run has ended."""
    while (step := asked(desk)) and not step.startswith(words):
        confirm(desk, step)
    return step


def at_live(made: Any, served: Any) -> Any:
    desk = person(made, DESK)
    take_desk(desk, served.desk)
    desk.goto(f"http://127.0.0.1:{served.port}/live")
    return desk


def words_for(folder: Path, plan: Path, link: str, hands: str, *more: str) -> list[str]:
    return [
        "--folder", str(folder), "--run", str(plan), "--link", link, "--rig", hands, "--speed", str(SPEED),
        "--operator", "Mira K.", *more,
    ]  # fmt: skip


def test_cautions_warnings_and_inhibits_from_beginning_to_end(
    repo: Path, tmp_path: Path, plan: Path, output: Path
) -> None:
    """Each is ticked before gas, shown with who and when, shouts when overdue, and is undone and proven at the end."""
    with (
        rig(repo / "examples" / "ravensmoor.yaml", SPEED) as (link, hands),
        board(*words_for(tmp_path, plan, link, hands)) as served,
        browser() as made,
    ):
        desk = at_live(made, served)
        step = asked(desk)
        assert step.startswith("Read the cautions aloud")
        cautions = desk.locator("#cautions li").all_inner_texts()
        assert any("Ammonia" in one for one in cautions)
        assert any("Local codes" in one for one in cautions)
        desk.screenshot(path=output / "board-cautions.png")

        step = confirm_until(desk, "Inhibit PLANT-STOP")
        told = desk.locator("#told li").all_inner_texts()
        assert [line.splitlines()[0] for line in told] == list(ROLES)
        assert all("begins" in line and ":" in line.split("begins")[1] for line in told), "each with its time"
        confirm(desk, step)

        step = confirm_until(desk, "Cap on NH3-1")
        (register,) = desk.locator("#inhibits li").all_inner_texts()
        assert all(part in register for part in ("PLANT-STOP", "inhibited", "Mira K.", "until"))
        assert desk.locator("#alarms").is_hidden()
        # Nobody goes on: the time by which it was to be lifted passes.
        desk.locator("#inhibits .overdue", has_text="OVERDUE").wait_for(timeout=60_000)
        desk.locator("#alarms", has_text="PLANT-STOP: inhibit OVERDUE (placed by Mira K.)").wait_for()
        desk.screenshot(path=output / "board-inhibit-overdue.png")

        step = confirm_until(desk, "Lift the inhibit of PLANT-STOP")
        confirm(desk, step)
        desk.locator("#inhibits li", has_text="lifted, not proven yet").wait_for()
        step = confirm_until(desk, "With leave of the operator")
        assert desk.locator("#skip").is_disabled(), "nobody leaves it out without saying why"
        desk.fill("#why", "valve is away for repair")
        assert desk.locator("#skip").is_enabled()
        assert confirm_until(desk, "nothing: to the end") == ""
        desk.locator("#inhibits li", has_text="lifted and proven").wait_for()
        assert all("over" in line for line in desk.locator("#told li").all_inner_texts())
        desk.locator("#step-word", has_text="Gone through: every step, and no inhibit stands").wait_for()
    ledger = only_ledger(tmp_path)
    assert ledger.stopped is not None
    assert (ledger.stopped.outcome, ledger.stopped.standing_inhibits) == ("complete", ())
    assert [e.state for e in ledger.events if isinstance(e, InhibitMoved)] == ["placed", "lifted", "proven"]
    assert sorted((e.role, e.what) for e in ledger.events if isinstance(e, RoleTold)) == sorted(
        (role, what) for role in ROLES for what in ("begins", "over")
    )


def test_a_run_is_not_closed_over_an_inhibit_but_handed_over_by_name(
    repo: Path, tmp_path: Path, plan: Path, output: Path
) -> None:
    """Ending at once is refused; the name of who answers for it stands on the result page and on the certificate."""
    key = tmp_path / "own.key"
    command("keys", "new", "-o", str(key))
    with (
        rig(repo / "examples" / "ravensmoor.yaml", SPEED) as (link, hands),
        board(*words_for(tmp_path, plan, link, hands, "--key", str(key))) as served,
        browser() as made,
    ):
        desk = at_live(made, served)
        confirm_until(desk, "Cap on NH3-1")
        desk.click("#abort")
        desk.click("#sure-yes")
        desk.locator("#step-word", has_text="Aborting: making safe first").wait_for()
        step = confirm_until(desk, "Lift the inhibit of PLANT-STOP")
        assert step
        desk.locator("#abort", has_text="End at once").click()
        desk.click("#sure-yes")
        desk.locator("#trouble", has_text="cannot be closed while an inhibit stands").wait_for()
        desk.locator("#hand-over button").click()  # nobody is named
        desk.locator("#trouble", has_text="A name is needed").wait_for()
        desk.screenshot(path=output / "board-inhibit-refused.png")
        assert only_ledger(tmp_path).stopped is None
        desk.fill("#to", "Ida Voss, duty manager")
        desk.locator("#hand-over button").click()
        desk.locator("#inhibits li", has_text="handed over to Ida Voss, duty manager").wait_for()
        assert confirm_until(desk, "nothing: to the end") == ""
        desk.locator("#ended a").click()
        desk.locator("#certificate").wait_for()
        assert "PLANT-STOP (Mira K. handed it over to Ida Voss, duty manager)" in desk.locator("main").inner_text()
        desk.get_by_role("button", name="Sign and issue the certificate").click()
        with desk.expect_download() as download:
            desk.locator('a[href$=".pdf"]').click()
        paper = output / "board-handed-over.pdf"
        download.value.save_as(paper)
    ledger = only_ledger(tmp_path)
    assert [(e.effect, e.to, e.by) for e in ledger.events if isinstance(e, InhibitHandedOver)] == [
        ("PLANT-STOP", "Ida Voss, duty manager", "Mira K.")
    ]
    assert ledger.stopped is not None
    assert ledger.stopped.standing_inhibits == ("PLANT-STOP",)
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, text=True, check=True).stdout
    assert "Ida Voss, duty manager" in " ".join(text.split())
