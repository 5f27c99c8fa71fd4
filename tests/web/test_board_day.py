"""A desk and three phones at one run in a real browser; pages looked through for what keeps people out."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

from support.boards import DESK, PHONE, board, browser, chromium, invite, join, person, take_desk
from support.for_everybody import faults_of
from support.ledgers_on_disk import marks_in
from support.processes import rig

SPEED = 20.0


def test_the_rules_find_a_fault(repo: Path) -> None:
    with browser() as made:
        page = made.new_page()
        page.set_content("<html><body><main><button></button><input></main></body></html>")
        assert faults_of(page, repo)


def test_a_desk_and_three_phones(repo: Path, tmp_path: Path, output: Path) -> None:
    """Three people at three posts of the rink press while the desk takes the run on; every mark is in the ledger."""
    chromium()
    site, plan = repo / "examples" / "ravensmoor.yaml", tmp_path / "rink.plan.json"
    command = [sys.executable, "-m", "gaswitness", "plan", str(site), "--detector", "NH3-1", "-o", str(plan)]
    assert subprocess.run(command, capture_output=True).returncode in (0, 1)
    words = ["--folder", str(tmp_path), "--run", str(plan), "--speed", str(SPEED), "--operator", "Mira K."]
    posts = {"AT-PANEL": "Ines", "PLANT-DOOR": "Noor", "AT-FANS": "Ole"}
    with (
        rig(site, SPEED) as (link, hands),
        board(*words, "--link", link, "--rig", hands) as served,
        browser() as made,
    ):
        base = f"http://127.0.0.1:{served.port}"
        desk = person(made, DESK, color_scheme="light", bypass_csp=True)
        take_desk(desk, served.desk)
        phones = {}
        for post, name in posts.items():
            language = "de-DE" if post == "AT-FANS" else "en-GB"
            phones[post] = person(made, PHONE, color_scheme="dark", locale=language, bypass_csp=True)
            join(phones[post], invite(desk, base, post), name)
        for phone in phones.values():
            phone.locator("#present").tap()
        desk.goto(f"{base}/live")
        for _ in range(12):
            if desk.locator("#agreed").is_visible():
                desk.check("#agreed")
            if desk.locator("#done").is_visible() and desk.locator("#done").is_enabled():
                desk.click("#done")
            desk.wait_for_timeout(400)
        desk.screenshot(path=output / "board-live.png")
        assert faults_of(desk, repo) == []
        for post, phone in phones.items():
            phone.locator(".press").first.tap()
            phone.locator("#past li[data-state=recorded]").nth(1).wait_for()
            phone.wait_for_timeout(300)
            phone.screenshot(path=output / f"post-{post}.png")
            assert faults_of(phone, repo) == []
            assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth"), "wider than the phone"
        until = time.monotonic() + 10
        while len(marks_in(tmp_path)) < 6 and time.monotonic() < until:
            time.sleep(0.2)
        marks = marks_in(tmp_path)
        assert {(one.post, one.witness) for one in marks} == set(posts.items())
        assert len(marks) == 6
        assert all(one.own_wall and 0.1 <= one.u_s < 0.5 * SPEED for one in marks)
