"""Plans carried out on the simulated installation: predictions hold, live effects show, shortfalls are replanned."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app
from gaswitness.evidence.ledger import read_ledger
from gaswitness.evidence.series import series_of
from gaswitness.judge import judge
from gaswitness.judge.records import Finding
from gaswitness.plan import Plan, build_plan
from support.rigged import EXAMPLES, example_plan, visit
from support.rigs import ravensmoor

RUN = CliRunner()


def findings(ledger: bytes) -> dict[str, Finding]:
    judged = judge(series_of(read_ledger(ledger)))
    return {f.criterion: f for verdict in judged.verdicts for f in verdict.findings}


@pytest.mark.parametrize("seed", range(4))
def test_alarms_come_when_they_were_predicted(seed: int) -> None:
    found = findings(visit(example_plan("cellar.yaml"), seed=seed))
    times = [f for f in found.values() if f.kind == "set-time"]
    assert len(times) == 4
    assert [f.criterion for f in times if f.outcome != "pass"] == []


def test_an_effect_left_live_is_shown() -> None:
    plan = build_plan(
        ravensmoor(),
        tags=["O2-1"],
        live=["STORE-VALVE"],
        made=datetime(2026, 11, 25, tzinfo=UTC),
        today=date(2026, 11, 25),
    )
    found = findings(visit(plan))
    assert found["O2-1/effect/high/STORE-VALVE"].outcome == "pass"
    assert found["O2-1/reset/STORE-VALVE"].outcome == "pass"


def test_what_fell_short_is_planned_again_and_passes_once_it_is_mended(tmp_path: Path) -> None:
    ledger = visit(example_plan("cellar.yaml"), faults=["set-point:CO2-B.low:1.5"])
    file, again = tmp_path / "first.jsonl", tmp_path / "again.json"
    file.write_bytes(ledger)
    result = RUN.invoke(
        app,
        ["plan", str(EXAMPLES / "cellar.yaml"), "--retest", str(file), "--today", "2026-11-25", "-o", str(again)],
    )
    assert result.exit_code == 0
    plan = Plan.model_validate_json(again.read_bytes())
    assert [d.tag for d in plan.detectors] == ["CO2-B"]
    assert "CO2-B/set-level/low" in {c.id for c in plan.criteria}
    assert "CO2-B/span" not in {c.id for c in plan.criteria}
    assert plan.retest_of == read_ledger(ledger).digest
    assert len(plan.retest_of) == len(hashlib.sha256().hexdigest())
    assert {f.outcome for f in findings(visit(plan)).values()} == {"pass"}


def test_a_run_in_which_all_passed_needs_no_retest(tmp_path: Path) -> None:
    file = tmp_path / "good.jsonl"
    file.write_bytes(visit(example_plan("cellar.yaml")))
    result = RUN.invoke(app, ["plan", str(EXAMPLES / "cellar.yaml"), "--retest", str(file)])
    assert result.exit_code != 0
    assert "everything passed" in str(result.exception)


def test_a_span_that_fell_short_is_adjusted_and_shown_again() -> None:
    ledger = visit(example_plan("cellar.yaml", ("CO2-A",)), faults=["weak:CO2-A:0.8"])
    found = findings(ledger)
    assert found["CO2-A/span"].outcome == "fail"
    assert found["CO2-A/as-left/span"].outcome == "pass"
    assert found["CO2-A/as-left/set-level/high"].outcome == "pass"
    judged = judge(series_of(read_ledger(ledger)))
    assert judged.verdicts[0].outcome == "pass"
