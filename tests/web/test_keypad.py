"""The keypad where two displays are read at once: it says whose reading it takes, and keeps to it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from support.boards import PHONE, board, browser, invite, join, person, take_desk


def now(first: str, *others: str, words: str = "Wait") -> str:
    """What a post is told while these are under test, the step's own first."""
    document: dict[str, Any] = {
        "t": 100.0, "polled": 100.0, "ended": None, "stopping": None, "here": False, "watched": [],
        "step": {"id": f"{first}/await-set/low", "text": f"{words} for {first}.", "tag": first}, "points": [],
        "reading": None, "digits": 0,
        "by_hand": [{"tag": tag, "unit": "ppm"} for tag in (first, *others)], "next": None, "tests": [], "votes": [],
        "gas": first, "may_shut": False, "who": [], "link": True, "elsewhere": [], "urgent": [],
    }  # fmt: skip
    return f"retry: 200\nevent: now\ndata: {json.dumps(document)}\n\n"


def test_digits_belong_to_the_detector_that_stood_there_when_they_were_begun(
    cellar: tuple[Path, Path], tmp_path: Path, output: Path
) -> None:
    words = ["--folder", str(tmp_path), "--run", str(cellar[1]), "--link", "by-hand:", "--operator", "Mira K."]
    said = {"now": now("CO2-A", "CO2-B")}
    sent: list[tuple[str, float]] = []
    with board(*words) as served, browser() as made:
        desk, phone = person(made, {"width": 1280, "height": 800}), person(made, PHONE)
        take_desk(desk, served.desk)
        phone.route(
            "**/post/events*",
            lambda route: route.fulfill(body=said["now"], content_type="text/event-stream; charset=utf-8"),
        )
        phone.on(
            "request",
            lambda request: (
                sent.extend((one["tag"], one["value"]) for one in request.post_data_json["readings"])
                if request.url.endswith("/post/marks") and request.method == "POST"
                else None
            ),
        )
        join(phone, invite(desk, f"http://127.0.0.1:{served.port}", "DOOR"), "Ida")
        which = phone.locator("#hand-tag button")
        which.nth(1).wait_for()
        assert which.all_inner_texts() == ["CO2-A", "CO2-B"]

        def pressed() -> str:
            return str(phone.locator('#hand-tag button[aria-pressed="true"]').inner_text())

        def enter(digits: str) -> None:
            for digit in digits:
                phone.locator(f'.keys [data-key="{digit}"]').tap()

        assert pressed() == "CO2-A"
        enter("61")
        said["now"] = now("CO2-B", "CO2-A")  # the step goes on while a finger is on its way
        phone.locator("#now-step", has_text="CO2-B").wait_for()
        assert pressed() == "CO2-A"
        enter("0")
        phone.locator("#hand-now").tap()
        which.nth(1).tap()
        assert pressed() == "CO2-B"
        enter("598")
        phone.screenshot(path=output / "keypad.png", full_page=True)
        phone.locator("#hand-now").tap()
        said["now"] = now("CO2-A")
        phone.wait_for_function("() => document.querySelector('#hand-tag').textContent === 'CO2-A'")
        enter("7")
        phone.locator("#hand-now").tap()
        phone.locator("#past li", has_text="CO2-A: 7 ppm").wait_for()
        phone.wait_for_timeout(500)
    assert list(dict.fromkeys(sent)) == [("CO2-A", 610), ("CO2-B", 598), ("CO2-A", 7)]


def test_nothing_moves_under_a_finger_that_is_on_its_way(cellar: tuple[Path, Path], tmp_path: Path) -> None:
    """Once a longer step came between touching and letting go, and the press went beside the button."""
    words = ["--folder", str(tmp_path), "--run", str(cellar[1]), "--link", "by-hand:", "--operator", "Mira K."]
    said = {"now": now("CO2-A")}
    with board(*words) as served, browser() as made:
        desk, phone = person(made, {"width": 1280, "height": 800}), person(made, PHONE)
        take_desk(desk, served.desk)
        phone.route(
            "**/post/events*",
            lambda route: route.fulfill(body=said["now"], content_type="text/event-stream; charset=utf-8"),
        )
        join(phone, invite(desk, f"http://127.0.0.1:{served.port}", "DOOR"), "Ida")
        phone.locator("#now-step", has_text="Wait for CO2-A").wait_for()
        phone.locator("#clock", has_text="within").wait_for()
        phone.wait_for_timeout(500)  # until all else has found its place
        button = phone.locator("#present")
        box = button.bounding_box()
        phone.mouse.move(box["x"] + 20, box["y"] + 20)
        phone.mouse.down()
        said["now"] = now("CO2-B", words="Wait ever so long " * 30)
        phone.wait_for_timeout(1000)
        assert button.bounding_box() == box
        phone.mouse.up()
        phone.locator('#present[aria-pressed="true"]').wait_for()
        phone.locator("#now-step", has_text="ever so long").wait_for()
        assert button.bounding_box()["y"] > box["y"]
