"""A rig and a board in processes of their own, and browsers at its pages."""

from __future__ import annotations

import contextlib
import queue
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

CHROMIUM_FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
STARTS_WITHIN_S = 240.0
"""The first board of a fresh checkout compiles what it works out with; on a busy machine that takes its time."""
PHONE = {"width": 390, "height": 844}
DESK = {"width": 1280, "height": 800}


@dataclass
class BoardProcess:
    """`gaswitness board` as a person starts it; `desk` is the address it prints, good once."""

    words: list[str]
    port: int = 0
    desk: str = ""
    process: subprocess.Popen[str] | None = None
    reader: threading.Thread | None = None
    said: list[str] = field(default_factory=list)
    within: list[str] = field(default_factory=list)
    """Words before the command, that have it run somewhere else."""

    def start(self) -> BoardProcess:
        """Start it (again, on the port it had)."""
        command = [
            *self.within,
            sys.executable,
            "-m",
            "gaswitness",
            "board",
            "--host",
            "127.0.0.1",
            "--port",
            str(self.port),
        ]
        self.process = subprocess.Popen(
            [*command, *self.words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        lines: queue.Queue[str] = queue.Queue()
        self.reader = threading.Thread(target=self._read, args=(self.process.stdout, lines), daemon=True)
        self.reader.start()
        until = time.monotonic() + STARTS_WITHIN_S
        while time.monotonic() < until:
            with contextlib.suppress(queue.Empty):
                found = re.match(r"desk (https?://127\.0\.0\.1:(\d+)/join/\S+)", lines.get(timeout=0.2))
                if found:
                    self.desk, self.port = found[1], int(found[2])
                    return self
            if self.process.poll() is not None:
                break
        raise AssertionError("the board did not start:\n" + "".join(self.said))

    def _read(self, stream: Any, lines: queue.Queue[str]) -> None:
        with stream:
            for line in stream:
                self.said.append(line)
                lines.put(line)

    def kill(self) -> None:
        """Pull the plug."""
        assert self.process is not None
        self.process.kill()
        self._gone(10)

    def stop(self) -> None:
        """Have it end."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self._gone(30)
            except subprocess.TimeoutExpired:
                self.kill()

    def _gone(self, patience_s: float) -> None:
        assert self.process is not None
        self.process.wait(timeout=patience_s)
        if self.reader is not None:
            self.reader.join(timeout=10)


def command(*words: str) -> str:
    """What a command of the program says; it may have found something that falls short, but must have worked."""
    done = subprocess.run([sys.executable, "-m", "gaswitness", *words], capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


@contextlib.contextmanager
def board(*words: str, port: int = 0, within: Sequence[str] = ()) -> Iterator[BoardProcess]:
    """A board that goes until the end of the block."""
    made = BoardProcess(list(words), port, within=list(within))
    try:
        yield made.start()
    finally:
        made.stop()


def chromium() -> str:
    """Debian's browser; a test without one is skipped."""
    pytest.importorskip("playwright")
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("no chromium; `make services` installs it")
    return found


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    """A browser that asks for pages in English and trusts nothing it should not."""
    path = chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        try:
            yield made
        finally:
            made.close()


def person(browser: Any, size: dict[str, int], **more: Any) -> Any:
    """A page in a context of its own: own cookies, own storage; `phone` sizes can be touched."""
    touch = size["width"] < 500
    context = browser.new_context(viewport=size, has_touch=touch, locale=more.pop("locale", "en-GB"), **more)
    page = context.new_page()
    page.set_default_timeout(15_000)
    return page


def take_desk(page: Any, desk: str, name: str = "Mira K.") -> None:
    """Join as the desk by the address that the board printed."""
    page.goto(desk)
    page.fill("#name", name)
    page.click("button.primary")


def invite(desk: Any, base: str, post: str) -> str:
    """A code for a post, as the desk makes it."""
    desk.goto(f"{base}/people")
    desk.select_option("#post", post)
    desk.click("form:has(#post) button")
    return str(desk.locator("p.figures.wrap").first.inner_text().strip())


def join(phone: Any, address: str, name: str) -> None:
    """Join a run at a post."""
    phone.goto(address)
    phone.fill("#name", name)
    phone.click("button.primary")
    phone.wait_for_selector("#post")
