"""The result page of a run whose judging was reopened by marks that came in after its end."""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from gaswitness.certify.verify import verify
from gaswitness.web.late import keep_late
from support.late import LEDGER_BYTES, pressed

NAME = "R1.ledger.jsonl"


@pytest.fixture
def folder(board):
    board.key = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    (board.folder.path / NAME).write_bytes(LEDGER_BYTES)
    return board.folder.path


async def test_a_late_mark_reopens_the_judging_and_the_earlier_certificate_stays(folder, joined):
    async with joined() as browser:
        before = (await browser.get(f"/result/{NAME}")).text
        assert "Judged again" not in before
        assert (await browser.send_form(f"/result/{NAME}/certify")).status_code == 303
        (earlier,) = folder.glob("*.evidence.zip")
        bytes_then = earlier.read_bytes()

        keep_late(folder / NAME, pressed())
        page = (await browser.get(f"/result/{NAME}")).text
        assert "came in after the run had ended: 1." in page
        assert "When the run ended it was:" in page
        assert page.count("a newer judgement exists") == 2, "the earlier paper and its bundle"

        assert (await browser.send_form(f"/result/{NAME}/certify")).status_code == 303
        page = (await browser.get(f"/result/{NAME}")).text
        assert page.count("a newer judgement exists") == 2
        (later,) = set(folder.glob("*.evidence.zip")) - {earlier}
        assert earlier.read_bytes() == bytes_then
        first, second = verify(bytes_then, "earlier"), verify(later.read_bytes(), "later")
        assert (first.rejudged, first.late, second.rejudged, second.late) == ("same", 0, "same", 1)
        assert (first.outcome, second.outcome, second.outcome_at_end) == ("not tested", "pass", "not tested")


async def test_the_desk_tells_of_a_run_whose_judging_was_reopened(folder, joined):
    async with joined() as browser:
        assert "marks came in late" not in (await browser.get("/")).text
        keep_late(folder / NAME, pressed())
        assert "marks came in late" in (await browser.get("/")).text


async def test_a_second_late_mark_makes_that_certificate_an_earlier_one_too(folder, joined):
    async with joined() as browser:
        keep_late(folder / NAME, pressed())
        await browser.send_form(f"/result/{NAME}/certify")
        assert "a newer judgement exists" not in (await browser.get(f"/result/{NAME}")).text
        keep_late(folder / NAME, pressed("late-2", 240.0, on=False, pattern=None))
        page = (await browser.get(f"/result/{NAME}")).text
        assert "came in after the run had ended: 2." in page
        assert "a newer judgement exists" in page


async def test_a_page_that_is_open_can_ask_how_much_came_in_meanwhile(folder, joined):
    async with joined() as browser:
        assert 'data-bytes="0"' in (await browser.get(f"/result/{NAME}")).text
        assert (await browser.get(f"/result/{NAME}/late")).json() == {"bytes": 0}
        keep_late(folder / NAME, pressed())
        kept = (folder / "R1.late-marks.jsonl").stat().st_size
        assert (await browser.get(f"/result/{NAME}/late")).json() == {"bytes": kept}
        assert f'data-bytes="{kept}"' in (await browser.get(f"/result/{NAME}")).text


async def test_late_marks_that_cannot_be_trusted_are_said_and_nothing_is_certified(folder, joined):
    keep_late(folder / NAME, pressed())
    late = folder / "R1.late-marks.jsonl"
    late.write_bytes(late.read_bytes().replace(b"Ines", b"Inez"))
    async with joined() as browser:
        page = await browser.get(f"/result/{NAME}")
        assert page.status_code == 400
        assert "was altered" in page.text
        assert (await browser.send_form(f"/result/{NAME}/certify")).status_code == 400
    assert not list(folder.glob("*.evidence.zip"))
