"""The board as people use it: a process on the rig, a desk that joins over HTTP or TLS, a run watched to its end."""

from __future__ import annotations

import json
import re
import ssl
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.history.files import write_whole
from support.processes import rig, start
from support.rigged import example_plan

SPEED = 60.0
PATIENCE_S = 120.0


@contextmanager
def served(words: list[str], log: Path) -> Iterator[str]:
    """A board in a process; gives the address that takes the desk, which it prints once."""
    process = start(["board", "--port", "0", "--host", "127.0.0.1", *words], log)
    try:
        until = time.monotonic() + PATIENCE_S
        while (
            found := re.search(r"^desk (\S+)", log.read_text("utf-8") if log.exists() else "", re.MULTILINE)
        ) is None:
            assert process.is_alive(), log.read_text("utf-8")
            assert time.monotonic() < until, log.read_text("utf-8")
            time.sleep(0.1)
        yield found[1]
    finally:
        process.terminate()
        process.join(timeout=30)
        assert not process.is_alive()


def desk(address: str, client: httpx.Client) -> str:
    """Take the desk; gives the address of the board."""
    base, _, token = address.partition("/join/")
    answer = client.post(f"{base}/join", data={"token": token, "name": "M. Kerr"})
    assert answer.status_code == 303
    return base


def test_a_run_is_watched_from_the_desk_to_its_result(tmp_path, repo):
    plan = tmp_path / "plan.json"
    write_whole(plan, example_plan("cellar.yaml", ("CO2-A",)).model_dump_json().encode())
    with rig(repo / "examples" / "cellar.yaml", SPEED) as (link, control):
        words = ["--folder", str(tmp_path), "--run", str(plan), "--link", link, "--rig", control, "--assume-yes"]
        words += ["--operator", "M. Kerr"]
        with served(words, tmp_path / "board.log") as address, httpx.Client(timeout=PATIENCE_S) as client:
            base = desk(address, client)
            events: list[tuple[str, dict]] = []
            with client.stream("GET", f"{base}/events") as stream:
                assert stream.headers["content-type"].startswith("text/event-stream")
                name = ""
                for line in stream.iter_lines():
                    name = line.removeprefix("event: ") if line.startswith("event: ") else name
                    if line.startswith("data: "):
                        events.append((name, json.loads(line.removeprefix("data: "))))
                    if name == "over":
                        break
            nows = [document for kind, document in events if kind == "now"]
            assert nows[-1]["ended"] == "complete"
            tests = [test for one in nows for test in one["tests"]]
            samples = [sample for one in tests for sample in one["samples"]]
            assert len(samples) > 100
            assert any(one["gas"] for one in tests)
            [ledger] = tmp_path.glob("*.ledger.jsonl")
            assert read_ledger(ledger.read_bytes(), ledger.name).stopped.outcome == "complete"
            assert "CO2-A" in client.get(f"{base}/result/{ledger.name}").text


def test_a_board_that_is_ended_leaves_the_run_safe_first(tmp_path, repo):
    plan = tmp_path / "plan.json"
    write_whole(plan, example_plan("cellar.yaml", ("CO2-A",)).model_dump_json().encode())
    with rig(repo / "examples" / "cellar.yaml", 10.0) as (link, control):
        words = ["--folder", str(tmp_path), "--run", str(plan), "--link", link, "--rig", control, "--assume-yes"]
        with served(words, tmp_path / "board.log") as address, httpx.Client(timeout=PATIENCE_S) as client:
            base = desk(address, client)
            with client.stream("GET", f"{base}/events") as stream:
                for line in stream.iter_lines():
                    told = json.loads(line.removeprefix("data: ")) if line.startswith("data: ") else None
                    if isinstance(told, dict) and any(one["gas"] is not None for one in told.get("tests", ())):
                        break
    [ledger] = tmp_path.glob("*.ledger.jsonl")
    events = read_ledger(ledger.read_bytes(), ledger.name).events
    assert events[-1].outcome == "stopped"
    assert [event.on for event in events if event.kind == "gas"] == [True, False]


def test_the_board_encrypts_with_its_own_certificate(tmp_path):
    with served(["--folder", str(tmp_path), "--tls"], tmp_path / "board.log") as address:
        assert address.startswith("https://127.0.0.1:")
        context = ssl.create_default_context(cafile=str(tmp_path / "board.crt.pem"))
        with httpx.Client(verify=context, timeout=PATIENCE_S) as client:
            base = desk(address, client)
            answer = client.get(f"{base}/people")
            assert answer.status_code == 200
            assert "strict-transport-security" in answer.headers
            fingerprint = re.search(r"(?:[0-9A-F]{2}:){31}[0-9A-F]{2}", answer.text)
            assert fingerprint is not None
            assert fingerprint[0] in (tmp_path / "board.log").read_text("utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--folder", "no/such/folder"], "no such folder"),
        (["--run", "no-such-plan.json"], "no-such-plan.json"),
        (["--host", "203.0.113.1"], "could not listen"),
    ],
)
def test_what_cannot_be_served_is_told_in_one_message(tmp_path, monkeypatch, words, said):
    from typer.testing import CliRunner

    from gaswitness.cli.main import app

    monkeypatch.chdir(tmp_path)
    answer = CliRunner().invoke(app, ["board", "--port", "0", "--host", "127.0.0.1", *words])
    assert answer.exit_code != 0
    assert said in f"{answer.exception}"
