"""Make the six pictures of the board in docs/pictures again: the invented ice rink, in Debian's browser."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

REPO = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(REPO / "tests"))
PICTURES = REPO / "docs" / "pictures"
SPEED = 5.0
FAULTS = ("stuck:STORE-BEACON", "crossed-effects:LAMP-6:LAMP-7")
"""What is wrong at the rink whose result is shown, so that something is left to do."""


def gaswitness(*words: str) -> None:
    """One command; what it found wrong is no matter here."""
    subprocess.run([sys.executable, "-m", "gaswitness", *words], check=False, capture_output=True)


def main() -> None:
    """One board with one run going on and one gone through."""
    from support.boards import DESK, PHONE, board, browser, invite, join, person, take_desk
    from support.processes import rig
    from support.rigged import example_plan, visit

    site = REPO / "examples" / "ravensmoor.yaml"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "ice-rink"
        folder.mkdir()
        (folder / site.name).write_bytes(site.read_bytes())
        whole = example_plan(site.name)
        ledger = folder / "20261125T090000Z-ravensmoor-ice-rink.ledger.jsonl"
        ledger.write_bytes(visit(whole, faults=FAULTS))
        key = Path(name) / "demo.key"
        gaswitness("keys", "new", "-o", str(key))
        gaswitness("certify", str(ledger), "--key", str(key), "-o", str(folder))
        plan = folder / "one.plan.json"
        gaswitness("plan", str(site), "--detector", "NH3-1", "-o", str(plan))
        words = ["--folder", str(folder), "--run", str(plan), "--speed", str(SPEED), "--operator", "Mira K."]
        with (
            rig(site, SPEED) as (link, hands),
            board(*words, "--link", link, "--rig", hands) as served,
            browser() as made,
        ):
            base = f"http://127.0.0.1:{served.port}"
            desk, phone = person(made, DESK), person(made, PHONE)
            dark = person(made, PHONE, color_scheme="dark", locale="de-DE")
            take_desk(desk, served.desk)
            desk.screenshot(path=PICTURES / "board-desk.png")
            join(phone, invite(desk, base, "PLANT-DOOR"), "Noor")
            join(dark, invite(desk, base, "AT-PANEL"), "Ines")
            for one in (phone, dark):
                one.locator("#present").tap()
            desk.goto(f"{base}/site/{site.name}")
            desk.screenshot(path=PICTURES / "board-site.png")
            desk.goto(f"{base}/live")
            for _ in range(240):
                if desk.locator("#agreed").is_visible():
                    desk.check("#agreed")
                if desk.locator("#done").is_visible() and desk.locator("#done").is_enabled():
                    desk.click("#done")
                desk.wait_for_timeout(250)
                level = desk.locator('[data-part="level"]').first.inner_text()
                if phone.locator("#watch .press").count() and "alarm" in level and "no alarm" not in level:
                    break
            desk.screenshot(path=PICTURES / "board-live.png")
            phone.locator(".press", has_text="flashing").first.tap()
            phone.locator("#past li[data-state=recorded]").nth(1).wait_for()
            for one, to in ((phone, "board-post.png"), (dark, "board-post-dark.png")):
                one.evaluate("scrollTo(0, 0)")
                one.screenshot(path=PICTURES / to)
            desk.goto(f"{base}/result/20261125T090000Z-ravensmoor-ice-rink.ledger.jsonl")
            desk.screenshot(path=PICTURES / "board-result.png")


if __name__ == "__main__":
    main()
