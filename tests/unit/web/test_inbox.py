"""What phones send is counted once, acknowledged when it is on the disk, and answered, wherever the run stands."""

from __future__ import annotations

import asyncio
import contextlib
import time
from pathlib import Path

import pytest

from gaswitness.evidence.late import late_path, read_late
from gaswitness.evidence.ledger import read_ledger
from gaswitness.web import late as web_late
from gaswitness.web.inbox import SERVER, Inbox
from gaswitness.web.late import keep_late
from gaswitness.web.sent import Sent
from support.ledgers import Scene, criterion, small_plan

MARK = {"mark_id": "phone-mark-1", "signal": "FAN.on", "on": True}
READING = {"mark_id": "phone-hand-1", "tag": "A", "value": 0.5}


def stamp(ago_s: float = 0.0) -> dict[str, object]:
    """A phone whose clock is right."""
    return {"load": "load-1", "own_ms": 100_000 - ago_s * 1e3, "wall_ms": time.time() * 1e3 - ago_s * 1e3}


def parcel(*marks: dict, readings: tuple = (), run: str = "R1", server: str = SERVER, ago_s: float = 1.0) -> Sent:
    """Marks with one exchange of clocks, all of `ago_s` ago."""
    exchange = {"server": server, "sent": stamp(ago_s), "took_ms": 10, "server_s": time.monotonic() - ago_s}
    at = stamp(ago_s)
    return Sent(
        run=run,
        post="DOOR",
        marks=tuple({"at": at, **one} for one in marks),
        readings=tuple({"at": at, **one} for one in readings),
        exchanges=(exchange,),
    )


async def take(board, sent: Sent, live=None, name: str = "Ines") -> list[dict]:
    return [dict(one) for one in await Inbox(sent, name, "DOOR", board.folder, live).take()]


def states(answers: list[dict]) -> list[str]:
    return [one["state"] for one in answers]


@pytest.fixture
def ended(board) -> Path:
    """A run that is over, begun long enough ago that its end has passed."""
    path = board.folder.path / "R1.ledger.jsonl"
    path.write_bytes(Scene(small_plan([criterion("effect", point="low", effect="FAN")])).mark("FAN.on", 20.0).written())
    return path


def late_events(path: Path) -> tuple:
    ledger = read_ledger(path.read_bytes())
    return read_late(late_path(path).read_bytes(), ledger, "late").events


# --- the run goes on ---


async def test_a_mark_is_answered_only_once_it_is_written(board, live):
    sent = parcel({**MARK, "signal": "LAMP-1.on"})
    taking = asyncio.create_task(take(board, sent, live))
    press = await anext(live.hands.presses())
    await asyncio.sleep(0.01)
    assert not taking.done()
    live._known[press.mark_id] = press.t_s  # what `committed` does
    live._waiting.pop(press.mark_id).set_result(None)
    (answer,) = await taking
    assert (answer["state"], answer["t_s"]) == ("recorded", round(press.t_s, 3))
    assert states(await take(board, sent, live)) == ["known"]


async def test_one_that_nobody_understands_does_not_hold_up_the_rest(board, live):
    sent = parcel({**MARK, "signal": "NO-SUCH.on"}, {**MARK, "mark_id": "phone-mark-2", "signal": "LAMP-1.on"})
    taking = asyncio.create_task(take(board, sent, live))
    press = await anext(live.hands.presses())
    live.end()
    answers = {one["mark_id"]: one["state"] for one in await taking}
    assert answers == {"phone-mark-1": "refused", press.mark_id: "held"}


async def test_without_an_exchange_with_this_run_of_the_server_it_asks_for_one(board, live):
    assert states(await take(board, parcel({**MARK, "signal": "LAMP-1.on"}, server="before the restart"), live)) == [
        "no-clock"
    ]


async def test_a_run_that_is_not_at_the_board_and_may_go_on_has_its_marks_wait(board):
    path = board.folder.path / "R1.ledger.jsonl"
    for stopped in (None, "stopped"):
        path.write_bytes(Scene(small_plan([])).mark("FAN.on", 20.0).written(stopped))
        assert states(await take(board, parcel(MARK))) == ["held"]
    assert not late_path(path).exists()


async def test_a_run_that_never_was_holds_them_too_and_reaches_no_file_outside(board):
    for run in ("R9", "../R1", "..", "/etc/passwd", ""):
        assert states(await take(board, parcel(MARK, run=run))) == ["held"]


async def test_presses_come_in_as_they_were_pressed_whatever_the_phones_clock_showed(board, ended):
    """Set back by two minutes between two presses: the first one stays the first."""
    sent = parcel(MARK, {**MARK, "mark_id": "phone-mark-2", "on": False})
    first, second = sent.marks
    back = second.at.model_copy(update={"own_ms": second.at.own_ms + 500, "wall_ms": second.at.wall_ms - 120_000})
    await take(board, sent.model_copy(update={"marks": (first, second.model_copy(update={"at": back}))}))
    assert [one.on for one in late_events(ended)] == [True, False]


# --- the run is over ---


async def test_after_the_end_marks_and_readings_are_kept_beside_the_ledger_and_once(board, ended):
    before = ended.read_bytes()
    sent = parcel(MARK, readings=(READING,))
    first, second = await take(board, sent), await take(board, sent)
    assert (states(first), states(second)) == (["late", "late"], ["known", "known"])
    assert [one["t_s"] for one in first] == [one["t_s"] for one in second]
    assert len(late_events(ended)) == 2
    assert ended.read_bytes() == before


async def test_a_mark_that_the_ledger_has_is_known_after_the_end(board, ended):
    (answer,) = await take(board, parcel({**MARK, "mark_id": "m1-in-the-ledger"}))
    assert answer["state"] == "late"
    (known,) = [one for one in read_ledger(ended.read_bytes()).events if one.kind == "mark"]
    kept, fresh = keep_late(ended, known.model_copy(update={"t_s": 99.0}))
    assert (kept, fresh) == (known, False)


async def test_a_reading_sent_again_with_a_better_known_clock_is_still_the_same(board, ended):
    first = parcel(readings=(READING,), ago_s=2.0)
    await take(board, first)
    moved = first.model_copy(
        update={"exchanges": (first.exchanges[0].model_copy(update={"server_s": first.exchanges[0].server_s + 0.4}),)}
    )
    assert states(await take(board, moved)) == ["known"]
    assert len(late_events(ended)) == 1


async def test_the_same_reading_a_minute_later_is_another_one(board, ended):
    await take(board, parcel(readings=(READING,), ago_s=100.0))
    assert states(await take(board, parcel(readings=({**READING, "mark_id": "phone-hand-2"},), ago_s=40.0))) == ["late"]
    assert len(late_events(ended)) == 2


async def test_many_phones_at_once_each_count_once(board, ended):
    parcels = [parcel({**MARK, "mark_id": f"phone-mark-{n}"}) for n in range(12)]
    answers = await asyncio.gather(*(take(board, one) for one in parcels for _ in range(2)))
    assert sorted(state for one in answers for state in states(one)) == ["known"] * 12 + ["late"] * 12
    assert len({one.mark_id for one in late_events(ended)}) == 12


# --- torn files ---


@pytest.mark.parametrize("cut", [1, 40, 200])
async def test_a_plug_pulled_while_writing_costs_nothing_that_was_acknowledged(board, ended, cut):
    """The first mark was acknowledged, the second one is torn: the phone still has it, and sends it again."""
    await take(board, parcel(MARK))
    whole = late_path(ended).read_bytes()
    await take(board, parcel({**MARK, "mark_id": "phone-mark-2"}))
    second = late_path(ended).read_bytes()[len(whole) :]
    late_path(ended).write_bytes(whole + second[:cut])
    assert states(await take(board, parcel({**MARK, "mark_id": "phone-mark-2"}))) == ["late"]
    assert states(await take(board, parcel({**MARK, "mark_id": "phone-mark-3"}))) == ["late"]
    assert [one.mark_id for one in late_events(ended)] == ["phone-mark-1", "phone-mark-2", "phone-mark-3"]
    assert late_path(ended).read_bytes().startswith(whole + second[:cut] + b"\n"), "what was torn stays"


async def test_only_the_newline_is_missing(board, ended):
    """Written to its last byte but one: it counts, and the next one does not run into it."""
    await take(board, parcel(MARK))
    late_path(ended).write_bytes(late_path(ended).read_bytes()[:-1])
    assert states(await take(board, parcel(MARK, {**MARK, "mark_id": "phone-mark-2"}))) == ["known", "late"]
    assert len(late_events(ended)) == 2


async def test_while_somebody_else_writes_nothing_is_acknowledged(board, ended):
    await take(board, parcel(MARK))
    with web_late.LedgerFile.reopen(late_path(ended)), pytest.raises(Exception, match="another run is writing"):
        await take(board, parcel({**MARK, "mark_id": "phone-mark-2"}))
    assert len(late_events(ended)) == 1


async def test_a_disk_that_is_full_acknowledges_nothing(board, ended, monkeypatch):
    def full(self: object, lines: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(web_late.LedgerFile, "append", full)
        with pytest.raises(OSError, match="No space"):
            await take(board, parcel(MARK))
    assert states(await take(board, parcel(MARK))) == ["late"]


async def test_late_marks_that_were_altered_take_no_more(board, ended):
    await take(board, parcel(MARK))
    late_path(ended).write_bytes(late_path(ended).read_bytes().replace(b"Ines", b"Inez"))
    with pytest.raises(Exception, match="was altered"):
        await take(board, parcel({**MARK, "mark_id": "phone-mark-2"}))


async def test_a_typed_reading_is_acknowledged_only_once_it_is_on_the_disk(board, live):
    """Recorded is not yet on the disk: sent again in between, it must not be called known."""
    from gaswitness.run.events import ReadingTaken
    from gaswitness.run.ports import ReadingWish

    wish = ReadingWish("Ines", "CO-1", 30.0, 5.0)
    first = asyncio.create_task(live.accept_reading("phone-hand-1", wish))
    await asyncio.sleep(0)
    live.recorded(
        ReadingTaken(
            t_s=5.0, wall="2026-11-25T09:00:05Z", tag="CO-1", value_ppm=30.0, source_t_s=5.0, quality="by-hand"
        )
    )
    again = asyncio.create_task(live.accept_reading("phone-hand-1", wish))
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(asyncio.shield(again), 0.05)
    assert not again.done()
    live.committed()
    assert (await first).state == "recorded"
    assert (await again).state in ("recorded", "known")
