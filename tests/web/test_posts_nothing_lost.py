"""Marks survive a dead network, a reload, and a board that was killed: each is in the ledger once."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gaswitness.evidence.late import late_path, read_late
from support.boards import DESK, PHONE, BoardProcess, board, browser, invite, join, person, take_desk
from support.ledgers_on_disk import marks_in, only_ledger
from support.processes import rig

SPEED = 5.0
PATIENCE_S = 40.0


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait for it, for a while."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if holds():
            return
        time.sleep(0.1)
    raise AssertionError(f"waited in vain: {what}")


def tap(phone: Any, signal: str, word: str) -> None:
    phone.locator(f'.press[data-signal="{signal}"]', has_text=word).tap()


def states(phone: Any) -> list[str]:
    return [str(one.get_attribute("data-state")) for one in phone.locator("#past li").all()]


def words_for(folder: Path, plan: Path, link: str, hands: str) -> list[str]:
    return [
        "--folder", str(folder), "--run", str(plan), "--link", link, "--rig", hands, "--speed", str(SPEED),
        "--operator", "Mira K.",
    ]  # fmt: skip


def at_the_door(chromium: Any, served: BoardProcess, **more: Any) -> tuple[Any, Any]:
    """A desk, and a phone at the door."""
    desk, phone = person(chromium, DESK), person(chromium, PHONE, **more)
    take_desk(desk, served.desk)
    join(phone, invite(desk, f"http://127.0.0.1:{served.port}", "DOOR"), "Ines")
    phone.locator("#offline", has_text="also opens without").wait_for()
    return desk, phone


def test_network_gone_page_loaded_again_board_killed_and_gone_on_with(
    cellar: tuple[Path, Path], tmp_path: Path, output: Path
) -> None:
    site, plan = cellar
    with (
        rig(site, SPEED) as (link, hands),
        browser() as chromium,
        board(*words_for(tmp_path, plan, link, hands)) as served,
    ):
        _, phone = at_the_door(chromium, served)
        tap(phone, "BEACON.on", "flashing")
        until(lambda: states(phone) == ["recorded"], "a mark with everything in order")

        phone.context.set_offline(True)
        tap(phone, "FAN.on", "running")
        phone.wait_for_selector("#past li[data-state=waiting]")
        phone.reload()  # by the service worker
        phone.wait_for_selector("#past li[data-state=waiting]")
        tap(phone, "FAN.on", "standing")
        phone.locator("#kept", has_text="2 kept on this phone").wait_for()
        phone.screenshot(path=output / "post-offline.png")
        phone.context.set_offline(False)
        until(lambda: states(phone) == ["recorded"] * 3, "what was pressed without network")

        served.kill()
        tap(phone, "FAULT.on", "flashing")
        phone.wait_for_selector("#past li[data-state=waiting]")
        phone.reload()
        phone.wait_for_selector("#past li[data-state=waiting]")
        before = marks_in(tmp_path)
        assert [one.signal for one in before] == ["BEACON.on", "FAN.on", "FAN.on"]
        del served.words[2:4]  # nothing begins by itself this time
        served.start()

        desk = person(chromium, DESK)
        take_desk(desk, served.desk)
        desk.goto(f"http://127.0.0.1:{served.port}/")
        desk.get_by_role("button", name="Go on").first.click()
        until(lambda: states(phone) == ["recorded"] * 4, "the mark of the time without a board")
        marks = marks_in(tmp_path)
        assert [one.signal for one in marks] == ["BEACON.on", "FAN.on", "FAN.on", "FAULT.on"]
        assert len({one.mark_id for one in marks}) == 4
        assert [one.t_s for one in marks] == sorted(one.t_s for one in marks)
        assert only_ledger(tmp_path).restarts == 1


def test_undo_is_a_second_mark_beside_the_first(cellar: tuple[Path, Path], tmp_path: Path) -> None:
    site, plan = cellar
    with (
        rig(site, SPEED) as (link, hands),
        browser() as chromium,
        board(*words_for(tmp_path, plan, link, hands)) as served,
    ):
        _, phone = at_the_door(chromium, served)
        button = phone.locator('.press[data-signal="BEACON.on"]', has_text="flashing")
        button.tap()
        assert button.get_attribute("aria-pressed") == "true"
        phone.locator("#undo").tap()
        assert button.get_attribute("aria-pressed") == "false"
        until(lambda: states(phone) == ["recorded", "recorded"], "both")
        first, second = marks_in(tmp_path)
        assert (second.signal, second.corrects) == ("withdrawn", first.mark_id)
        phone.locator("#other").tap()
        phone.fill("#other-note", "smell of ammonia <b>at the gate</b>")
        phone.locator("#other-keep").tap()
        until(lambda: len(marks_in(tmp_path)) == 3, "the note")
        assert marks_in(tmp_path)[2].note == "smell of ammonia <b>at the gate</b>"
        assert phone.locator("#past b").count() == 0


def test_an_answer_that_is_lost_makes_no_second_mark(cellar: tuple[Path, Path], tmp_path: Path) -> None:
    """The board takes the mark, the answer never comes back: the phone sends again, and the ledger holds one."""
    site, plan = cellar
    with (
        rig(site, SPEED) as (link, hands),
        browser() as chromium,
        board(*words_for(tmp_path, plan, link, hands)) as served,
    ):
        _, phone = at_the_door(chromium, served, service_workers="allow")
        eaten: list[dict[str, Any]] = []

        def eat(route: Any) -> None:
            if len(eaten) < 2:
                answer = route.fetch()
                eaten.append(json.loads(answer.text()))
                route.abort()
            else:
                route.continue_()

        phone.context.route("**/post/marks", eat)
        tap(phone, "BEACON.on", "flashing")
        until(lambda: states(phone) == ["recorded"], "the third time")
        assert [one["receipts"][0]["state"] for one in eaten] == ["recorded", "known"]
        assert len(marks_in(tmp_path)) == 1


def pressed_abort(desk: Any) -> bool:
    """The page may still be getting ready when it can be seen: then press again."""
    if not desk.locator("#sure-yes").is_visible():
        desk.evaluate("document.querySelector('#abort').click()")
    return bool(desk.locator("#sure-yes").is_visible())


def test_a_mark_after_the_end_is_kept_beside_the_ledger_and_judged_again(
    cellar: tuple[Path, Path], tmp_path: Path
) -> None:
    """Pressed while the run went on, arriving after it was aborted: in a file of its own, chained to the ledger."""
    site, plan = cellar
    with (
        rig(site, SPEED) as (link, hands),
        browser() as chromium,
        board(*words_for(tmp_path, plan, link, hands)) as served,
    ):
        desk, phone = at_the_door(chromium, served)
        base = f"http://127.0.0.1:{served.port}"
        phone.context.set_offline(True)
        tap(phone, "FAN.on", "running")
        phone.wait_for_selector("#past li[data-state=waiting]")
        desk.goto(f"{base}/live")
        until(lambda: pressed_abort(desk), "the page to ask whether it is meant")
        desk.click("#sure-yes")
        until(lambda: only_ledger(tmp_path).stopped is not None, "the end of the run")
        bytes_then = next(tmp_path.glob("*.ledger.jsonl")).read_bytes()
        phone.context.set_offline(False)
        until(lambda: states(phone) == ["late"], "the late mark")
        path = next(tmp_path.glob("*.ledger.jsonl"))
        assert path.read_bytes() == bytes_then
        late = read_late(late_path(path).read_bytes(), only_ledger(tmp_path), "late marks")
        (event,) = late.events
        assert event.kind == "mark"
        assert event.t_s < only_ledger(tmp_path).events[-1].t_s
        desk.goto(f"{base}/result/{path.name}")
        assert "came in after the run had ended" in desk.content()
