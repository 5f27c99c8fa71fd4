"""The recorder: what is on the disk after each batch, and how a torn ledger is gone on with."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gaswitness.cli.recording import Recorder, new_path, unfinished
from gaswitness.errors import InputError
from gaswitness.evidence.ledger import read_ledger
from gaswitness.run.events import NoteTaken, RunResumed, RunStarted, RunStopped
from support.bench import make_plan, make_site

WALL = "2026-01-01T00:00:00.000Z"


@pytest.fixture(scope="module")
def plan(repo: Path):
    return make_plan(make_site((repo / "examples" / "cellar.yaml").read_text("utf-8")))


def started(plan) -> RunStarted:
    return RunStarted(t_s=0.0, wall=WALL, run_id="r1", plan=plan, link="bench:", operator="MK", software="test")


def note(t_s: float) -> NoteTaken:
    return NoteTaken(t_s=t_s, wall=WALL, by="MK", text="x" * 50)


def write(path: Path, *events) -> bytes:
    recorder = Recorder(path)
    for event in events:
        recorder.record(event)
    recorder.commit()
    recorder.close()
    return path.read_bytes()


def test_a_batch_is_on_the_disk_when_commit_returns_and_not_before(plan, tmp_path) -> None:
    path = tmp_path / "r1.ledger.jsonl"
    recorder = Recorder(path)
    recorder.record(started(plan))
    recorder.record(note(1.0))
    assert not path.exists(), "no file before there is something to keep"
    recorder.commit()
    assert len(read_ledger(path.read_bytes()).events) == 2
    recorder.close()


@pytest.mark.parametrize("cut", [1, 2, 20, 100, 150])
def test_a_torn_tail_stays_and_the_chain_goes_on_behind_it(plan, tmp_path, cut) -> None:
    path = tmp_path / "r1.ledger.jsonl"
    torn = write(path, started(plan), note(1.0), note(2.0))[:-cut]
    path.write_bytes(torn)
    recorder, ledger = Recorder.going_on(path)
    recorder.record(RunResumed(t_s=9.0, wall=WALL, gap_s=7.0, torn_bytes=ledger.torn_bytes, operator="MK"))
    recorder.record(note(10.0))
    recorder.commit()
    recorder.close()
    data = path.read_bytes()
    assert data.startswith(torn), "what a crash left is not touched"
    again = read_ledger(data)
    assert again.restarts == 1
    assert again.torn_bytes == 0
    assert bool(again.torn_lines) == (cut > 1)
    assert len(again.events) == (5 if cut == 1 else 4)


def test_torn_twice_it_still_goes_on(plan, tmp_path) -> None:
    path = tmp_path / "r1.ledger.jsonl"
    write(path, started(plan), note(1.0))
    chance = random.Random(1)
    for round_number in range(6):
        data = path.read_bytes()
        path.write_bytes(data[: len(data) - chance.randint(0, 80)])
        recorder, ledger = Recorder.going_on(path)
        recorder.record(
            RunResumed(t_s=9.0 + round_number, wall=WALL, gap_s=1.0, torn_bytes=ledger.torn_bytes, operator="MK")
        )
        recorder.record(note(10.0 + round_number))
        recorder.commit()
        recorder.close()
    assert read_ledger(path.read_bytes()).restarts >= 1


def test_two_runs_cannot_go_on_with_one_ledger(plan, tmp_path) -> None:
    path = tmp_path / "r1.ledger.jsonl"
    write(path, started(plan))
    recorder, _ = Recorder.going_on(path)
    with pytest.raises(InputError, match="another run"):
        Recorder.going_on(path)
    recorder.close()


def test_names_do_not_collide_and_a_stopped_run_is_found_before_a_finished_one(plan, tmp_path) -> None:
    now = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
    first = new_path(tmp_path, "Cider cellar", now)
    write(first, started(plan), RunStopped(t_s=5.0, wall=WALL, outcome="stopped"))
    second = new_path(tmp_path, "Cider cellar", now)
    assert second != first
    write(second, started(plan), RunStopped(t_s=5.0, wall=WALL, outcome="complete"))
    assert unfinished(tmp_path, plan) == first
    (tmp_path / "garbage.ledger.jsonl").write_bytes(b"garbage")
    first.unlink()
    with pytest.raises(InputError, match=r"garbage\.ledger\.jsonl"):
        unfinished(tmp_path, None)
