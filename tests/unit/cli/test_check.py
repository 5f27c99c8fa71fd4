"""`gaswitness check`, as a script and a person use it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from gaswitness.cli.main import app

DAY = ["--today", "2026-11-25"]


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, ["check", *args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture
def cellar(repo: Path) -> str:
    return (repo / "examples" / "cellar.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", ["ravensmoor", "cellar"])
def test_a_good_site(repo: Path, name: str) -> None:
    path = str(repo / "examples" / f"{name}.yaml")
    code, out, err = run(path, *DAY)
    assert (code, err) == (0, "")
    assert out.endswith("No fault, no doubt.\n")
    assert "TEST GAS: usual cautions" in out
    assert "Toxic" in out
    code, out, err = run(path, *DAY, "--json")
    document = json.loads(out)
    assert (code, document["faults"], document["doubts"]) == (0, [], [])
    assert document["cautions"][0]["lines"]


def test_doubts_alone_are_good(tmp_path: Path, cellar: str) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(cellar.replace("warn:\n  - {role: Cellar keeper}\n", ""), encoding="utf-8")
    code, out, _ = run(str(path), *DAY)
    assert code == 0
    assert "DOUBT 1" in out
    assert "no faults, 1 doubt." in out


def test_a_fault_of_sense_has_its_line(tmp_path: Path, cellar: str) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(cellar, encoding="utf-8")
    code, out, _ = run(str(path), "--today", "2028-07-01", "--json")
    line = cellar.split("\n").index("    expires: 2028-06-30") + 1
    assert code == 1
    (fault,) = json.loads(out)["faults"]
    assert set(fault) == {"path", "message", "hint", "line"}
    assert (fault["path"], fault["line"]) == ("$.cylinders[0].expires", line)


def test_faults_of_the_content_end_with_1(tmp_path: Path, cellar: str) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(cellar.replace("t90: 120 s", "t09: 120 s"), encoding="utf-8")
    code, out, _ = run(str(path), *DAY, "--json")
    assert code == 1
    assert len(json.loads(out)["faults"]) == 4
    code, out, _ = run(str(path), *DAY)
    assert code == 1
    assert "FAULT 4" in out
    assert "did you mean 't90'?" in out


@pytest.mark.parametrize("text", ["", "a: [", "- 1\n", "gaswitness: gaswitness/site/2\n", "\x00"])
def test_no_site_at_all_ends_with_2(tmp_path: Path, text: str) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    code, out, err = run(str(path))
    assert (code, out) == (2, "")
    assert "site.yaml" in err
    code, out, _ = run(str(path), "--json")
    assert code == 2
    assert len(json.loads(out)["faults"]) == 1


def test_a_missing_file_ends_with_2(tmp_path: Path) -> None:
    code, out, err = run(str(tmp_path / "none.yaml"))
    assert (code, out) == (2, "")
    assert "none.yaml" in err
    assert run(str(tmp_path), "--json")[0] == 2


def test_a_spreadsheet(tmp_path: Path, repo: Path) -> None:
    sheet = tmp_path / "site.xlsx"
    code, _, _ = run(str(repo / "examples" / "cellar.yaml"), *DAY, "--to-sheet", str(sheet))
    assert code == 0
    code, out, _ = run(str(sheet), *DAY)
    assert code == 0
    assert "No fault, no doubt." in out
    before = sheet.read_bytes()
    result = CliRunner().invoke(app, ["check", str(repo / "examples" / "cellar.yaml"), "--to-sheet", str(sheet)])
    assert result.exit_code != 0
    assert sheet.read_bytes() == before
