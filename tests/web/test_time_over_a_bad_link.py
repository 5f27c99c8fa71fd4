"""Edges from phones whose clocks are wrong, over a link with delay, jitter, loss and unlike ways out and back.

A real board at one end, phones at the other: forty that run the page's own clock in node, and a browser whose clocks
are bent. What is claimed is that an edge lies within k = 2 of the standard uncertainty that the board states for the
phone's clock. The truth is the machine's one monotonic clock, which both ends can read.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from gaswitness.run.events import RunStarted
from gaswitness.web.access import Access, Session
from support.bad_link import BadLink, Weather, bad_link
from support.boards import CHROMIUM_FLAGS, PHONE, BoardProcess, board, chromium, person
from support.ledgers_on_disk import marks_in, only_ledger

PHONES, MARKS, SECONDS = 40, 52, 70.0
CLAIMED = 0.99
STATIC = Path(__file__).resolve().parents[2] / "src" / "gaswitness" / "web" / "static"


@dataclass
class Ends:
    """Both ends of the link, with a board on a run that stands at its first step, and accesses made beforehand."""

    link: BadLink
    served: BoardProcess
    folder: Path
    address: str
    accesses: list[tuple[str, Session]]

    @property
    def run(self) -> str:
        return next(self.folder.glob("*.ledger.jsonl")).name.removesuffix(".ledger.jsonl")

    def instants(self) -> dict[str, float]:
        """Where the ledger puts each mark, on the machine's monotonic clock."""
        started = only_ledger(self.folder).started
        return {one.mark_id: one.t_s + _zero_s(started) for one in marks_in(self.folder)}


def _zero_s(started: RunStarted) -> float:
    """The instant of the run's zero on the machine's monotonic clock; a board's run carries the wall by that clock."""
    return datetime.fromisoformat(started.wall).timestamp() - started.t_s - (time.time() - time.monotonic())


@pytest.fixture(scope="module")
def ends(cellar: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ends]:
    folder = tmp_path_factory.mktemp("far-away")
    access = Access(file=folder / ".gaswitness-board.json")
    made = [access.join(access.invite("desk", run=None), f"P{n}", "phone") for n in range(PHONES)]
    words = ["--host", "0.0.0.0", "--folder", str(folder), "--run", str(cellar[1]), "--link", "by-hand:"]
    with (
        bad_link(Weather()) as link,
        board(*words, "--operator", "Mira K.", within=link.at_board) as served,
        link.board_at(served.port) as address,
    ):
        yield Ends(link, served, folder, address, made)


def wrong(rng: Random, number: int, link: BadLink, access: tuple[str, Session]) -> dict[str, Any]:
    """A phone that is minutes off, drifts, is set in mid-run, sleeps, or has no network for a while."""
    cookie, session = access
    fast = number % 5 == 0
    return {
        "address": link.phones[number],
        "cookie": cookie,
        "csrf": session.csrf,
        "wrong_ms": rng.uniform(-600e3, 600e3),
        "ppm": rng.uniform(-400, 400) if fast else rng.uniform(-60, 60),
        "step_at_ms": rng.uniform(20e3, 50e3) if number % 3 == 0 else 1e12,
        "step_by_ms": rng.choice([-90_000, -3000, -400, -60, 30, 700, 5000, 120_000]),
        "sleep_at_ms": rng.uniform(25e3, 45e3) if number % 10 == 7 else 0,
        "sleep_ms": 4000,
        "dead_from_ms": 25e3 if number % 4 == 1 else 1e12,
        "dead_until_ms": 50e3,
    }


def test_of_two_thousand_marks_of_forty_phones_99_in_100_lie_within_what_is_stated(ends: Ends, output: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("no node; `make services` installs it")
    rng = Random(7)
    asked = {
        "board": ends.address,
        "static": str(STATIC),
        "run": ends.run,
        "post": "DOOR",
        "seed": 11,
        "seconds": SECONDS,
        "marks": MARKS,
        "phones": [wrong(rng, n, ends.link, ends.accesses[n]) for n in range(PHONES)],
    }
    script = Path(__file__).parents[1] / "support" / "phones.mjs"
    done = subprocess.run(
        [*ends.link.at_phones, node, str(script)], input=json.dumps(asked), capture_output=True, text=True, timeout=400
    )
    assert done.returncode == 0, done.stderr[-2000:]
    marks = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(marks) == len({one["mark_id"] for one in marks}) == PHONES * MARKS >= 2000
    placed = ends.instants()
    error_s = np.array([placed[one["mark_id"]] - one["truly_s"] for one in marks])
    u_s = np.array([one["u_s"] for one in marks])
    within = np.abs(error_s) <= 2 * u_s
    bound_s = np.array([one["best_s"] for one in marks]) / np.sqrt(12.0)
    known = bound_s > 0  # a phone that slept while it asked saw no time go by
    figures = {
        "link": "packets" if ends.link.packets else "bytes",
        "marks": len(marks),
        "within": float(np.mean(within)),
        "median_u_ms": float(np.median(u_s)) * 1e3,
        "median_bound_ms": float(np.median(bound_s)) * 1e3,
        "u_ms_p95": float(np.quantile(u_s, 0.95)) * 1e3,
        "median_error_ms": float(np.median(error_s)) * 1e3,
        "error_ms_p95": float(np.quantile(np.abs(error_s), 0.95)) * 1e3,
    }
    (output / "time-over-a-bad-link.json").write_text(json.dumps(figures, indent=1) + "\n")
    print(figures)
    assert np.mean(within) >= CLAIMED, figures
    assert np.median(u_s[known] / bound_s[known]) < 1.2, (
        "what is stated is not much wider than the quickest round trip allows"
    )
    assert np.quantile(np.abs(error_s), 0.95) > 0.005, "a link without any error would show nothing"


BENT = """(() => {
  const { wrong_ms, ppm, step_at_ms, step_by_ms } = %s;
  const now = performance.now.bind(performance), wall = Date.now.bind(Date);
  const of = Object.getOwnPropertyDescriptor(Event.prototype, "timeStamp").get;
  const own = (ms) => ms * (1 + ppm * 1e-6), began = wall() - now();
  performance.now = () => own(now());
  Object.defineProperty(Event.prototype, "timeStamp", { get() { return own(of.call(this)); } });
  Date.now = () => Math.floor(began + wrong_ms + own(now()) + (now() > step_at_ms ? step_by_ms : 0));
  window.truly_ms = [];
  addEventListener("pointerdown", (event) => {
    if (event.target.closest(".press[data-signal]")) window.truly_ms.push(performance.timeOrigin + of.call(event));
  }, true);
})();"""
"""Both clocks of a page are bent before anything of it runs; when fingers truly came down is kept beside."""

KEPT = """() => new Promise((done) => {
  const asked = indexedDB.open("gaswitness-post", 1);
  asked.onsuccess = () => {
    const all = asked.result.transaction("marks").objectStore("marks").getAll();
    all.onsuccess = () => { asked.result.close(); done(all.result); };
  };
})"""


@contextlib.contextmanager
def browser_at(link: BadLink, folder: Path) -> Iterator[Any]:
    """A browser at the phones' end."""
    path = chromium()
    from playwright.sync_api import sync_playwright

    if link.at_phones:
        script = folder / "chromium-there"
        script.write_text(f'#!/bin/sh\nexec {" ".join(link.at_phones)} {path} "$@"\n')
        script.chmod(0o755)
        path = str(script)
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=path, args=CHROMIUM_FLAGS)
        try:
            yield made
        finally:
            made.close()


@pytest.mark.parametrize(
    "bent",
    [
        {"wrong_ms": 240_000, "ppm": 80, "step_at_ms": 9000, "step_by_ms": -90_000},
        {"wrong_ms": -420_000, "ppm": -300, "step_at_ms": 12_000, "step_by_ms": 700},
    ],
    ids=["4 min fast, set back", "7 min slow, set on"],
)
def test_a_browser_with_bent_clocks_is_placed_alike(ends: Ends, bent: dict[str, float], tmp_path: Path) -> None:
    """Taps on the page itself: finger, page, queue, board, ledger."""
    rng = Random(int(bent["ppm"]))
    taps = 25
    cookie, _ = ends.accesses[0]
    with browser_at(ends.link, tmp_path) as chromium:
        phone = person(chromium, PHONE, user_agent="phone")
        phone.context.add_init_script(BENT % json.dumps(bent))
        phone.context.add_cookies([{"name": "gaswitness", "value": cookie, "url": f"http://{ends.address}"}])
        phone.goto(f"http://{ends.address}/post?post=DOOR")
        buttons = phone.locator('.press[data-signal="FAN.on"]')
        phone.locator("#clock", has_text="within").wait_for(timeout=60_000)
        for _ in range(taps):
            buttons.nth(rng.randrange(2)).tap()
            phone.wait_for_timeout(rng.uniform(100, 1200))
        end = time.monotonic() + 120.0
        kept: list[dict[str, Any]] = []
        while [one["state"] for one in kept] != ["recorded"] * taps:
            assert time.monotonic() < end, kept
            phone.wait_for_timeout(200)
            kept = sorted(phone.evaluate(KEPT), key=lambda one: one["nth"])
        truly_ms = phone.evaluate("window.truly_ms")
    assert len(truly_ms) == taps
    placed, ahead_s = ends.instants(), time.time() - time.monotonic()
    error_s = np.array([placed[one["mark_id"]] - (ms / 1e3 - ahead_s) for one, ms in zip(kept, truly_ms, strict=True)])
    u_s = np.array([one["u_s"] for one in kept])
    print(bent, np.median(u_s), np.median(error_s), np.max(np.abs(error_s)))
    assert np.mean(np.abs(error_s) <= 2 * u_s) >= CLAIMED
    assert np.max(u_s) < 1.0
