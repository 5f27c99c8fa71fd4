"""Every page in both languages, light and dark, narrow and enlarged, by keyboard alone, with motion turned off."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from support.boards import DESK, PHONE, board, browser, command, invite, person, take_desk
from support.for_everybody import SMALL, faults_of, focus_stops, tab_to, too_wide
from support.processes import rig
from support.rigged import example_plan, visit

SPEED = 20.0
LEDGER = "20261125T090000Z-ravensmoor-ice-rink.ledger.jsonl"
PAGES = ("/", "/site/ravensmoor.yaml", "/site/broken.yaml", "/people", "/live", f"/result/{LEDGER}")
OTHERS = ("/post?post=DOOR", "/nowhere", "/site/none.yaml", "/result/none.ledger.jsonl")


@dataclass
class Visited:
    """A board with a run going on and one gone through, and somebody at the desk."""

    base: str
    desk: Any
    browser: Any


@pytest.fixture(scope="module")
def visited(repo: Path, tmp_path_factory: pytest.TempPathFactory, cellar: tuple[Path, Path]) -> Iterator[Visited]:
    folder = tmp_path_factory.mktemp("everybody")
    shutil.copy(repo / "examples" / "ravensmoor.yaml", folder)
    text = (repo / "examples" / "cellar.yaml").read_text(encoding="utf-8")
    (folder / "broken.yaml").write_text(text.replace("gas: CO2", "gas: CO9", 1), encoding="utf-8")
    whole = example_plan("ravensmoor.yaml", ("NH3-1", "O2-1"))
    (folder / LEDGER).write_bytes(visit(whole, faults=("stuck:STORE-BEACON", "weak:NH3-1")))
    site, plan = cellar
    words = ["--folder", str(folder), "--run", str(plan), "--speed", str(SPEED), "--operator", "Mira K."]
    with (
        rig(site, SPEED) as (link, hands),
        board(*words, "--link", link, "--rig", hands) as served,
        browser() as made,
    ):
        desk = person(made, DESK, bypass_csp=True)
        take_desk(desk, served.desk)
        yield Visited(f"http://127.0.0.1:{served.port}", desk, made)


def looked_through(page: Any, repo: Path, where: str) -> list[str]:
    """Faults in light and dark, and what sticks out of a narrow window or one enlarged twofold."""
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        found += [f"{where} {scheme}: {one}" for one in faults_of(page, repo)]
    found += [f"{where} 320 px: {one}" for one in too_wide(page, 320)]
    found += [f"{where} 200 %: {one}" for one in too_wide(page, DESK["width"] // 2, DESK["height"] // 2)]
    page.set_viewport_size(DESK)
    return found


@pytest.mark.timeout(600)
@pytest.mark.parametrize("language", ["en", "de"])
def test_no_page_keeps_anybody_out(visited: Visited, repo: Path, language: str) -> None:
    """No serious or critical fault by axe-core (WCAG 2.2 A and AA), reflow at 320 px and at 200 %."""
    page, found = visited.desk, []
    page.goto(f"{visited.base}/language/{language}")
    for path in (*PAGES, *OTHERS):
        page.goto(visited.base + path)
        if path == "/live":
            page.locator("#step-text:not(:empty)").wait_for()
        assert page.locator("html").get_attribute("lang") == language
        found += looked_through(page, repo, path)
    address = invite(page, visited.base, "DOOR")
    found += looked_through(page, repo, "/people/invite")
    stranger = person(visited.browser, PHONE, locale=language, bypass_csp=True)
    for where in (address, f"{visited.base}/", f"{visited.base}/join/used-before"):
        stranger.goto(where)
        assert stranger.locator("html").get_attribute("lang") == language
        found += looked_through(stranger, repo, where.removeprefix(visited.base))
    stranger.context.close()
    page.goto(f"{visited.base}/language/en")
    assert found == []


def test_what_a_glove_presses_is_large_enough(visited: Visited) -> None:
    """44 px each way: WCAG 2.2, 2.5.5 target size (enhanced), from memory."""
    phone = person(visited.browser, PHONE)
    phone.goto(invite(visited.desk, visited.base, "DOOR"))
    phone.fill("#name", "Ines")
    phone.locator("button.primary").tap()
    phone.locator("#present:not([disabled])").tap()
    phone.locator("#other").tap()
    phone.locator("#undo").wait_for()
    assert phone.evaluate(SMALL) == []
    phone.evaluate("() => { document.querySelector('#hand').hidden = false; }")  # the keys of a visit without a link
    assert phone.evaluate(SMALL) == []
    phone.context.close()


def test_the_focus_can_be_seen_wherever_the_keyboard_comes(visited: Visited) -> None:
    for path in ("/", "/site/ravensmoor.yaml", "/people", "/live", "/post?post=DOOR"):
        visited.desk.goto(visited.base + path)
        stops = focus_stops(visited.desk)
        assert len(stops) > 5, path
        assert [name for name, seen in stops if not seen] == [], path


def test_nothing_moves_for_those_who_asked_for_it(visited: Visited) -> None:
    page = visited.desk
    page.emulate_media(reduced_motion="reduce")
    for path in (*PAGES, OTHERS[0]):
        page.goto(visited.base + path)
        assert page.evaluate("() => getComputedStyle(document.documentElement).scrollBehavior") == "auto"
        assert page.evaluate("() => document.getAnimations().length") == 0
    page.emulate_media(reduced_motion="no-preference")


def test_a_run_by_keyboard_alone(visited: Visited, tmp_path: Path, repo: Path, output: Path) -> None:
    """From the desk to a run, its cautions, its end and its result, without a pointer."""
    site = repo / "examples" / "cellar.yaml"
    command("plan", str(site), "-o", str(tmp_path / "cellar.plan.json"))
    with board("--folder", str(tmp_path), "--link", "by-hand:") as served:
        page = person(visited.browser, DESK, bypass_csp=True)
        page.goto(served.desk)
        tab_to(page, "#name")
        page.keyboard.type("Mira K.")
        page.keyboard.press("Enter")
        page.locator("#plans").wait_for()
        tab_to(page, "#plans form button")
        page.keyboard.press("Enter")
        page.locator("#answers:not([hidden])").wait_for(timeout=60_000)
        tab_to(page, "#agreed")
        page.keyboard.press("Space")
        assert faults_of(page, repo) == []
        tab_to(page, "#done")
        page.keyboard.press("Enter")
        page.wait_for_function(
            "() => !document.querySelector('#step-text').textContent.startsWith('Read the cautions')"
        )
        tab_to(page, "#abort")
        page.keyboard.press("Enter")
        page.locator("#sure[open]").wait_for()
        assert faults_of(page, repo) == []
        page.screenshot(path=output / "board-sure.png")
        tab_to(page, "#sure-yes")
        page.keyboard.press("Enter")
        page.locator("#ended:not([hidden])").wait_for()
        assert faults_of(page, repo) == []
        tab_to(page, "#ended a")
        page.keyboard.press("Enter")
        page.locator("#certificate").wait_for()
        assert page.locator(".big-outcome").is_visible()
