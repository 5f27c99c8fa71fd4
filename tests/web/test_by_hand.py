"""No wire to the panel: the reading is typed at the detector, its alarms are marked, and the verdict says how well."""

from __future__ import annotations

import asyncio
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import Series, series_of
from gaswitness.history.files import ledger_with_late
from gaswitness.judge import judge
from gaswitness.links.opening import open_link
from gaswitness.run.events import ReadingTaken
from gaswitness.site import Site, read_site
from support.boards import chromium, command
from support.people import AtDesk, AtPost, Eyes, board, browser, shot
from support.processes import rig
from support.rigged import example_plan, visit

SPEED = 10.0
WHO = {"Ines": "AT-PANEL", "Noor": "PLANT-DOOR", "Ole": "AT-FANS"}
TAG = "NH3-1"
SIGNALS = ("NH3-1.low", "NH3-1.high", "NH3-1.fault")


@dataclass
class AtDetector:
    """Who holds the cap: looks at the display of the detector and at its own lamps, types and presses."""

    post: AtPost
    display: str
    site: Site
    typed: list[float] = field(default_factory=list)
    lamps: dict[str, bool] = field(default_factory=lambda: dict.fromkeys(SIGNALS, False))

    async def look(self) -> None:
        """Again and again: alarms at once, the reading as often as fingers allow."""
        display = open_link(self.display, self.site)
        await display.open()
        try:
            while True:
                with self.post.eyes.busy():
                    shown = await display.poll()
                    for signal in SIGNALS if self.typed else ():
                        if shown.status[signal] != self.lamps[signal]:
                            self.lamps[signal] = shown.status[signal]
                            await self._mark(signal)
                    reading = shown.readings[TAG].value_ppm
                    if reading is not None and await self.post.page.locator("#hand").is_visible():
                        await self.post.type_reading(f"{reading:.0f}")
                        self.typed.append(reading)
                await asyncio.sleep(0.25)
        finally:
            await display.close()

    async def _mark(self, signal: str) -> None:
        await self.post.press(signal, self.lamps[signal])

    async def rests(self, step: str) -> None:
        """Whether the reading is at rest is for people to say: the last few are alike, where they should be."""
        where = {"Wait until the": (200.0, 300.0), f"Leave {TAG} in the room's air until": (-5.0, 5.0)}
        low, high = next((ends for words, ends in where.items() if step.startswith(words)), (None, None))
        if low is None or high is None:
            return
        while not all(low <= one <= high for one in self.typed[-4:]) or max(self.typed[-4:]) - min(self.typed[-4:]) > 2:
            await asyncio.sleep(0.1)


async def day(words: list[str], hands: str, display: str, site: Site, output: Path) -> str:
    """Four people, none of whom sees anything by wire; the words of the result page."""
    async with Eyes(hands) as eyes, board(*words, "--rig", eyes.hands) as served, browser() as made:
        desk = await AtDesk.take(made, served.desk)
        await desk.page.get_by_role("link", name="Live").click()
        people = {post: await AtPost.at(made, name, eyes) for name, post in WHO.items()}
        for post, one in people.items():
            await one.go_to(post, await desk.invite(post))
        ida = AtDetector(await AtPost.at(made, "Ida", eyes), display, site)
        await ida.post.go_to("PLANT-DOOR", await desk.invite("PLANT-DOOR"), watch=False)  # Noor watches the door
        desk.before = ida.rests
        looking = asyncio.create_task(ida.look())
        leading = asyncio.create_task(desk.lead())
        done, _ = await asyncio.wait({looking, leading}, return_when=asyncio.FIRST_COMPLETED)
        await shot(ida.post.page, output / "by-hand-post.png")
        for one in done:
            one.result()
        looking.cancel()
        await asyncio.gather(looking, return_exceptions=True)
        await desk.page.locator("#ended a").click()
        await desk.page.locator("#certificate").wait_for()
        for closed in await desk.page.locator("details:not([open]) summary").all():
            await closed.click()
        words_shown = str(await desk.page.locator("main").inner_text())
        await desk.page.screenshot(path=output / "by-hand-result.png", full_page=True)
        await desk.page.get_by_role("button", name="Sign and issue the certificate").click()
        async with desk.page.expect_download() as download:
            await desk.page.locator('a[href$=".pdf"]').click()
        await (await download.value).save_as(output / "by-hand.pdf")
        return words_shown


@pytest.mark.timeout(600)
def test_a_visit_without_any_link(repo: Path, tmp_path: Path, output: Path) -> None:
    chromium()
    path, plan, key = repo / "examples" / "ravensmoor.yaml", tmp_path / "rink.plan.json", tmp_path / "own.key"
    command("plan", str(path), "--detector", TAG, "-o", str(plan))
    command("keys", "new", "-o", str(key))
    words = ["--folder", str(tmp_path), "--run", str(plan), "--link", "by-hand:", "--operator", "Mira K."]
    words += ["--speed", str(SPEED), "--key", str(key)]
    with rig(path, SPEED) as (display, hands):
        page = asyncio.run(day(words, hands, display, read_site(path), output))
    ledger = ledger_with_late(*tmp_path.glob("*.ledger.jsonl"))  # somebody may type on after the end
    assert ledger.started.link == "by-hand:"
    readings = [event for event in ledger.events if isinstance(event, ReadingTaken)]
    assert len(readings) > 20
    assert {event.quality for event in readings} == {"by-hand"}
    judged = judge(series_of(ledger))
    assert [(one.tag, one.outcome) for one in judged.verdicts] == [(TAG, "pass")]
    assert {one.outcome for one in judged.visit} == {"pass"}
    found = {one.criterion: one for one in judged.verdicts[0].findings}
    wired = {one.criterion: one for one in judge(wired_visit()).verdicts[0].findings}
    for criterion in ("set-time/low", "set-level/low", "set-time/high"):
        by_hand, by_wire = found[f"{TAG}/{criterion}"], wired[f"{TAG}/{criterion}"]
        assert by_hand.u is not None
        assert by_wire.u is not None
        assert by_hand.u > 1.3 * by_wire.u, criterion
    paper = subprocess.run(["pdftotext", "-layout", str(output / "by-hand.pdf"), "-"], capture_output=True, text=True)
    for words in (page, paper.stdout):
        flat = " ".join(words.split())
        assert f"{len(readings)} readings were typed by hand" in flat
        assert f"{2 * (found[f'{TAG}/set-time/low'].u or 0):.2g}" in flat


def wired_visit() -> Series:
    """The same visit with a link to the panel, in one process."""
    return series_of(read_ledger(visit(example_plan("ravensmoor.yaml", (TAG,))), "wired"))
