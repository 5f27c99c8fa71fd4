"""Names and notes that look like parts of a page are shown as they were written, also by what scripts draw."""

from __future__ import annotations

from pathlib import Path

from gaswitness.history.files import write_whole
from support.boards import DESK, PHONE, board, browser, invite, join, person, take_desk
from support.ledgers import criterion, small_plan
from support.ledgers_on_disk import only_ledger
from support.poison import POISON, poisoned_site


def test_what_a_site_a_witness_or_a_note_says_never_becomes_part_of_a_page(tmp_path: Path) -> None:
    site = poisoned_site()
    steps = small_plan([], site=site).steps
    told = tuple(one.model_copy(update={"text": f"{one.kind} {POISON}"}) for one in steps)
    asked = criterion("effect", point="low", effect="FAN", upper=5.0, unit="s", text=POISON)
    plan = small_plan([asked], site=site).model_copy(update={"steps": told, "cautions": (POISON,)})
    write_whole(tmp_path / "p.json", plan.model_dump_json().encode())
    words = ["--folder", str(tmp_path), "--run", str(tmp_path / "p.json"), "--link", "by-hand:", "--operator", POISON]
    with browser() as chromium, board(*words) as served:
        base = f"http://127.0.0.1:{served.port}"
        desk, phone = person(chromium, DESK), person(chromium, PHONE)
        violations: list[str] = []
        for page in (desk, phone):
            page.on("console", lambda said: violations.append(said.text) if "Content Security" in said.text else None)
            page.on("dialog", lambda dialog: violations.append(dialog.message))
        take_desk(desk, served.desk, POISON)
        join(phone, invite(desk, base, "DOOR"), POISON)
        phone.locator("#other").tap()
        phone.fill("#other-note", POISON)
        phone.locator("#other-keep").tap()
        phone.locator('.press[data-signal="FAN.on"]').first.tap()
        phone.locator("#past li[data-state=recorded]").nth(1).wait_for(timeout=60_000)
        phone.locator("#now-step", has_text="planted").wait_for()
        assert phone.locator("planted").count() == 0
        for path in ("/live", "/people", "/"):
            desk.goto(base + path)
            desk.get_by_text("planted").first.wait_for()
            assert desk.locator("planted").count() == 0, path
        (ledger,) = tmp_path.glob("*.ledger.jsonl")
        desk.goto(f"{base}/result/{ledger.name}")
        desk.get_by_text("planted").first.wait_for()
        assert desk.locator("planted").count() == 0
        assert violations == []
    assert POISON in {one.note for one in only_ledger(tmp_path).events if one.kind == "mark"}
