"""`gaswitness run` as a process: over the wire to the rig, and to a server that is not ours; stopped by a signal."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from pyModbusTCP.server import ModbusServer

from gaswitness.evidence.ledger import read_ledger
from gaswitness.plan import build_plan
from gaswitness.run.events import MarkMade, ReadingTaken, StatusSeen, StopAsked
from support.processes import rig
from support.rigs import cellar, free_port, link_spec

RUN = [sys.executable, "-m", "gaswitness", "run"]


def plan_file(folder: Path, site=None, tags=("CO2-A",)) -> Path:
    path = folder / "plan.json"
    plan = build_plan(site or cellar(), tags=tags, made=datetime(2026, 1, 1, tzinfo=UTC), today=date(2026, 1, 1))
    path.write_text(plan.model_dump_json(), "utf-8")
    return path


def test_over_the_wire_at_the_rigs_own_speed(repo: Path, tmp_path: Path) -> None:
    with rig(repo / "examples" / "cellar.yaml", 300.0) as (link, control):
        command = [*RUN, str(plan_file(tmp_path)), "--link", link, "--rig", control, "--assume-yes", "--json"]
        done = subprocess.run([*command, "--out", str(tmp_path)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["outcome"] == "complete"
    assert said["standing_inhibits"] == []
    assert said["next"] == f"gaswitness judge {said['ledger']}"
    ledger = read_ledger(Path(said["ledger"]).read_bytes())
    assert ledger.started.simulated
    assert ledger.started.speed == 300.0
    assert any(isinstance(event, MarkMade) for event in ledger.events), "the rig's witnesses press"


def test_two_at_once_and_a_vote_over_the_wire(repo: Path, tmp_path: Path) -> None:
    """Plan, run and judge as commands, the panel over real Modbus TCP."""
    site, plan = repo / "examples" / "coldstore.yaml", tmp_path / "plan.json"
    chosen = ["--detector", "CS-1", "--detector", "CS-2", "--together", "CS-1,CS-2", "--votes", "first"]
    gaswitness = [sys.executable, "-m", "gaswitness"]
    subprocess.run([*gaswitness, "plan", str(site), *chosen, "-o", str(plan)], capture_output=True, check=True)
    with rig(site, 120.0) as (link, control):
        command = [*RUN, str(plan), "--link", link, "--rig", control, "--assume-yes", "--json", "--out", str(tmp_path)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    judged = subprocess.run(
        [*gaswitness, "judge", json.loads(done.stdout)["ledger"], "--json"], capture_output=True, text=True
    )
    assert judged.returncode == 0, judged.stdout
    found = json.loads(judged.stdout)
    assert [(one["tag"], one["outcome"]) for one in found["groups"]] == [("HALL-VOTE", "pass")]
    assert ("HALL-VOTE", "EXTRACT", "pass") in {(e["cause"], e["effect"], e["outcome"]) for e in found["effects"]}


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal to send there")
def test_a_server_that_is_not_ours_is_read_and_a_signal_stops_the_run_in_order(tmp_path: Path) -> None:
    port = free_port()
    registers = [{"signal": "CO2-A.reading", "function": 4, "address": 40, "type": "uint16", "scale": 10.0}]
    bits = [{"signal": "CO2-A.low", "function": 1, "address": 7, "inverted": True}]
    spec = link_spec(f"modbus-tcp://127.0.0.1:{port}", registers, bits)
    site = cellar().model_copy(update={"links": (spec,)})
    server = ModbusServer(host="127.0.0.1", port=port, no_block=True)
    server.start()
    try:
        server.data_bank.set_input_registers(40, [61])
        server.data_bank.set_coils(7, [True])
        with subprocess.Popen(
            [*RUN, str(plan_file(tmp_path, site)), "--assume-yes", "--out", str(tmp_path)],
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            ledgers: list[Path] = []
            while not ledgers or ledgers[0].read_bytes().count(b'"kind":"reading"') < 3:
                ledgers = list(tmp_path.glob("*.ledger.jsonl"))
                assert process.poll() is None, process.stderr.read() if process.stderr else ""
                time.sleep(0.05)
            process.send_signal(signal.SIGINT)
            _, said = process.communicate(timeout=60)
        assert process.returncode == 1, said
        assert "gaswitness run --resume" in said
    finally:
        server.stop()
    ledger = read_ledger(ledgers[0].read_bytes())
    readings = [event for event in ledger.events if isinstance(event, ReadingTaken)]
    assert {event.value_ppm for event in readings} == {610.0}
    assert [(e.signal, e.on) for e in ledger.events if isinstance(e, StatusSeen)] == [("CO2-A.low", False)]
    assert any(isinstance(event, StopAsked) for event in ledger.events)
    assert ledger.stopped is not None
    assert ledger.stopped.outcome == "stopped"
    assert not ledger.started.simulated
