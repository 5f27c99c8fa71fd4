"""What scripts hold on to: commands, their `--json` keys and exit codes, as the pages promise them."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gaswitness.cli import main as command_line

Ask = Callable[..., tuple[int, Any]]


@pytest.fixture
def ask(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Ask:
    """Exit code of a command, and the one JSON document on its stdout."""

    def asked(*words: object) -> tuple[int, Any]:
        monkeypatch.setattr(sys, "argv", ["gaswitness", *map(str, words), "--json"])
        code = 0
        try:
            command_line.main()
        except SystemExit as end:
            code = int(end.code or 0)
        return code, json.loads(capsys.readouterr().out)

    return asked


@pytest.fixture(scope="module")
def ledgers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A visit without a fault, and one with a slow detector."""
    from support.rigged import example_plan, visit

    folder, plan = tmp_path_factory.mktemp("ledgers"), example_plan("cellar.yaml", ("CO2-A",))
    paths = {"good": folder / "good.ledger.jsonl", "slow": folder / "weak.ledger.jsonl"}
    paths["good"].write_bytes(visit(plan))
    paths["slow"].write_bytes(visit(plan, faults=("slow:CO2-A",)))
    return paths


def has(document: Any, *keys: str) -> bool:
    assert isinstance(document, dict)
    assert set(keys) <= set(document), f"lacks {set(keys) - set(document)}"
    return True


@pytest.mark.parametrize("name", ["cellar.yaml", "ravensmoor.yaml"])
def test_check(ask: Ask, repo: Path, name: str) -> None:
    code, found = ask("check", repo / "examples" / name, "--today", "2026-11-25")
    assert code == 0
    assert has(found, "faults", "doubts")
    assert found["faults"] == []


def test_check_lists_faults(ask: Ask, repo: Path, tmp_path: Path) -> None:
    bad = tmp_path / "site.yaml"
    text = (repo / "examples" / "cellar.yaml").read_text("utf-8")
    bad.write_text(text.replace("resolution:", "resolutoin:", 1), "utf-8")
    code, found = ask("check", bad)
    assert code == 1
    assert all(has(fault, "path", "message", "hint") for fault in found["faults"])
    assert any("resolution" in fault["hint"] for fault in found["faults"])


def test_plan(ask: Ask, repo: Path) -> None:
    code, found = ask("plan", repo / "examples" / "cellar.yaml", "--today", "2026-11-25")
    assert code == 0
    rows = found if isinstance(found, list) else found["detectors"]
    assert [row["tag"] for row in rows] == ["CO2-A", "CO2-B"]
    for row in rows:
        assert has(row, "tag", "low_s", "high_s", "clear_s", "gas_l", "minutes", "bottle")
        assert all(len(row[key]) == 2 and row[key][0] < row[key][1] for key in ("low_s", "high_s", "clear_s"))


@pytest.mark.parametrize(("kind", "code"), [("good", 0), ("slow", 1)])
def test_judge(ask: Ask, ledgers: dict[str, Path], kind: str, code: int) -> None:
    got, found = ask("judge", ledgers[kind])
    assert got == code
    assert has(found, "verdicts", "effects")
    assert all(has(verdict, "tag", "outcome", "findings") for verdict in found["verdicts"])
    findings = [finding for verdict in found["verdicts"] for finding in verdict["findings"]]
    assert findings
    keys = ("criterion", "value", "u", "unit", "limits", "rule", "outcome", "margin", "p_conform", "why")
    assert all(has(finding, *keys) for finding in findings)
    assert found["effects"]
    assert all(has(effect, "cause", "effect", "delay_s", "u_s", "outcome") for effect in found["effects"])


def test_a_slow_detector_is_planned_again(ask: Ask, repo: Path, ledgers: dict[str, Path]) -> None:
    code, found = ask("plan", repo / "examples" / "cellar.yaml", "--retest", ledgers["slow"], "--today", "2026-11-25")
    assert code == 0
    rows = found if isinstance(found, list) else found["detectors"]
    assert [row["tag"] for row in rows] == ["CO2-A"]


def test_verify(ask: Ask, ledgers: dict[str, Path], tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.setattr(sys, "argv", ["gaswitness", "keys", "new", "-o", str(tmp_path / "me.key")])
    with pytest.raises(SystemExit) as end:
        command_line.main()
    assert not end.value.code
    capsys.readouterr()
    code, _ = ask("certify", ledgers["good"], "--key", tmp_path / "me.key", "-o", tmp_path)
    assert code == 0
    bundle = next(tmp_path.glob("*.evidence.zip"))
    code, found = ask("verify", bundle, "--trust", tmp_path / "me.key.pub")
    assert code == 0
    assert has(found, "valid", "reason", "signer", "rejudged")
    assert found["valid"] is True
    assert found["rejudged"] == "same"
    whole = bundle.read_bytes()
    at = len(whole) // 2
    bundle.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
    code, found = ask("verify", bundle, "--trust", tmp_path / "me.key.pub")
    assert code == 4
    assert found["valid"] is False
    assert found["reason"]


def test_response(ask: Ask, datasets: Path) -> None:
    log = datasets / "co2_box_steps" / "cycle_2021-09-13_800.csv"
    code, found = ask("response", log, "--channel", "ndir_a")
    assert code in {0, 1}
    figures = ("zero", "plateau", "dead_time_s", "t50_s", "t90_s", "t10_s")
    assert has(found, *figures, "noise", "resolution", "model", "tau_s", "gas_on", "gas_off", "flags")
    assert all(has(found[name], "value", "u") for name in figures)
    assert has(found["plateau"], "settled", "extrapolated")
    assert has(found["t50_s"], "read")
    assert has(found["gas_on"], "t", "found")
    assert found["gas_on"]["found"] is True


def test_replay(ask: Ask, repo: Path, datasets: Path) -> None:
    log = datasets / "co2_box_steps" / "cycle_2021-09-13_800.csv"
    code, found = ask("replay", repo / "examples" / "cellar.yaml", log, "--map", "ndir_a=CO2-A")
    assert code in {0, 1}
    assert has(found, "edges", "exposure")
    assert has(found["exposure"]["CO2-A"], "peak", "stel_15min_max", "twa_8h")


def test_edges_of_a_replay(ask: Ask, repo: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    rows = [f"{t},{20_000 if 600 < t < 1200 else 600}\n" for t in range(0, 3000, 10)]
    log.write_text("t_s,CO2-A\n" + "".join(rows), "utf-8")
    _, found = ask("replay", repo / "examples" / "cellar.yaml", log)
    assert {edge["edge"] for edge in found["edges"]} == {"set", "clear"}
    assert all(has(edge, "t", "tag", "point", "edge", "value") for edge in found["edges"])


@pytest.mark.parametrize("gas", ["CO2", "NH3", "R-744", "ammonia"])
def test_levels(ask: Ask, gas: str) -> None:
    code, found = ask("levels", gas, "--room-m3", 120, "--charge-kg", 45)
    assert code in {0, 1}
    assert has(found, "gas", "cas", "limits", "rules", "advice")
    assert found["limits"]
    assert all(has(limit, "name", "value", "unit", "source", "verified") for limit in found["limits"])


def test_air_change(ask: Ask, datasets: Path) -> None:
    log = datasets / "co2_box_steps" / "sealed_2021-07-01_26h.csv"
    code, found = ask("air-change", log, "--channel", "ndir_a")
    assert code in {0, 1}
    assert has(found, "per_hour", "background", "flags")
    assert has(found["per_hour"], "value", "u")
    assert has(found["background"], "value", "u", "fitted")


def test_release(ask: Ask, repo: Path) -> None:
    code, found = ask("release", repo / "examples" / "ravensmoor.yaml", "--scenarios", 50, "--seed", 7)
    assert code in {0, 1}
    assert has(found, "areas", "seed", "scenarios")
    assert found["seed"] == 7
    assert found["scenarios"] == 50
    assert all(has(area, "area", "p_detect", "time_to_alarm_s", "undetected") for area in found["areas"])
    assert all(has(area["time_to_alarm_s"], "p50", "p95") for area in found["areas"])


def test_the_years(ask: Ask, repo: Path, tmp_path: Path) -> None:
    store = ("--store", tmp_path / "kept.db")
    code, found = ask("import", repo / "examples" / "ravensmoor-years.csv", *store)
    assert code == 0
    assert all(has(file, "file", "state", "kind", "sha256", "visits", "notes") for file in found["files"])
    code, found = ask("due", *store, "--today", "2026-11-25")
    assert code == 1
    assert has(found, "today", "due", "overdue")
    keys = ("site", "kind", "what", "due", "state", "days", "why", "last")
    assert all(has(row, *keys) for row in found["due"])
    code, found = ask("drift", *store, "--today", "2025-07-01")
    assert code == 0
    assert all(has(row, "site", "tag", "of", "unit", "periods") for row in found["drifts"])
    keys = ("points", "ended", "limits", "says", "per_year", "u_per_year", "reaches", "flags")
    assert all(has(period, *keys) for row in found["drifts"] for period in row["periods"])
    code, found = ask("reliability", *store)
    assert code == 0
    assert has(found, "groups", "statement")
    assert all(
        has(row, "tests", "failures", "on_demand", "per_hour", "pfd_avg", "by_months") for row in found["groups"]
    )
    code, found = ask("export", *store, "-o", tmp_path / "register.xlsx")
    assert code == 0
    assert found == {"written": [str(tmp_path / "register.xlsx")]}
