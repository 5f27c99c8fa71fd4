"""People of a visit, each at a page of their own and all at once: one at the desk, others at posts with phones.

They do what their page asks and press what they really see: the rig's control port tells them what acts where they
stand, as their eyes and ears would.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gaswitness.links.rig.client import PATIENCE_S
from gaswitness.links.rig.control import Greeting, Request, Seen
from support.boards import CHROMIUM_FLAGS, DESK, PHONE, BoardProcess, chromium

ASKED = (
    """() => document.querySelector('#ended:not([hidden])') || document.querySelector('#answers:not([hidden]) #done')"""
)
DONE_WITH = """(was) => document.querySelector('#ended:not([hidden])') || document.querySelector('#answers[hidden]')
  || document.querySelector('#step-text').textContent !== was"""

PRESSES = 3
ANSWERS_WITHIN_S = 5.0
"""A press shows at once; on a machine with other things to do, after a moment."""


@contextlib.asynccontextmanager
async def browser() -> AsyncIterator[Any]:
    """Debian's browser, for several people at once."""
    path = chromium()
    from playwright.async_api import async_playwright

    async with async_playwright() as playwright:
        made = await playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        try:
            yield made
        finally:
            await made.close()


@contextlib.asynccontextmanager
async def board(*words: str) -> AsyncIterator[BoardProcess]:
    """A board that goes until the end of the block, while other work of this loop goes on."""
    made = BoardProcess(list(words))
    try:
        yield await asyncio.to_thread(made.start)
    finally:
        await asyncio.to_thread(made.stop)


async def page_of(browser: Any, size: dict[str, int], **more: Any) -> Any:
    """A page in a context of its own."""
    more.setdefault("locale", "en-GB")
    context = await browser.new_context(
        viewport=size, has_touch=size["width"] < 500, accept_downloads=True, bypass_csp=True, **more
    )
    page = await context.new_page()
    page.set_default_timeout(60_000)
    return page


class Eyes:
    """What acts at each post of the installation, as somebody there would see and hear it.

    The board reaches the rig through here (`hands`), and what it wants of the rig waits while somebody presses: at many
    times the speed of life the reaction of a person, or of a busy machine, would else be minutes of the day.
    """

    def __init__(self, hands: str) -> None:
        self._rig = int(hands.rpartition(":")[2])
        self._looking: dict[str, asyncio.Queue[Seen]] = {}
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._pressing = 0
        self._pressed = asyncio.Event()
        self._pressed.set()
        self.hands = ""

    def at(self, post: str) -> asyncio.Queue[Seen]:
        """Everything that acts at this post from now on."""
        return self._looking.setdefault(post, asyncio.Queue())

    def looks_away(self, post: str) -> None:
        """Nobody stands there any more."""
        for _ in range(self._looking.pop(post, asyncio.Queue()).qsize()):
            self.done()

    @contextlib.contextmanager
    def busy(self) -> Iterator[None]:
        """Somebody reads and types within."""
        self._pressing += 1
        self._pressed.clear()
        try:
            yield
        finally:
            self.done()

    def done(self) -> None:
        """Somebody has pressed."""
        self._pressing -= 1
        if self._pressing == 0:
            self._pressed.set()

    async def __aenter__(self) -> Eyes:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._rig)
        Greeting.model_validate_json(await reader.readline())
        writer.write(Request(id=1, ask="watch").model_dump_json().encode() + b"\n")
        self._tasks.add(asyncio.create_task(self._look(reader, writer)))
        self._server = await asyncio.start_server(self._pass_on, "127.0.0.1", 0)
        self.hands = f"127.0.0.1:{self._server.sockets[0].getsockname()[1]}"
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._server is not None:
            self._server.close()
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _look(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                seen = Seen.model_validate_json(line) if b'"mark_id"' in line else None
                if seen is not None and seen.signal != "present" and seen.post in self._looking:
                    self._pressing += 1
                    self._pressed.clear()
                    self._looking[seen.post].put_nowait(seen)
        finally:
            writer.close()

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection of the board, held up now and then, but never for as long as it has patience."""
        from_rig, to_rig = await asyncio.open_connection("127.0.0.1", self._rig)

        async def back() -> None:
            while data := await from_rig.read(65536):
                writer.write(data)
                await writer.drain()
            writer.close()

        backwards = asyncio.create_task(back())
        self._tasks.add(backwards)
        try:
            while line := await reader.readline():
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._pressed.wait(), PATIENCE_S / 2)
                to_rig.write(line)
                await to_rig.drain()
        finally:
            to_rig.close()


@dataclass
class AtDesk:
    """Who leads the run: reads what the page asks, ticks the box, presses the button."""

    page: Any
    base: str
    answered: list[str] = field(default_factory=list)
    """The words of every step that was confirmed, in order."""
    before: Callable[[str], Any] | None = None
    """Called with the words of a step before it is confirmed; may look at the page, or send people elsewhere."""

    @classmethod
    async def take(cls, browser: Any, address: str, name: str = "Mira K.", **more: Any) -> AtDesk:
        """Take the desk by the address that the board printed."""
        page = await page_of(browser, DESK, **more)
        await page.goto(address)
        await page.fill("#name", name)
        await page.click("button.primary")
        return cls(page, address.partition("/join/")[0])

    async def invite(self, post: str) -> str:
        """A code for a post, made in a second tab so that the run stays in sight."""
        tab = await self.page.context.new_page()
        await tab.goto(f"{self.base}/people")
        await tab.select_option("#post", post)
        await tab.click("form:has(#post) button")
        address = str((await tab.locator("p.figures.wrap").first.inner_text()).strip())
        await tab.close()
        return address

    async def lead(self) -> None:
        """Carry the run on to its end."""
        await self.page.goto(f"{self.base}/live")
        while True:
            await self.page.wait_for_function(ASKED, timeout=120_000)
            if await self.page.locator("#ended").is_visible():
                return
            step = str(await self.page.locator("#step-text").inner_text())
            if self.before is not None:
                await self.before(step)
            if await self.page.locator("#agreed").is_visible():
                await self.page.check("#agreed")
            await self.page.click("#done")
            self.answered.append(step)
            await self.page.wait_for_function(DONE_WITH, arg=step, timeout=30_000)


@dataclass
class AtPost:
    """A witness with a phone: presses what begins and stops where they stand."""

    page: Any
    name: str
    eyes: Eyes
    post: str = ""
    pressed: list[tuple[str, str, bool]] = field(default_factory=list)
    """Post, signal, on or off."""
    _watching: asyncio.Task[None] | None = None

    @classmethod
    async def at(cls, browser: Any, name: str, eyes: Eyes, **more: Any) -> AtPost:
        """A phone that has not joined yet."""
        return cls(await page_of(browser, PHONE, **more), name, eyes)

    async def go_to(self, post: str, address: str, *, watch: bool = True) -> None:
        """Leave the post where they stand, if any, and join at the next by the code that was scanned."""
        if self.post:
            await self.stop()
            await self.page.locator("#present").tap()
            await self.page.locator('#present[aria-pressed="false"]').wait_for()
            await self.kept()
        await self.page.goto(address)
        await self.page.fill("#name", self.name)
        await self.page.locator("button.primary").tap()
        await self.page.locator("#post").wait_for()
        self.post = post
        here = self.page.locator('#present[aria-pressed="true"]')
        for _ in range(PRESSES):  # whoever sees that a button did not answer presses it again
            await self.page.locator("#present").tap()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(here.wait_for(), ANSWERS_WITHIN_S)
                break
        await here.wait_for()
        if watch:
            self._watching = asyncio.create_task(self._watch(self.eyes.at(post)))

    async def stop(self) -> None:
        """Look away; whatever went wrong while watching is told here."""
        if self._watching is None:
            return
        if not self._watching.done():
            self._watching.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._watching
        self._watching = None
        self.eyes.looks_away(self.post)

    async def press(self, signal: str, on: bool, pattern: str | None = None) -> None:
        """One press of the button for it."""
        which = f'.press[data-signal="{signal}"][data-on="{"yes" if on else "no"}"]'
        if on and pattern is not None and await self.page.locator(f'{which}[data-pattern="{pattern}"]').count():
            which += f'[data-pattern="{pattern}"]'
        await self.page.locator(which).tap()
        self.pressed.append((self.post, signal, on))

    async def other(self, note: str) -> None:
        """Something that nobody expected, in words."""
        await self.page.locator("#other").tap()
        await self.page.fill("#other-note", note)
        await self.page.locator("#other-keep").tap()

    async def type_reading(self, value: str) -> None:
        """What a display shows, on the big keys."""
        for key in value:
            await self.page.locator(f'.keys [data-key="{key}"]').tap()
        await self.page.locator("#hand-now").tap()

    async def kept(self) -> None:
        """Wait until everything pressed is recorded."""
        await self.page.wait_for_function("() => !document.querySelector('#past li[data-state=waiting]')")

    async def _watch(self, coming: asyncio.Queue[Seen]) -> None:
        while True:
            seen = await coming.get()
            try:
                await self.press(seen.signal, seen.on, seen.pattern)
            finally:
                self.eyes.done()


async def shot(page: Any, path: Path) -> None:
    """A picture of what stands on the page now."""
    await page.screenshot(path=path)
