"""`gaswitness run`: refusals that say what to do, and nothing left behind by them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from gaswitness.cli.main import main
from gaswitness.plan import build_plan
from support.rigs import cellar, free_port


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    plan = build_plan(cellar(), made=datetime(2026, 1, 1, tzinfo=UTC), today=date(2026, 1, 1))
    path = tmp_path / "plan.json"
    path.write_text(plan.model_dump_json(), "utf-8")
    return path


def refused(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    monkeypatch.setattr("sys.argv", ["gaswitness", "run", *words])
    with pytest.raises(SystemExit) as end:
        main()
    said = capsys.readouterr()
    assert said.out == ""
    return int(end.value.code or 0), said.err


@pytest.mark.parametrize(
    ("words", "code", "say"),
    [
        ([], 2, "no plan"),
        (["nowhere.json"], 2, "nowhere.json"),
        (["PLAN", "--speed", "60", "--link", "by-hand:"], 2, "only a simulated installation may go faster"),
        (["PLAN", "--rig", "192.0.2.1:15021", "--link", "by-hand:"], 2, "on this machine only"),
        (["PLAN", "--link", "carrier-pigeon:"], 2, "not a link"),
        (["--resume"], 2, "no unfinished run"),
    ],
)
def test_what_cannot_be_run_is_refused_in_words(monkeypatch, capsys, tmp_path, plan_file, words, code, say) -> None:
    out = tmp_path / "out"
    given = [str(plan_file) if word == "PLAN" else word for word in words]
    got, said = refused(monkeypatch, capsys, *given, "--out", str(out))
    assert got == code
    assert say in said
    assert "Traceback" not in said
    assert not list(out.glob("*")), "nothing is left behind"


@pytest.mark.parametrize("text", ["", "{}", "not json", '{"format":"gaswitness/plan/1"}', "[1, 2]", "\x00\xff"])
def test_a_file_that_is_no_plan_is_named(monkeypatch, capsys, tmp_path, text) -> None:
    path = tmp_path / "bad.json"
    path.write_text(text, "utf-8")
    code, said = refused(monkeypatch, capsys, str(path), "--link", "by-hand:", "--out", str(tmp_path / "out"))
    assert code == 2
    assert "bad.json" in said
    assert "Traceback" not in said


def test_a_link_that_fails_at_the_start_is_exit_3_and_no_ledger(monkeypatch, capsys, tmp_path, plan_file) -> None:
    link = f"modbus-tcp://127.0.0.1:{free_port()}"
    words = (str(plan_file), "--link", link, "--assume-yes", "--out", str(tmp_path / "out"))
    code, said = refused(monkeypatch, capsys, *words)
    assert code == 3
    assert link in said
    assert not list((tmp_path / "out").glob("*"))
