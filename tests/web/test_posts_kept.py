"""What a phone keeps when little works: no network, a board killed at the worst moment, two pages, a full disk."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from support.boards import DESK, PHONE, BoardProcess, board, browser, invite, join, person, take_desk
from support.ledgers_on_disk import marks_in, only_ledger

PATIENCE_S = 60.0


def until(holds: Callable[[], bool], what: str) -> None:
    """Wait for it, for a while."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if holds():
            return
        time.sleep(0.1)
    raise AssertionError(f"waited in vain: {what}")


@dataclass
class Cellar:
    """A board with a run that stands at its first step, its desk, and a phone at the door."""

    served: BoardProcess
    folder: Path
    chromium: Any
    desk: Any
    phone: Any

    @property
    def base(self) -> str:
        return self.served.desk.partition("/join/")[0]

    def tap(self, word: str, page: Any = None) -> None:
        (page or self.phone).locator('.press[data-signal="FAN.on"]', has_text=word).tap()

    def states(self, page: Any = None) -> list[str]:
        return [str(one.get_attribute("data-state")) for one in (page or self.phone).locator("#past li").all()]

    def restart(self) -> None:
        """Start the killed board again, take its desk, and go on with the run there."""
        del self.served.words[2:4]  # nothing begins by itself this time
        self.served.start()
        self.desk = person(self.chromium, DESK)
        take_desk(self.desk, self.served.desk)
        self.desk.get_by_role("button", name="Go on").first.click()
        self.desk.wait_for_url("**/live")


@pytest.fixture
def day(cellar: tuple[Path, Path], tmp_path: Path) -> Iterator[Cellar]:
    words = ["--folder", str(tmp_path), "--run", str(cellar[1]), "--link", "by-hand:", "--operator", "Mira K."]
    with browser() as chromium, board(*words) as served:
        desk, phone = person(chromium, DESK), person(chromium, PHONE)
        take_desk(desk, served.desk)
        join(phone, invite(desk, f"http://127.0.0.1:{served.port}", "DOOR"), "Ines")
        yield Cellar(served, tmp_path, chromium, desk, phone)


def test_killed_between_writing_a_mark_and_acknowledging_it_the_board_knows_it_afterwards(day: Cellar) -> None:
    answers: list[str] = []

    def killed_before_it_says_so(route: Any) -> None:
        answer = route.fetch()
        answers.append(answer.json()["receipts"][0]["state"])
        if len(answers) == 1:
            day.served.kill()
            route.abort()
        else:
            route.fulfill(response=answer)

    day.phone.context.route("**/post/marks", killed_before_it_says_so)
    day.tap("running")
    until(lambda: day.states() == ["waiting"] and len(answers) == 1, "the board to write it")
    assert len(marks_in(day.folder)) == 1
    day.restart()
    until(lambda: day.states() == ["recorded"], "the acknowledgement")
    assert (answers[0], answers[-1], answers.count("recorded")) == ("recorded", "known", 1)
    assert len(marks_in(day.folder)) == 1
    assert only_ledger(day.folder).restarts == 1
    day.desk.locator("#main", has_text="Cider cellar").wait_for()


def test_with_no_network_it_is_tried_ever_more_seldom_and_then_all_arrives_in_order(day: Cellar) -> None:
    tries: list[float] = []
    dead = True

    def gone(route: Any) -> None:
        if dead:
            tries.append(time.monotonic())
            route.abort()
        else:
            route.continue_()

    day.phone.context.route("**/post/*", gone)
    day.tap("running")
    day.tap("standing")
    day.phone.locator("#kept", has_text="2 kept on this phone").wait_for()
    before = len(tries)
    day.phone.wait_for_timeout(25_000)
    # sending after 0.5, 1, 2, 4, 8 s and so on, measuring every 8 s, listening every 3 s: not four times a second
    assert len(tries) - before < 30
    day.phone.reload()
    day.phone.locator("#past li[data-state=waiting]").nth(1).wait_for()
    dead = False
    until(lambda: day.states() == ["recorded", "recorded"], "both marks")
    assert [one.on for one in marks_in(day.folder)] == [True, False]


def test_two_pages_of_one_phone_lose_nothing_and_send_nothing_twice(day: Cellar) -> None:
    second = day.phone.context.new_page()
    second.goto(day.phone.url)
    second.wait_for_selector("#post")
    day.phone.context.set_offline(True)
    day.tap("running")
    day.phone.wait_for_selector("#past li[data-state=waiting]")
    day.tap("standing", second)
    second.locator("#past li").nth(1).wait_for()  # it has taken in what the other one kept
    day.phone.close()
    day.phone.context.set_offline(False)
    until(lambda: day.states(second) == ["recorded", "recorded"], "both, by the page that is left")
    marks = marks_in(day.folder)
    assert [one.on for one in marks] == [True, False]
    assert len({one.mark_id for one in marks}) == 2


FULL = """(() => {
  window.full = true;
  const put = IDBObjectStore.prototype.put;
  IDBObjectStore.prototype.put = function (...given) {
    if (window.full) throw new DOMException("no room", "QuotaExceededError");
    return put.apply(this, given);
  };
})();"""


def test_a_full_disk_is_told_plainly_and_made_good_once_there_is_room(day: Cellar) -> None:
    day.phone.context.add_init_script(FULL)
    day.phone.reload()
    day.phone.wait_for_selector("#post")
    day.phone.context.set_offline(True)
    day.tap("running")
    day.phone.locator("#kept", has_text="This browser keeps nothing").wait_for()
    day.phone.evaluate("window.full = false")
    day.phone.locator("#kept:not(:has-text('keeps nothing'))").wait_for()
    day.phone.evaluate("window.full = true")
    day.tap("standing")
    day.phone.locator("#kept", has_text="This browser keeps nothing").wait_for()
    day.phone.context.set_offline(False)  # what cannot be kept is sent all the same
    until(lambda: day.states() == ["recorded", "recorded"], "both marks")
    day.phone.locator("#kept:not(:has-text('keeps nothing'))").wait_for()


def test_a_browser_that_gives_no_storage_says_so_and_sends(day: Cellar) -> None:
    phone = person(day.chromium, PHONE)
    phone.context.add_init_script("indexedDB.open = () => { throw new DOMException('denied', 'SecurityError'); };")
    join(phone, invite(day.desk, day.base, "DOOR"), "Jo")
    phone.locator("#kept", has_text="This browser keeps nothing").wait_for()
    day.tap("running", phone)
    until(lambda: day.states(phone) == ["recorded"], "the mark")
    assert [one.witness for one in marks_in(day.folder)] == ["Jo"]


def test_a_clock_that_is_set_back_does_not_turn_the_order_of_presses_round(day: Cellar) -> None:
    day.tap("running")
    day.phone.evaluate("(() => { const then = Date.now.bind(Date); Date.now = () => then() - 120000; })()")
    day.tap("standing")
    pressed = day.phone.locator('.press[data-signal="FAN.on"][aria-pressed="true"]')
    assert "standing" in pressed.inner_text()
    until(lambda: day.states() == ["recorded", "recorded"], "both marks")
    first, second = marks_in(day.folder)
    assert (first.on, second.on) == (True, False)
    assert first.t_s < second.t_s < first.t_s + 30.0
