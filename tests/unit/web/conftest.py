"""A board on a folder of its own, browsers that talk to it without a network, and a run that can be stepped."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from gaswitness.clock import OwnedClock
from gaswitness.web.access import Access, Pace
from gaswitness.web.app import make_app
from gaswitness.web.board import Board
from gaswitness.web.folder import Folder
from gaswitness.web.live import Live, WebHands
from support.rigged import example_plan

ADDRESS = "http://127.0.0.1:8014"
NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)


class Browser(httpx.AsyncClient):
    """A browser that keeps its cookies; `csrf` is what its pages would carry."""

    csrf = ""

    async def send_form(self, path: str, **fields: str) -> httpx.Response:
        """Post a form as a page of the board does."""
        return await self.post(path, data={"csrf": self.csrf, **fields})


@pytest.fixture
def board(tmp_path: Path, repo: Path) -> Board:
    """A board on a folder with the two example sites; nothing in it is in a hurry."""
    for name in ("ravensmoor.yaml", "cellar.yaml"):
        shutil.copy(repo / "examples" / name, tmp_path)
    wide = Pace(burst=1e6, per_s=1e6)
    return Board(Folder(tmp_path), Access(), ADDRESS, now=lambda: NOW, requests=wide, knocks=wide)


@pytest.fixture
def visit(board: Board) -> Callable[..., object]:
    """A browser that has not joined; use as `async with visit() as browser`."""

    @asynccontextmanager
    async def opened(agent: str = "test browser", language: str = "en") -> AsyncIterator[Browser]:
        transport = httpx.ASGITransport(app=make_app(board), raise_app_exceptions=False, client=("192.0.2.9", 4711))
        headers = {"user-agent": agent, "accept-language": language}
        async with Browser(transport=transport, base_url=ADDRESS, headers=headers) as browser:
            yield browser

    return opened


@pytest.fixture
def joined(board: Board, visit: Callable[..., object]) -> Callable[..., object]:
    """A browser that has joined with a role."""

    @asynccontextmanager
    async def opened(
        role: str = "desk", *, run: str | None = None, post: str = "", name: str = "M. Kerr"
    ) -> AsyncIterator[Browser]:
        token = board.access.invite(role, run=run, post=post)
        async with visit() as browser:
            answer = await browser.post("/join", data={"token": token, "name": name})
            assert answer.status_code == 303
            browser.csrf = board.access.people()[-1].csrf
            yield browser

    return opened


@pytest.fixture
def clock() -> OwnedClock:
    return OwnedClock()


@pytest.fixture
def live(board: Board, clock: OwnedClock) -> Live:
    """A run on the board that nobody drives: what it is told is in its queues."""
    hands = WebHands("M. Kerr", clock.now_s, helper=None, asks=True)
    board.live = Live("R1", example_plan("ravensmoor.yaml"), clock, 1.0, asyncio.Queue(), hands)
    return board.live
