"""The live page with two detectors under gas at once and a vote on trial, at a desk and on a phone."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from support.boards import DESK, PHONE, board, browser, chromium, command, invite, join, person, take_desk
from support.ledgers_on_disk import only_ledger
from support.processes import rig

SPEED = 20.0
STRIPS = "#strips [data-tag]"


def make_a_real_alarm(control: str, tag: str) -> None:
    """Gas at a detector that nobody tests."""
    with socket.create_connection(("127.0.0.1", int(control.rpartition(":")[2])), timeout=10) as wire:
        lines = wire.makefile("rw", encoding="utf-8")
        lines.readline()
        lines.write(json.dumps({"id": 1, "command": {"do": "inject", "fault": f"offset:{tag}:0.3"}}) + "\n")
        lines.flush()
        assert not json.loads(lines.readline())["error"]


def test_two_strips_and_a_vote_in_words(repo: Path, tmp_path: Path, output: Path) -> None:
    """One run, watched at a desk and on a phone, and from a post."""
    chromium()
    site, plan = repo / "examples" / "coldstore.yaml", tmp_path / "cold.plan.json"
    command(
        "plan", str(site), "--detector", "CS-1", "--detector", "CS-2", "--together", "CS-1,CS-2",
        "--votes", "first", "-o", str(plan),
    )  # fmt: skip
    started = ["--folder", str(tmp_path), "--run", str(plan), "--operator", "Mira K.", "--speed", str(SPEED)]
    with (
        rig(site, SPEED) as (link, control),
        board(*started, "--assume-yes", "--link", link, "--rig", control) as served,
        browser() as made,
    ):
        base = f"http://127.0.0.1:{served.port}"
        desk = person(made, DESK)
        take_desk(desk, served.desk)
        phone, post = person(made, PHONE), person(made, PHONE)
        join(phone, invite(desk, base, "AT-PANEL"), "Noor")
        join(post, invite(desk, base, "YARD"), "Ole")
        for page in (desk, phone):
            page.goto(f"{base}/live")
        for page in (desk, phone, post):
            page.set_default_timeout(120_000)
        for page, size, name in ((desk, DESK, "desk"), (phone, PHONE, "phone")):
            two_strips(page)
            page.screenshot(path=output / f"together-{name}.png", full_page=size is PHONE)
            boxes = [page.locator(STRIPS).nth(i).bounding_box() for i in range(2)]
            across = boxes[0]["x"] + boxes[0]["width"] <= boxes[1]["x"] + 1 and abs(boxes[0]["y"] - boxes[1]["y"]) < 2
            stacked = boxes[0]["y"] + boxes[0]["height"] <= boxes[1]["y"] + 1
            assert across if name == "desk" else stacked, "side by side on a desk, one over the other on a phone"
            assert all(box["x"] >= 0 and box["x"] + box["width"] <= size["width"] + 1 for box in boxes), "on the screen"
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth + 1"), "nothing to the side"
        make_a_real_alarm(control, "MR-1")
        told = desk.locator("#alarms", has_text="MR-1")
        told.wait_for()
        assert "treat as real" in told.inner_text()
        for page, size, name in ((desk, DESK, "desk"), (phone, PHONE, "phone")):
            page.locator("#step-text", has_text="2 of 3 are needed").wait_for()
            page.locator("#votes", has_text="1 of 2 needed in alarm").wait_for()
            assert "must not act" in page.locator("#votes").inner_text()
            page.screenshot(path=output / f"vote-{name}.png", full_page=size is PHONE)
        post.locator("#now-beside", has_text="HALL-VOTE").wait_for()
        post.locator("#watch .press", has_text="Extract fan").first.wait_for()
        desk.locator("#votes", has_text="2 of 2 needed in alarm").wait_for()
        desk.locator("#ended").wait_for()
        recorded = only_ledger(tmp_path)
        assert recorded.stopped.outcome == "complete"
        judgement = judge(series_of(recorded))
        assert [verdict.outcome for verdict in judgement.groups] == ["pass"]
        assert judgement.outcome == "fail", "the real alarm is on record too"


def two_strips(page: Any) -> None:
    """Both detectors under gas, each with its own picture."""
    page.wait_for_function(
        "s => document.querySelectorAll(s).length === 2 &&"
        " [...document.querySelectorAll(s)].every((one) => one.textContent.includes('gas open'))",
        arg=STRIPS,
    )
    cards = page.locator(STRIPS)
    assert [cards.nth(i).get_attribute("data-tag") for i in range(2)] == ["CS-1", "CS-2"]
    for i in range(2):
        card = cards.nth(i)
        card.locator("svg .trace").wait_for(state="attached")
        assert card.locator("svg .band").count() == 1, "the predicted band"
        assert card.locator("svg .set").count() == 2, "both set levels"
        assert card.locator("svg .clear").count() == 2, "and clear levels"
        assert "ppm" in card.locator('[data-part="reading"]').inner_text()
        assert card.get_attribute("aria-labelledby")
