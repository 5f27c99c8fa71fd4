"""A run that is killed at random instants: nothing recorded is lost or rewritten, and the run goes on to its end."""

from __future__ import annotations

import random
import sys
import time
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from gaswitness.evidence.ledger import read_ledger
from gaswitness.plan import build_plan
from gaswitness.run.events import GasTurned, ReadingTaken, StepMoved
from gaswitness.run.folding import fold
from gaswitness.site import load_site
from support.processes import rig, start

KILLS = 20
SPEED = 400.0

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is not there on Windows")


@pytest.fixture(scope="module")
def cellar(repo: Path) -> Path:
    return repo / "examples" / "cellar.yaml"


def written(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.ledger.jsonl"))


def size(folder: Path) -> int:
    return sum(path.stat().st_size for path in written(folder))


def is_complete(path: Path) -> bool:
    stopped = read_ledger(path.read_bytes()).stopped
    return stopped is not None and stopped.outcome == "complete"


def test_killed_twenty_times_a_run_loses_at_most_a_line_and_is_brought_to_its_end(cellar: Path, tmp_path: Path) -> None:
    site = load_site(cellar.read_text("utf-8"), "cellar.yaml")
    plan_file = tmp_path / "plan.json"
    plan = build_plan(site, made=datetime(2026, 1, 1, tzinfo=UTC), today=date(2026, 1, 1))
    plan_file.write_text(plan.model_dump_json(), "utf-8")
    chance, log, out = random.Random(2026), tmp_path / "log.txt", tmp_path / "out"
    with rig(cellar, SPEED) as (link, control):
        common = ["--link", link, "--rig", control, "--assume-yes", "--out", str(out), "--operator", "MK"]
        first = ["run", str(plan_file), *common]
        again = ["run", "--resume", *common]
        kept: dict[Path, bytes] = {}
        kills = 0
        while kills < KILLS or not all(map(is_complete, kept)):
            unfinished = not all(map(is_complete, kept))
            process = start(again if unfinished and kept else first, log)
            before = size(out)
            while process.is_alive() and size(out) == before:
                time.sleep(0.01)  # it has to be recording before it can be killed at it
            process.join(chance.uniform(0.0, 1.2) if kills < KILLS else 120.0)
            if process.is_alive():
                process.kill()
                kills += 1
            process.join(10.0)
            assert process.exitcode in (0, -9), log.read_text("utf-8")
            for path in written(out):
                data = path.read_bytes()
                assert data.startswith(kept.get(path, b"")), "what was recorded is never rewritten"
                kept[path] = data
                ledger = read_ledger(data)  # the chain holds, whenever the plug was pulled
                assert ledger.torn_bytes <= max(map(len, data.split(b"\n")))
    restarts = 0
    for path in written(out):
        ledger = read_ledger(path.read_bytes())
        assert ledger.stopped is not None
        assert ledger.stopped.outcome == "complete"
        assert fold(ledger.events).ended == ledger.stopped
        restarts += ledger.restarts
        for tag in ("CO2-A", "CO2-B"):
            done = [e.step for e in ledger.events if isinstance(e, StepMoved) and e.state == "done"]
            assert f"{tag}/await-set/low" in done
            assert f"{tag}/recover" in done
        gas = [e for e in ledger.events if isinstance(e, GasTurned)]
        assert not gas[-1].on, "no gas is left on"
        assert not any(one.on and two.on for one, two in pairwise(gas)), "gas that was on is shut before it is on again"
        for number, event in enumerate(ledger.events):
            if isinstance(event, GasTurned) and event.on:
                zero = [
                    e.value_ppm for e in ledger.events[:number] if isinstance(e, ReadingTaken) and e.tag == event.tag
                ]
                assert zero[-1] is not None
                assert zero[-1] < 2000.0, "a detector that had gas is aired before its test begins again"
    assert restarts > 0
